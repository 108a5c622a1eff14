"""``tricklebook commission``: the first measured runs against the description, and their acceptance."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    import pandas as pd

    from analysis.commissioning.first_runs import Check
    from analysis.results import Results
    from ingest.installation import Installation

DIFFERS = 4
"""Exit status where something differs."""


def commission(
    installation: Annotated[Path, typer.Option(help="The installation.toml that describes the system.")],
    archive: Annotated[Path, typer.Option(help="The folder with the stored readings.")],
    since: Annotated[
        str | None, typer.Option("--from", help="First day or instant of the first runs.")
    ] = None,
    until: Annotated[str | None, typer.Option("--to", help="Where to end, not included.")] = None,
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    accept: Annotated[
        bool, typer.Option("--accept", help="Accept these runs as the baseline; needs --person.")
    ] = False,
    person: Annotated[str, typer.Option(help="Who accepts.")] = "",
    note: Annotated[
        str, typer.Option(help="What else there is to say; needed where something differs.")
    ] = "",
) -> None:
    """Hold the first measured runs against the description, and let a person accept them as the baseline.

    Exit status: 0 where everything that was measured agrees, 4 where something differs.
    """
    from dataclasses import asdict  # noqa: PLC0415 - loaded only where it is wanted

    from analysis.archive import analyse_archive  # noqa: PLC0415 - as above
    from analysis.commissioning.first_runs import checks  # noqa: PLC0415 - as above
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system = load(installation)
    start, end = instant(since, system, "--from"), instant(until, system, "--to")
    in_order(start, end)
    results = analyse_archive(archive, system, start, end)
    found = checks(system, results, first_readings(archive, system, results))
    differs = any(check.verdict == "differs" for check in found)
    if as_json:
        sys.stdout.write(json.dumps([asdict(check) for check in found], ensure_ascii=False, indent=1) + "\n")
    else:
        sys.stdout.write("\n".join(words(found)) + "\n")
    if accept:
        _accept(archive, results, person=person, note=note, differs=differs)
    if differs:
        raise typer.Exit(DIFFERS)


def first_readings(archive: Path, system: Installation, results: Results) -> dict[str, pd.Series]:
    """Return every sensor's readings of the last day that has runs."""
    import pandas as pd  # noqa: PLC0415 - loaded only where it is wanted

    from ingest.store import read_readings  # noqa: PLC0415 - as above

    if not results.runs:
        msg = f"{archive}: no run was seen between {results.start} and {results.end}; run every zone once, then try again"
        raise UserError(msg)
    first = max(results.start, results.runs[-1].end - pd.Timedelta(days=1))
    frame = read_readings(archive, system, start=first, end=results.end)
    return {
        str(name): pd.Series(rows["value"].to_numpy(), pd.DatetimeIndex(rows["time"]))
        for name, rows in frame.groupby("sensor", observed=True)
    }


def words(found: list[Check]) -> list[str]:
    """Return the checks as lines, one each, with the mend where it is needed.

    Examples
    --------
    >>> from analysis.commissioning.first_runs import check
    >>> words([check("zone.a", "flow", 840.0, 800.0, 0.1, "flow", "look")])
    ['agrees        zone.a: flow: 840 L/h measured, 800 L/h computed, within 10 %']
    """
    from ingest.quantities import DIMENSIONS  # noqa: PLC0415 - loaded only where it is wanted

    lines = []
    for one in found:
        unit = "" if one.dimension == "share" else f" {DIMENSIONS[one.dimension][0]}"
        seen = "not measured" if one.measured is None else f"{one.measured:.4g}{unit} measured"
        said = "within" if one.verdict == "agrees" else "tolerance"
        lines.append(
            f"{one.verdict:<12}  {one.place}: {one.what}: {seen}, {one.computed:.4g}{unit} computed, "
            f"{said} {100 * one.tolerance:.0f} %"
        )
        if one.verdict != "agrees":
            lines.append(f"{'':<12}  look at: {one.mend}")
    return lines


def _accept(archive: Path, results: Results, *, person: str, note: str, differs: bool) -> None:
    """Write into the service log that a person took these runs as the baseline."""
    from analysis.ledger import add_service  # noqa: PLC0415 - loaded only where it is wanted
    from analysis.service import Service  # noqa: PLC0415 - as above

    if differs and not note.strip():
        msg = "something differs; accept it only with --note saying why it is right as it is"
        raise UserError(msg)
    said = f"runs from {results.start.isoformat()} to {results.end.isoformat()} accepted as the baseline"
    begun = results.runs[0].start
    add_service(archive, Service(begun, person, "commissioned", note=f"{said}; {note}" if note else said))
    sys.stdout.write(f"accepted by {person}: {said}\n")
