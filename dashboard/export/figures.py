"""A figure for each treatment and what it should get: dose per run with its interval, target and margin."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.equivalence.plots import UNITS, groups
from dashboard.export.rows_trial import targets_of
from dashboard.paper.svg import Axis, Line, line_chart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.equivalence.plots import PlotDose
    from ingest.installation import Installation

TICKS = 6
"""Dates below a chart. [-]"""

_SHOWN = {"g/m2": "g/m²", "L/m2": "L/m²"}


def figures(installation: Installation, doses: Sequence[PlotDose]) -> dict[str, str]:
    """Return the figures of a trial.

    Parameters
    ----------
    installation : Installation
        With treatments and targets.
    doses : sequence of PlotDose
        What the plots got.

    Returns
    -------
    dict
        File name to SVG text, in the order of the doses: one for each treatment and each thing that has a target
        or a dose.
    """
    found: dict[str, str] = {}
    for treatment, quantity, nutrient, rows in groups(doses):
        told = [row for row in rows if row.value is not None]
        if told:
            name = re.sub(r"[^A-Za-z0-9]+", "-", f"{treatment}-{nutrient or 'water'}")
            target = targets_of(installation, treatment).get((quantity, nutrient))
            found[f"{name}.svg"] = _figure(installation, treatment, told, target)
    return found


def _figure(
    installation: Installation, treatment: str, doses: Sequence[PlotDose], target: float | None
) -> str:
    """Return one figure."""
    first = doses[0]
    what, margin = first.nutrient or "water", installation.treatment[treatment].margin
    plots = _alike(doses)
    lines = [_line(name, rows, alone=len(plots) == 1) for name, rows in plots.items()]
    ends = [min(float(line.x.min()) for line in lines), max(float(line.x.max()) for line in lines)]
    bands = []
    if target is not None:
        lines.append(Line("target", np.array(ends), np.array([target, target])))
        if margin is not None:
            bands.append((target / (1.0 + margin), target * (1.0 + margin)))
    title = f"Treatment {treatment}, {what}: dose of each run with its 95 % interval" + (
        ", target, and the band of its margin" if bands else ""
    )
    return line_chart(
        lines,
        Axis(f"run, by date ({installation.timezone})", _dates(doses, installation)),
        Axis(f"{what} [{_SHOWN[UNITS[first.quantity]]}]"),
        bands=bands,
        title=title,
    )


def _alike(doses: Sequence[PlotDose]) -> dict[str, list[PlotDose]]:
    """Return the doses of each plot by its label; plots of one zone that got the same, to the same interval, as one."""
    plots: dict[str, list[PlotDose]] = {}
    for dose in doses:
        plots.setdefault(dose.plot, []).append(dose)
    named: dict[tuple[object, ...], list[str]] = {}
    for name, rows in plots.items():
        named.setdefault((rows[0].zone, *(row.interval() for row in rows)), []).append(name)
    return {
        f"plot{'s' if len(names) > 1 else ''} {', '.join(names)}": plots[names[0]] for names in named.values()
    }


def _line(name: str, doses: Sequence[PlotDose], *, alone: bool) -> Line:
    """Return doses as a line of the chart; as dots where it is the only one."""
    ends = [dose.interval() for dose in doses]
    return Line(
        name,
        np.array([dose.run_start.timestamp() for dose in doses]),
        np.array([dose.value for dose in doses], float),
        np.array([low for low, _ in ends], float),
        np.array([high for _, high in ends], float),
        marks=alone,
    )


def _dates(doses: Sequence[PlotDose], installation: Installation) -> tuple[tuple[float, str], ...]:
    """Return days for the axis, at most `TICKS`."""
    days = sorted({dose.run_start.tz_convert(installation.tz).normalize() for dose in doses})
    least = min(dose.run_start for dose in doses)
    step = max(1, -(-len(days) // TICKS))
    return tuple(
        (max(pd.Timestamp(day), least).timestamp(), f"{day:%Y-%m-%d}" if n == 0 else f"{day:%m-%d}")
        for n, day in enumerate(days[::step])
    )
