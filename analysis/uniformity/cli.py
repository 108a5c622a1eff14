"""Subcommand ``tricklebook uniformity``: judge a catch test."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    from analysis.uniformity.catch import Causes, Change, Uniformity
    from analysis.uniformity.read import CatchTest


def uniformity(
    test: Annotated[
        str,
        typer.Argument(
            help='A CSV file with a column "flow [L/h]" (or "volume [mL]" and "time [s]"), perhaps '
            '"pressure [kPa]"; or the flows themselves, like "2.0 1.95 2.05 L/h".'
        ),
    ],
    earlier: Annotated[
        str | None, typer.Option(help="An earlier test of the same zone to compare with.")
    ] = None,
    exponent: Annotated[
        float, typer.Option(help="Exponent of the emitters: 0 compensating, 0.5 turbulent, 1 laminar.")
    ] = 0.5,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,  # noqa: FBT002 - a switch of the command line
) -> None:
    """Say how evenly a zone waters, from what single emitters gave in a catch test."""
    from analysis.uniformity import catch as judge  # noqa: PLC0415 - scipy loads only when needed

    read = _read(test)
    try:
        found = judge.uniformity(read.flows)
        split = judge.causes(read.flows, read.pressures, exponent=exponent) if read.pressures else None
        moved = judge.change(_read(earlier).flows, read.flows) if earlier else None
    except ValueError as error:
        msg = f"catch test: {error}"
        raise UserError(msg) from error
    sys.stdout.write(_document(found, split, moved) if json else _table(found, split, moved))


def _read(test: str) -> CatchTest:
    """Read a file, or what was typed."""
    from analysis.uniformity.read import from_csv, typed  # noqa: PLC0415 - the units library loads when needed

    path = Path(test)
    try:
        if path.is_file():
            return from_csv(path.read_text("utf-8-sig"), name=path.name)
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path.name} cannot be read: {error}"
        raise UserError(msg) from error
    return typed(test)


def _document(found: Uniformity, split: Causes | None, moved: Change | None) -> str:
    """Return everything as JSON."""
    import json  # noqa: PLC0415 - the option of the command has this name

    parts = {
        "uniformity": asdict(found),
        "causes": asdict(split) if split else None,
        "change": asdict(moved) if moved else None,
    }
    return json.dumps(parts, indent=2) + "\n"


def _table(found: Uniformity, split: Causes | None, moved: Change | None) -> str:
    """Return everything as lines for people."""
    low, high = found.statistical_limits
    lines = [
        f"{found.count} emitters, mean {found.mean:.3g} L/h",
        f"low quarter DU      {found.low_quarter:5.1f} %   {found.eu_class} as emission uniformity",
        f"Christiansen CU     {found.christiansen:5.1f} %",
        f"statistical Us      {found.statistical:5.1f} %   {max(low, 0.0):.1f} to {high:.1f}, {found.us_class}",
        f"absolute emission   {found.absolute_emission:5.1f} %",
    ]
    if found.warning:
        lines.append(f"careful: {found.warning}")
    if split:
        lines.append(
            f"{100 * split.pressure_share:.0f} % of the unevenness is pressure's (DU {split.pressure_quarter:.1f} % "
            f"by itself), the rest is the emitters' (DU {split.emitter_quarter:.1f} %)"
        )
    if moved:
        lines.append(
            f"since the earlier test: mean flow {100 * moved.mean:+.1f} % (p {moved.mean_p:.2g}), "
            f"Us {moved.statistical:+.1f} points (p {moved.variation_p:.2g})"
        )
    return "\n".join(lines) + "\n"
