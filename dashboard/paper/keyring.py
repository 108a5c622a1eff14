"""A life of keys: one follows another, is taken into a folder of trusted ones, or is withdrawn."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashboard.paper import signature
from dashboard.paper.signature import SignatureError, key_id, new_key, opened, public_keys

if TYPE_CHECKING:
    from pathlib import Path

REVOKED = ".revoked.json"
"""Ends the name of the notice that a key is withdrawn; begins with the key's name."""


@dataclass(frozen=True, slots=True)
class Revoked:
    """That a key is withdrawn.

    Attributes
    ----------
    key : str
        Its name.
    day : str
        When that was said, as a date. [ISO 8601]
    why : str
        The reason.
    """

    key: str
    day: str
    why: str


def rotate(old: Path, new: Path, passphrase: bytes) -> Path:
    """Make a key that follows another, and have the old one vouch for it.

    Parameters
    ----------
    old, new : Path
        The private key so far, and where the next one goes; it must not exist.
    passphrase : bytes
        Of both.

    Returns
    -------
    Path
        The new public key; its signature by the old one stands beside it. What the old key signed stays
        verifiable as long as its public key is among the trusted ones.

    Raises
    ------
    SignatureError
        If the old key cannot be opened, or the new file exists.
    """
    opened(old, passphrase)
    public = new_key(new, passphrase)
    signature.sign(public, old, passphrase)
    return public


def accept(public: Path, trusted: Path) -> Path:
    """Take a new public key into a folder of trusted ones, where one of those vouches for it.

    Parameters
    ----------
    public : Path
        The new key, its signature beside it.
    trusted : Path
        The folder.

    Returns
    -------
    Path
        Its copy in the folder.

    Raises
    ------
    SignatureError
        If no trusted key that is not withdrawn has signed it.
    """
    verdict = signature.verify(public, public_keys(trusted))
    if not verdict.valid:
        why = "changed since it was signed" if verdict.known else "vouched for by a key that is not trusted"
        msg = (
            f"{public}: is {why} ({verdict.key}); ask whom it comes from, by another way than the one it came"
        )
        raise SignatureError(msg)
    withdrawn = revoked(trusted).get(verdict.key)
    if withdrawn is not None:
        msg = f"{public}: vouched for by key {verdict.key}, which was withdrawn on {withdrawn.day}: {withdrawn.why}"
        raise SignatureError(msg)
    name = next(iter(public_keys(public)))
    copy = trusted / f"{name}.pub.pem"
    copy.write_bytes(public.read_bytes())
    return copy


def revoke(public: Path, day: str, why: str) -> Path:
    """Write down that a key is withdrawn, beside its public key; hand the notice to all who trust it.

    Parameters
    ----------
    public : Path
        The public key.
    day : str
        Today. [ISO 8601]
    why : str
        The reason: lost, seen by a stranger.

    Returns
    -------
    Path
        The notice. Whoever has it in the folder of trusted keys trusts nothing any more that the key signed: when a
        signature was made is told by the signer alone, and a thief may date it back.

    Raises
    ------
    SignatureError
        If there is no reason, or no public key.
    """
    if not why.strip():
        msg = "--why is empty; say why the key is withdrawn, such as lost or seen by a stranger"
        raise SignatureError(msg)
    (key,) = public_keys(public).values()
    notice = public.with_name(f"{key_id(key)}{REVOKED}")
    notice.write_text(json.dumps({"key": key_id(key), "day": day, "why": why.strip()}) + "\n", "utf-8")
    return notice


def revoked(trusted: Path) -> dict[str, Revoked]:
    """Return the keys that are withdrawn, by name.

    Parameters
    ----------
    trusted : Path
        A public key, or a folder of them; notices stand beside them.

    Raises
    ------
    SignatureError
        If a notice cannot be read: a torn one must not make its key good again.
    """
    folder = trusted if trusted.is_dir() else trusted.parent
    found = {}
    for path in sorted(folder.glob(f"*{REVOKED}")):
        try:
            row = json.loads(path.read_text("utf-8"))
            notice = Revoked(str(row["key"]), str(row["day"]), str(row["why"]))
        except (OSError, ValueError, KeyError, TypeError) as error:
            msg = f"{path}: cannot be read as the notice of a withdrawn key ({error}); get it anew, or remove it knowingly"
            raise SignatureError(msg) from error
        found[notice.key] = notice
    return found
