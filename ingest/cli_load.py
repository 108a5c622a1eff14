"""``tricklebook load``: take the files of loggers into the archive."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from ingest.installation import Installation
    from ingest.loading import How, Loaded


class DecimalOption(StrEnum):
    """What separates the decimals."""

    auto = "auto"
    point = "point"
    comma = "comma"


class TwiceOption(StrEnum):
    """What to do with a time that the clock shows twice."""

    refuse = "refuse"
    earlier = "earlier"
    later = "later"


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("load")(load)


def load(  # noqa: PLR0913 - each option of the command line is an argument
    files: Annotated[list[Path], typer.Argument(help="CSV files of loggers.")],
    *,
    installation: Annotated[Path, typer.Option(help="The installation.toml that describes the system.")],
    archive: Annotated[Path, typer.Option(help="Folder that keeps the readings; made where missing.")],
    timezone: Annotated[
        str | None,
        typer.Option(help='Zone of times without an offset, like "Europe/Lisbon", "UTC" or "+01:00".'),
    ] = None,
    time_format: Annotated[
        str | None, typer.Option(help='How times are written, like "%d.%m.%Y %H:%M"; ISO 8601 else.')
    ] = None,
    decimal: Annotated[
        DecimalOption, typer.Option(help="What separates the decimals; auto sees it.")
    ] = DecimalOption.auto,
    twice: Annotated[
        TwiceOption, typer.Option(help="Which to take of a time that the clock shows twice in autumn.")
    ] = TwiceOption.refuse,
    encoding: Annotated[str, typer.Option(help="Encoding of the files, like latin-1.")] = "utf-8-sig",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Read and check only; store nothing.")] = False,
) -> None:
    """Take the files of loggers into the archive.

    A long file has the columns time, sensor, value and unit; a wide one has a column for each sensor,
    named as source = { csv = "..." } says, with its unit in brackets where it is not the sensor's own.
    Columns are separated by ; tab or comma. Rows that are no readings are kept in the quarantine with
    their reason. Loading a file again changes nothing.
    """
    from ingest.load_installation import load as load_installation  # noqa: PLC0415 - loads only when needed
    from ingest.loading import How  # noqa: PLC0415 - as above
    from ingest.logger_stamps import Stamps, parse_zone  # noqa: PLC0415 - as above

    system = load_installation(installation)
    zone = None if timezone is None else parse_zone(timezone)
    how = How(Stamps(zone, time_format, twice.value), decimal.value, encoding)
    for path in files:
        done = _load_one(path, system, None if dry_run else archive, how)
        sys.stdout.write(_told(done, stored=not dry_run) + "\n")


def _load_one(path: Path, system: Installation, archive: Path | None, how: How) -> Loaded:
    """Load one file, with a bar where a person watches."""
    from ingest.loading import load_file  # noqa: PLC0415 - loads only when needed

    if not sys.stderr.isatty() or not path.is_file():
        return load_file(path, system, archive, how)
    with typer.progressbar(length=path.stat().st_size, label=path.name, file=sys.stderr) as bar:
        return load_file(path, system, archive, how, watch=lambda at: bar.update(at - bar.pos))


def _told(done: Loaded, *, stored: bool) -> str:
    """Return what came of a file, for a person."""
    verb = "loaded" if stored else "would be loaded"
    lines = [f"{done.source}: {done.readings} readings {verb}, {done.refused.total()} refused"]
    if done.refused:
        lines[0] += f" ({', '.join(f'{count} {reason}' for reason, count in done.refused.most_common())})"
    if done.empty:
        lines[0] += f", {done.empty} empty cells"
    lines += [f"  {detail}" for detail in done.told]
    if done.refused.total() > len(done.told):
        lines.append(f"  and {done.refused.total() - len(done.told)} more, in the quarantine")
    if done.unused:
        lines.append(f"  columns of no sensor: {', '.join(done.unused)}")
    return "\n".join(lines)
