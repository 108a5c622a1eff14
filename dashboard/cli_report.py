"""``tricklebook report``, ``sign``, ``verify`` and ``key``: the record that leaves the house, and its proof."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    from dashboard.paper.record import Matter
    from ingest.installation import Installation

PASSPHRASE = "TRICKLEBOOK_KEY_PASSPHRASE"  # noqa: S105 - the name of a variable, not a secret
"""Environment variable that holds the key's passphrase, or with ``_FILE`` added the file that does."""

CHANGED = 4
"""Exit status of `verify` where something is not as it was."""


def register(app: typer.Typer) -> None:
    """Add the commands to the front door."""
    app.command("report")(report)
    app.command("sign")(sign)
    app.command("verify")(verify)
    keys = typer.Typer(no_args_is_help=True, help="Keys for signing records.")
    keys.command("new")(key_new)
    app.add_typer(keys, name="key")


def report(
    installation: Annotated[Path, typer.Option(help="The installation file.")],
    archive: Annotated[Path, typer.Option(help="Folder of the archive.")],
    output: Annotated[
        Path, typer.Option(help="The record, as .pdf or .html; evidence and charts go beside it.")
    ],
    begin: Annotated[
        str | None, typer.Option("--from", help="Begin, local: 2026-11-01.", show_default=False)
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="End, local: 2026-12-01.", show_default=False)
    ] = None,
    client: Annotated[str, typer.Option(help="For whom.")] = "",
    contractor: Annotated[
        Path | None,
        typer.Option(help="A TOML file with name and contact lines of the contractor.", show_default=False),
    ] = None,
    units: Annotated[
        str | None, typer.Option(help="metric or us; the installation's own where left out.")
    ] = None,
) -> None:
    """Write the service record of a period, with the evidence that it rests on."""
    from analysis.archive import analyse_archive, span_of  # noqa: PLC0415 - other commands do not pay for it
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    if output.suffix not in (".pdf", ".html"):
        msg = f"--output {output}: expected a name that ends in .pdf or .html"
        raise UserError(msg)
    system = load(installation)
    shown = units or system.units
    if shown not in ("metric", "us"):
        msg = f"--units {shown}: expected metric or us"
        raise UserError(msg)
    first, last = span_of(archive, system)
    start, stop = instant(begin, system, "--from") or first, instant(end, system, "--to") or last
    in_order(start, stop)
    results = analyse_archive(archive, system, start, stop)
    matter = _matter(archive, system, results, client, contractor)
    _publish(matter, system, "us" if shown == "us" else "metric", output, installation, archive)
    sys.stdout.write(f"{output}\n{_evidence_path(output)}\n")


def _matter(
    archive: Path, system: Installation, results: Any, client: str, contractor: Path | None
) -> Matter:
    """Gather what the record is made from."""
    from analysis.ledger import read_services  # noqa: PLC0415 - loaded only where it is wanted
    from dashboard.casebook import CaseBook  # noqa: PLC0415 - as above
    from dashboard.cases import cases  # noqa: PLC0415 - as above
    from dashboard.paper.completeness import completeness  # noqa: PLC0415 - as above
    from dashboard.paper.record import Matter  # noqa: PLC0415 - as above

    name, contact = _contractor(contractor)
    services = tuple(s for s in read_services(archive) if results.start <= s.time < results.end)
    return Matter(
        results,
        completeness(archive, system, results.start, results.end),
        services,
        tuple(cases(results.findings, CaseBook(archive).book())),
        client,
        name,
        contact,
    )


def _contractor(path: Path | None) -> tuple[str, tuple[str, ...]]:
    """Read the contractor's name and contact lines."""
    import tomllib  # noqa: PLC0415 - loaded only where it is wanted

    if path is None:
        return "", ()
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        name, contact = table["name"], table.get("contact", [])
    except (OSError, tomllib.TOMLDecodeError, KeyError) as error:
        msg = f'{path}: expected name = "..." and contact = ["...", "..."] ({error})'
        raise UserError(msg) from error
    if not isinstance(name, str) or not all(isinstance(line, str) for line in contact):
        msg = f'{path}: expected words in quotes, name = "..." and contact = ["...", "..."]'
        raise UserError(msg)
    return name, tuple(contact)


def _evidence_path(output: Path) -> Path:
    """Return where the evidence of a record stands."""
    return output.with_name(output.name + ".evidence.json")


def _publish(
    matter: Matter, system: Installation, units: Any, output: Path, described: Path, archive: Path
) -> None:
    """Write the record, its charts and its evidence."""
    from dataclasses import replace  # noqa: PLC0415 - loaded only where it is wanted

    from dashboard.paper import evidence  # noqa: PLC0415 - as above
    from dashboard.paper.press import html, pdf  # noqa: PLC0415 - as above
    from dashboard.paper.record import record  # noqa: PLC0415 - as above

    results = matter.results
    days = evidence.days_of_period(archive, system.site, results.start, results.end)
    manifests = evidence.manifests_of_period(archive, system.site, days)
    hashes = {"installation file": evidence.sha256(described)} | dict(list(manifests.items())[-1:])
    document = record(replace(matter, hashes=hashes), system, units)
    charts = output.with_name(output.name + ".charts")
    charts.mkdir(exist_ok=True)
    papers = [output]
    for number, drawing in enumerate(d for section in document.sections for d, _ in section.pictures):
        papers.append(charts / f"{number + 1:02d}.svg")
        papers[-1].write_text(drawing, "utf-8")
    if output.suffix == ".html":
        output.write_text(html(document), "utf-8")
    else:
        output.write_bytes(pdf(document, results.end.to_pydatetime(warn=False)))
    said = evidence.gather(
        papers,
        output.parent,
        software=results.software,
        installation={"name": system.name, "sha256": hashes["installation file"]},
        period={"from": results.start.isoformat(), "to": results.end.isoformat()},
        days=days,
        manifests=manifests,
    )
    evidence.write(_evidence_path(output), said)


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

    path = _evidence_path(record)
    said = evidence.read(path)
    changed = evidence.differences(said, record.parent, None)
    if changed:
        msg = f"{changed[0].what} was {changed[0].how} since the record was made; make the record anew before signing"
        raise UserError(msg)
    sys.stdout.write(f"{signature.sign(path, key, passphrase())}\n")


def verify(
    record: Annotated[Path, typer.Argument(help="The record that `report` wrote.")],
    trusted: Annotated[
        Path | None, typer.Option(help="A public key, or a folder of them.", show_default=False)
    ] = None,
    archive: Annotated[
        Path | None,
        typer.Option(help="The archive, where it is at hand: its days are compared too.", show_default=False),
    ] = None,
) -> None:
    """Tell whether a record, its charts and the readings under it are as they were, and who signed it.

    Exit status: 0 where everything is as it was, 4 where something is not.
    """
    from dashboard.paper import evidence, signature  # noqa: PLC0415 - loaded only where they are wanted

    path = _evidence_path(record)
    faults = []
    if trusted is None:
        sys.stdout.write("signature: not checked; name the public keys you trust with --trusted\n")
    else:
        verdict = signature.verify(path, signature.public_keys(trusted))
        if not verdict.known:
            faults.append(f"{path.name}: signed with key {verdict.key}, which is not among the trusted ones")
        elif not verdict.valid:
            faults.append(f"{path.name}: changed since it was signed with key {verdict.key}")
        else:
            sys.stdout.write(f"signature: good, key {verdict.key}\n")
    said = evidence.read(path)
    faults += [f"{d.what}: {d.how}" for d in evidence.differences(said, record.parent, archive)]
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
            f"{count} files of {len(said['days'])} days and {len(said['manifests'])} manifests are as they were\n"
        )
