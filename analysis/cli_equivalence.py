"""``tricklebook equivalence``: whether the treatments of a trial got their dose, and how many more runs would tell."""

from __future__ import annotations

import json as json_text
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    from analysis.equivalence.comparison import Comparison
    from ingest.installation import Installation


class NoTrialError(UserError):
    """Raised when an installation describes no plots; says how to describe them."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            f"{path}: no trial is described; add tables like [treatment.full] with target and margin, "
            'and [plot.p1] with treatment = "full" and its zone'
        )


def equivalence(
    installation: Annotated[Path, typer.Option(help="The installation.toml with treatments and plots.")],
    archive: Annotated[Path, typer.Option(help="The folder with the stored readings.")],
    since: Annotated[
        str | None, typer.Option("--from", help="First day or instant; local time unless it names a zone.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="Where to end, not included; local time as well.")
    ] = None,
    margin: Annotated[
        str | None,
        typer.Option(
            help='Largest deviation that counts as the same, like "10 %"; each treatment\'s own else.'
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,  # noqa: FBT002 - a switch of the command line
) -> None:
    """Tell for each treatment: equivalent to its target, different, undecided, or refused with the reason."""
    from analysis.archive import analyse_archive  # noqa: PLC0415 - pandas and the store load only when needed
    from analysis.equivalence.plots import plot_doses  # noqa: PLC0415 - as above
    from analysis.equivalence.treatments import compare  # noqa: PLC0415 - as above
    from analysis.instants import in_order, instant  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system = load(installation)
    if not system.plot:
        raise NoTrialError(installation)
    bound = read_margin(margin)
    start, end = instant(since, system, "--from"), instant(until, system, "--to")
    in_order(start, end)
    results = analyse_archive(archive, system, start, end)
    found = compare(system, plot_doses(system, results.runs, results.estimates), margin=bound)
    if json:
        text = json_text.dumps([asdict(one) for one in found], ensure_ascii=False, allow_nan=False, indent=1)
    else:
        text = words(system, found)
    sys.stdout.write(text + "\n")


def read_margin(text: str | None) -> float | None:
    """Read a margin as it is written on the command line.

    Raises
    ------
    UserError
        If it is no share above zero.

    Examples
    --------
    >>> read_margin("10 %")
    0.1
    """
    from ingest.quantities import parse  # noqa: PLC0415 - loaded only where it is wanted

    if text is None:
        return None
    try:
        found = parse(text, "share")
    except ValueError as error:
        msg = f"--margin {text!r}: {error}"
        raise UserError(msg) from error
    if not 0.0 < found <= 1.0:
        msg = f'--margin {text!r}: expected more than 0 % and at most 100 %, like "10 %"'
        raise UserError(msg)
    return found


def words(system: Installation, found: tuple[Comparison, ...]) -> str:
    """Return the comparisons as lines for a terminal."""
    lines = []
    for one in found:
        what = one.nutrient or "water"
        who = one.treatment if one.plot is None else f"  plot {one.plot}"
        left = f", {one.left_out} without a dose" if one.left_out else ""
        lines.append(f"{who}, {what}: {one.verdict}. {one.words} ({one.runs} runs{left})")
    return "\n".join(lines) or f"{system.name}: no treatment states a target"
