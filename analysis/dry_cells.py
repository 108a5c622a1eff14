"""EC cells that are out of the water while water flows: told run by run, and as one finding over the season."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.amounts import amount
from analysis.quality.flags import DRY_EC
from analysis.quality.gaps import coverage, longest_gap_s
from analysis.results import Feature, Finding
from analysis.runs.slices import between
from analysis.sensors_health import CHECKS
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Run
    from analysis.view import PeriodView, SeasonView

DRY_TIME = "time that a cell was out of the water"
"""Name of the feature of a cell and run. [s]"""

SETTLE = pd.Timedelta(minutes=2)
"""Start of a run in which the air leaves the lines. Common practice, no source."""

LEAST_S = 180.0
"""Least time out of the water in one run. [s] No source: a bubble is gone sooner."""

PARDON = 3
"""Runs in a row in the water, after which a cell counts as mended. No source."""

OFTEN = 2
"""Runs from which it is to be acted on. No source."""


def dry_cells(period: PeriodView) -> Sequence[Feature]:
    """Leave for how long each cell was out of the water in each run that starts in the stretch.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Feature
        One for a cell and run in which it read below `DRY_EC` for `LEAST_S` in all, and was read enough to say so.
    """
    found = []
    for name, sensor in period.installation.sensor.items():
        bad = period.bad.get(name)
        if (
            sensor.quantity != "conductivity"
            or sensor.point in ("stock", "drain")
            or bad is None
            or bad.empty
        ):
            continue
        dry = bad[bad < DRY_EC]
        gap = longest_gap_s(sensor.interval or 60.0)
        for run in period.runs:
            if run.start < period.start or name not in period.installation.sensors_of(
                run.zone, sensor.quantity
            ):
                continue
            time = _dry_s(dry, run, gap)
            if time >= LEAST_S:
                found.append(Feature(DRY_TIME, run.zone, run.start, time, 0.0, (name,)))
    return found


def _dry_s(dry: pd.Series, run: Run, gap_s: float) -> float:
    """Return for how long a cell was out of the water in a run that a meter or a valve told. [s]"""
    start = run.start + SETTLE
    if run.end <= start or run.told.startswith("told by EC"):
        return 0.0
    inside = between(dry, start, run.end)
    if len(inside) < 2:  # noqa: PLR2004 - a time has two ends
        return 0.0
    first, last = inside.index[0], inside.index[-1]
    share = coverage(pd.DatetimeIndex(inside.index), start=first, end=last, gap_s=gap_s)
    return float(share * (last - first).total_seconds())


def cells_out_of_water(season: SeasonView) -> Sequence[Finding]:
    """Find EC cells that read air while water flows.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``sensor fault``: to act on from the second run on, else to watch.
    """
    by_sensor: dict[str, list[Feature]] = {}
    for feature in season.features:
        if feature.name == DRY_TIME:
            by_sensor.setdefault(feature.sensors[0], []).append(feature)
    return [_finding(season, row) for mine in by_sensor.values() for row in _rows(season, mine)]


def _rows(season: SeasonView, mine: Sequence[Feature]) -> list[list[Feature]]:
    """Return dry runs of one cell in rows, `PARDON` wet runs between two of them."""
    zones = set(season.installation.zone)
    own = season.installation.sensor[mine[0].sensors[0]].zone
    starts = np.array(
        [run.start.value for run in season.runs if run.zone in ({own} if own is not None else zones)],
        dtype=np.int64,
    )
    rows: list[list[Feature]] = []
    for feature in mine:
        wet = PARDON
        if rows:
            since, until = rows[-1][-1].at.value, feature.at.value
            wet = int(((starts > since) & (starts < until)).sum())
        if wet >= PARDON:
            rows.append([])
        rows[-1].append(feature)
    return rows


def _finding(season: SeasonView, row: Sequence[Feature]) -> Finding:
    """Return the finding of a cell over some runs."""
    name, last = row[-1].sensors[0], row[-1]
    often = f"; so in {len(row)} runs" if len(row) > 1 else ""
    return Finding(
        kind="sensor fault",
        zone=season.installation.sensor[name].zone,
        sensor=name,
        start=row[0].at,
        end=last.at + pd.Timedelta(seconds=last.value),
        severity="act" if len(row) >= OFTEN else "watch",
        value=last.value,
        unit="s",
        evidence=(
            f"{name} read below {amount(DRY_EC, 'mS/cm', 'g')} for {clock(last.value)} of a run of zone {last.zone} while its "
            f"water flowed{often}; no water here is as pure, so the cell is out of the water or its cable is off: almost "
            "certain"
        ),
        likely_causes=(
            "a cell that was lifted out, or stands in a pipe that runs part full or holds air",
            "a cut cable, a loose plug, a broken cell",
            "a run that was told though no water reached the cell",
        ),
        advice=(
            f"See whether the cell stands in moving water and its fitting is bled, then look at the cable. "
            f"{CHECKS['conductivity']} Waiting leaves the ratio, the carry-over and the clear-out time of each run without "
            "this cell, and an injection that fails unseen where it is the only one."
        ),
    )
