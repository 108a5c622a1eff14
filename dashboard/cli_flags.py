"""``tricklebook flags``: what the quality tests say of every reading, provisional or final."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from analysis.quality.daily import DayFlags


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("flags")(flags)


def flags(
    installation: Annotated[Path, typer.Option(help="The installation file.")],
    archive: Annotated[Path, typer.Option(help="Folder of the archive.")],
    begin: Annotated[
        str | None, typer.Option("--from", help="Begin, local: 2026-06-01.", show_default=False)
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="End, local, not included: 2026-07-01.", show_default=False)
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Write one Parquet file a day here, with the flag of every reading.", show_default=False
        ),
    ] = None,
) -> None:
    """Tell the quality flags of every reading, day by day (UTC): how many of each sensor, and why.

    Flags are provisional while a day is open, and final once it is closed: then the same readings and description give
    the same flags, and the same files. Days that the period only touches come whole.
    """
    from analysis.archive import span_of  # noqa: PLC0415 - other commands do not pay for it
    from analysis.flagged import flagged_days  # noqa: PLC0415 - as above
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from dashboard.export.flag_files import write_day  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system = load(installation)
    start, stop = instant(begin, system, "--from"), instant(end, system, "--to")
    if start is None or stop is None:
        first, last = span_of(archive, system)
        start, stop = start or first, stop or last
    in_order(start, stop)
    for day in flagged_days(archive, system, start, stop):
        sys.stdout.write("\n".join(words(day)) + "\n")
        if out is not None:
            sys.stdout.write(f"  {write_day(out, system.site, day)}\n")


def words(day: DayFlags) -> list[str]:
    """Return a day's counts as lines: the day with its status, then each sensor with what is not good and why."""
    from analysis.quality.daily import counts  # noqa: PLC0415 - loaded only where it is wanted
    from analysis.quality.outcomes import WORDS, Outcome  # noqa: PLC0415 - as above

    found = counts(day)
    names = list(dict.fromkeys(one.sensor for one in found))
    width = max(map(len, names), default=0)
    lines = [f"{day.day:%Y-%m-%d} (UTC), {day.status}"]
    for name in names:
        mine = [one for one in found if one.sensor == name]
        good = sum(one.count for one in mine if one.outcome == Outcome.PASSED)
        rest = [
            f"{WORDS[one.outcome]} {one.count} (flag {one.flag.value})"
            for one in mine
            if one.outcome != Outcome.PASSED
        ]
        lines.append(f"  {name:<{width}}  {good} good{''.join(f', {text}' for text in rest)}")
    return lines
