"""``tricklebook sign``, ``verify`` and ``key``: who made a record, and whether anything was changed since."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from ingest.errors import UserError

PASSPHRASE = "TRICKLEBOOK_KEY_PASSPHRASE"  # noqa: S105 - the name of a variable, not a secret
"""Environment variable that holds the key's passphrase, or with ``_FILE`` added the file that does."""

CHANGED = 4
"""Exit status of `verify` where something is not as it was."""


def register(app: typer.Typer) -> None:
    """Add the commands to the front door."""
    app.command("sign")(sign)
    app.command("verify")(verify)
    keys = typer.Typer(no_args_is_help=True, help="Keys for signing records.")
    keys.command("new")(key_new)
    keys.command("rotate")(key_rotate)
    keys.command("accept")(key_accept)
    keys.command("revoke")(key_revoke)
    app.add_typer(keys, name="key")


def passphrase() -> bytes:
    """Return the key's passphrase from the environment or from the file it names."""
    if PASSPHRASE in os.environ:
        return os.environ[PASSPHRASE].encode()
    if f"{PASSPHRASE}_FILE" in os.environ:
        return Path(os.environ[f"{PASSPHRASE}_FILE"]).read_bytes().strip()
    if sys.stdin.isatty():
        return str(typer.prompt("Passphrase of the key", hide_input=True)).encode()
    msg = f"set {PASSPHRASE} or {PASSPHRASE}_FILE; a passphrase never stands on the command line"
    raise UserError(msg)


def key_new(
    path: Annotated[Path, typer.Argument(help="Where the private key goes, such as contractor.pem.")],
) -> None:
    """Make a key for signing: the private key encrypted, the public one beside it to hand out."""
    from dashboard.paper.signature import new_key  # noqa: PLC0415 - loaded only where it is wanted

    public = new_key(path, passphrase())
    sys.stdout.write(f"{path}: keep it, and its passphrase, to yourself\n{public}: hand it out\n")


def sign(
    record: Annotated[Path, typer.Argument(help="The record that `report` wrote.")],
    key: Annotated[Path, typer.Option(help="The private key that `key new` made.")],
) -> None:
    """Sign a record: its evidence gets a detached signature beside it."""
    from dashboard.paper import evidence, signature  # noqa: PLC0415 - loaded only where they are wanted
    from dashboard.paper.publish import evidence_path  # noqa: PLC0415 - as above

    path = evidence_path(record)
    said = evidence.read(path)
    changed = evidence.differences(said, record.parent, None)
    if changed:
        msg = f"{changed[0].what} was {changed[0].how} since the record was made; make the record anew before signing"
        raise UserError(msg)
    sys.stdout.write(f"{signature.sign(path, key, passphrase())}\n")


def key_rotate(
    old: Annotated[Path, typer.Argument(help="The private key so far.")],
    new: Annotated[Path, typer.Argument(help="Where the next private key goes.")],
) -> None:
    """Make the key that follows another; the old one vouches for it, and old records stay verifiable."""
    from dashboard.paper.keyring import rotate  # noqa: PLC0415 - loaded only where it is wanted

    public = rotate(old, new, passphrase())
    sys.stdout.write(
        f"{new}: sign with it from now on\n{public}, {public.name}.sig: hand both out\n"
        f"{old}: delete it when nothing is to be signed with it any more; keep its public key\n"
    )


def key_accept(
    public: Annotated[Path, typer.Argument(help="The new public key, its .sig beside it.")],
    trusted: Annotated[Path, typer.Option(help="The folder of keys that you trust.")],
) -> None:
    """Take a contractor's new key among the trusted ones, where one of those vouches for it."""
    from dashboard.paper.keyring import accept  # noqa: PLC0415 - loaded only where it is wanted

    sys.stdout.write(f"{accept(public, trusted)}: trusted from now on\n")


def key_revoke(
    public: Annotated[Path, typer.Argument(help="The public key that is withdrawn.")],
    why: Annotated[str, typer.Option(help="Why: lost, or seen by a stranger.")],
) -> None:
    """Withdraw a key: nothing that it signed is trusted any more where the notice lies beside it."""
    from dashboard.paper.keyring import revoke  # noqa: PLC0415 - loaded only where it is wanted

    notice = revoke(public, datetime.now(UTC).date().isoformat(), why)
    sys.stdout.write(f"{notice}: hand it to everybody who trusts this key, and make a new key\n")


def verify(
    record: Annotated[Path, typer.Argument(help="The record that `report` wrote.")],
    trusted: Annotated[
        Path | None, typer.Option(help="A public key, or a folder of them.", show_default=False)
    ] = None,
    archive: Annotated[
        Path | None,
        typer.Option(help="The archive, where it is at hand: its days are compared too.", show_default=False),
    ] = None,
    installation: Annotated[
        Path | None,
        typer.Option(help="The installation file, where it is at hand: compared too.", show_default=False),
    ] = None,
) -> None:
    """Tell whether a record, its charts and the readings under it are as they were, and who signed it.

    Exit status: 0 where everything is as it was, 4 where something is not.
    """
    from dashboard.paper import evidence  # noqa: PLC0415 - loaded only where it is wanted
    from dashboard.paper.publish import evidence_path  # noqa: PLC0415 - as above

    path = evidence_path(record)
    faults = list(_signed(path, trusted))
    said = evidence.read(path)
    faults += [f"{d.what}: {d.how}" for d in evidence.differences(said, record.parent, archive)]
    if installation is not None and evidence.sha256(installation) != said["installation"]["sha256"]:
        faults.append(f"{installation.name}: is not the file that the record was made with")
    if archive is None:
        sys.stdout.write("readings: not compared; name the archive with --archive\n")
    for fault in faults:
        sys.stderr.write(f"tricklebook: {fault}\n")
    if faults:
        raise typer.Exit(CHANGED)
    sys.stdout.write(f"{len(said['files'])} files of the record are as they were\n")
    if archive is not None:
        count = sum(len(files) for files in said["days"].values())
        sys.stdout.write(
            f"{count} files of {len(said['days'])} days, {len(said['manifests'])} manifests and "
            f"{len(said.get('ledgers', {}))} ledgers are as they were\n"
        )


def _signed(path: Path, trusted: Path | None) -> Iterator[str]:
    """Yield what is wrong with a signature; say who signed where nothing is."""
    from dashboard.paper import keyring, signature  # noqa: PLC0415 - loaded only where they are wanted

    if trusted is None:
        sys.stdout.write("signature: not checked; name the public keys you trust with --trusted\n")
        return
    verdict = signature.verify(path, signature.public_keys(trusted))
    withdrawn = keyring.revoked(trusted).get(verdict.key)
    if withdrawn is not None:
        yield f"{path.name}: signed with key {verdict.key}, which was withdrawn on {withdrawn.day}: {withdrawn.why}"
    elif not verdict.known:
        yield f"{path.name}: signed with key {verdict.key}, which is not among the trusted ones"
    elif not verdict.valid:
        yield f"{path.name}, or its signature {path.name}.sig: changed since it was signed with key {verdict.key}"
    else:
        sys.stdout.write(f"signature: good, key {verdict.key}\n")
