"""Stock that enters while no water flows: the injector stuck on after the run, or a pump that stopped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.amounts import amount
from analysis.backflow.signs import spans
from analysis.findings.words import CAUTION
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import PeriodView

LASTS_S = 60.0
"""Shortest time that stock runs without water. [s] A pump coasts for some seconds; no source."""

STOCK_SHARE = 0.2
"""Share of the injector's usual flow above which stock runs. [-] No source."""

WATER_SHARE = 0.02
"""Share of the usual flow of water below which none flows. [-] No source."""

MAIN_POINTS = ("mixed", "after filter", "source", "supply")


def injection_without_flow(period: PeriodView) -> Sequence[Finding]:
    """Find stock that runs while no water does.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Finding
        ``injection without flow``, to stop: where a stock meter and a meter of all the water both have readings.

    References
    ----------
    University of Wyoming B-1023 (1995): injection left running after the pump has stopped is the most serious
    failure of chemigation.
    """
    found: list[Finding] = []
    for name, sensor in period.installation.sensor.items():
        series = period.series.get(name)
        if sensor.quantity != "flow" or sensor.point != "stock" or series is None or series.empty:
            continue
        main = _main(period)
        if main is not None:
            found += _of_meter(name, series, main, period.series[main])
    return found


def _main(period: PeriodView) -> str | None:
    """Return a flow meter that all the water passes."""
    names = (
        name
        for point in MAIN_POINTS
        for name, s in period.installation.sensor.items()
        if s.quantity == "flow" and s.point == point and s.zone is None and s.injector is None
    )
    return next((n for n in names if len(period.series.get(n, ())) > 0), None)


def _of_meter(name: str, stock: pd.Series, main: str, water: pd.Series) -> list[Finding]:
    """Return where one stock meter runs without the main one."""
    flow = water.reindex(stock.index, method="ffill", tolerance=pd.Timedelta(seconds=LASTS_S)).to_numpy(
        dtype=float
    )
    values = stock.to_numpy(dtype=float)
    usual_stock, usual_water = np.quantile(values, 0.95), np.quantile(water.to_numpy(dtype=float), 0.95)
    alone = (values > max(STOCK_SHARE * usual_stock, 1e-6)) & (flow < WATER_SHARE * usual_water)
    found = []
    for a, b in spans(alone):
        start, end = stock.index[a], stock.index[b - 1]
        if (end - start).total_seconds() >= LASTS_S:
            litres = float(np.mean(values[a:b]) * (end - start).total_seconds() / 3600.0)
            found.append(_finding(name, main, start, end, litres))
    return found


def _finding(name: str, main: str, start: pd.Timestamp, end: pd.Timestamp, litres: float) -> Finding:
    return Finding(
        kind="injection without flow",
        zone=None,
        sensor=name,
        start=start,
        end=end,
        severity="stop",
        value=litres,
        unit="L",
        evidence=(
            f"{name} ran for {(end - start).total_seconds() / 60:.0f} min, {amount(litres, 'L', '.2g')} of stock, while {main} "
            "saw no water"
        ),
        likely_causes=(
            "the injector is not tied to the flow or the pump: its interlock is missing or failed",
            "the water pump or the supply stopped while the injector went on",
            "the injection line's check valve lets stock siphon into the line",
            "the flow meter stands still: look at it with water running",
        ),
        advice=(
            "Stop the injector by hand and close the suction line's valve. Undiluted stock lies in the line: do not open "
            "a tap on it and do not water plants with it; flush it where it does no harm, as the label and local codes "
            f"allow. Have the interlock mended before the next injection. {CAUTION}"
        ),
    )
