"""Detached Ed25519 signatures: keys made, kept, retired, and what a signature is worth."""

from __future__ import annotations

import base64
import json
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SUFFIX = ".sig"
"""Ends the name of a signature beside the file that it signs."""

KEY_ID_LETTERS = 16
"""Letters of a key's name: enough that two keys of one firm never share it."""


class SignatureError(UserError):
    """Raised when a key or a signature cannot be used; says which and what would."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a signature says.

    Attributes
    ----------
    key : str
        The name of the key that it claims.
    known : bool
        Whether that key is among the trusted ones.
    valid : bool
        Whether it fits the file; only a known key can say so.
    """

    key: str
    known: bool
    valid: bool


def key_id(public: Ed25519PublicKey) -> str:
    """Return a public key's name: the beginning of its SHA-256."""
    digest = hashes.Hash(hashes.SHA256())
    digest.update(public.public_bytes_raw())
    return digest.finalize().hex()[:KEY_ID_LETTERS]


def new_key(path: Path, passphrase: bytes) -> Path:
    """Make a key pair: the private key encrypted, readable by its owner alone, the public key beside it.

    Parameters
    ----------
    path : Path
        Where the private key goes; it must not exist.
    passphrase : bytes
        What protects it.

    Returns
    -------
    Path
        The public key's file, named after the key.

    Raises
    ------
    SignatureError
        If the file exists or the passphrase is empty.
    """
    if not passphrase:
        msg = "a key needs a passphrase; put it into the environment or a file, never on the command line"
        raise SignatureError(msg)
    private = Ed25519PrivateKey.generate()
    text = private.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(passphrase),
    )
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        msg = f"{path}: exists already; a key is never overwritten, so name another file for a new one"
        raise SignatureError(msg) from error
    with os.fdopen(handle, "wb") as file:
        file.write(text)
    public = private.public_key()
    beside = path.with_name(f"{key_id(public)}.pub.pem")
    beside.write_bytes(
        public.public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
    )
    return beside


def opened(key: Path, passphrase: bytes) -> Ed25519PrivateKey:
    """Return a private key.

    Raises
    ------
    SignatureError
        If the key cannot be opened with the passphrase.
    """
    try:
        private = serialization.load_pem_private_key(key.read_bytes(), passphrase)
    except (OSError, ValueError, TypeError) as error:
        msg = f"{key}: the private key cannot be opened; check the file and its passphrase"
        raise SignatureError(msg) from error
    if not isinstance(private, Ed25519PrivateKey):
        msg = f"{key}: is not an Ed25519 key; make one with `tricklebook key new`"
        raise SignatureError(msg)
    return private


def sign(path: Path, key: Path, passphrase: bytes) -> Path:
    """Sign a file.

    Returns
    -------
    Path
        The signature, beside the file.

    Raises
    ------
    SignatureError
        If the key cannot be opened with the passphrase.
    """
    private = opened(key, passphrase)
    beside = path.with_name(path.name + SUFFIX)
    beside.write_text(_text(key_id(private.public_key()), private.sign(path.read_bytes())), "ascii")
    return beside


def _text(name: str, signature: bytes) -> str:
    """Return a signature's file: the one way in which it is written."""
    return json.dumps({"key": name, "signature": base64.b64encode(signature).decode("ascii")}) + "\n"


def public_keys(trusted: Path) -> dict[str, Ed25519PublicKey]:
    """Return the trusted keys by name.

    Parameters
    ----------
    trusted : Path
        A public key, or a folder of them; a retired key that stays in the folder still proves old records.

    Raises
    ------
    SignatureError
        If there is none.
    """
    paths: Iterable[Path] = sorted(trusted.glob("*.pub.pem")) if trusted.is_dir() else [trusted]
    found = {}
    for path in paths:
        try:
            key = serialization.load_pem_public_key(path.read_bytes())
        except (OSError, ValueError) as error:
            msg = f"{path}: is not a public key; expected a .pub.pem that `tricklebook key new` wrote"
            raise SignatureError(msg) from error
        if isinstance(key, Ed25519PublicKey):
            found[key_id(key)] = key
    if not found:
        msg = f"{trusted}: holds no public key (*.pub.pem)"
        raise SignatureError(msg)
    return found


def verify(path: Path, keys: dict[str, Ed25519PublicKey]) -> Verdict:
    """Judge the signature beside a file.

    Raises
    ------
    SignatureError
        If there is no signature, or it cannot be read.
    """
    beside = path.with_name(path.name + SUFFIX)
    try:
        text = beside.read_text("ascii")
        content = json.loads(text)
        name, signature = str(content["key"]), base64.b64decode(content["signature"], validate=True)
        if text != _text(name, signature):  # spare bits of the last letter, blanks
            msg = f"{beside}: was changed since it was written"
            raise SignatureError(msg)
    except (OSError, ValueError, KeyError, TypeError) as error:
        msg = f"{beside}: is missing or is no signature; sign the record with `tricklebook sign`"
        raise SignatureError(msg) from error
    if name not in keys:
        return Verdict(name, known=False, valid=False)
    try:
        keys[name].verify(signature, path.read_bytes())
    except InvalidSignature:
        return Verdict(name, known=True, valid=False)
    return Verdict(name, known=True, valid=True)
