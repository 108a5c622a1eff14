"""Backflow: water that runs, or could run, from the system back towards the supply or into the stock tank.

Reversed gradients and reversed flow are hydraulic signs and call for action at once. EC upstream of the
injector alone only warns, since source water changes too. No sensor replaces a backflow preventer or its
yearly test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.amounts import amount
from analysis.backflow.flow import followed_signs, reverse_flow_signs
from analysis.backflow.signs import Sign, gradient_signs, spans
from analysis.results import Finding
from analysis.runs.slices import between
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import PeriodView
    from ingest.installation import Sensor

NOW_POTABLE = (
    "NOW: stop the injection and shut the supply to the system. Do not drink from taps on the same supply and tell "
    "the people who do, until the water supplier or the health office says that it is safe. Then call a licensed "
    "backflow tester, and report it as your local code asks."
)
"""First words where people may drink the same water. Order of action: common advice after EPA 816-R-03-002, from
memory; local codes come first."""

NOW_OTHER = (
    "NOW: stop the injection and shut the supply to the system, so that nothing runs back into the well or the "
    "source. Do not drink this water. Then call a licensed backflow tester or the well's contractor, and report it "
    "as your local code asks."
)
"""First words for wells and surface water."""

LATER = (
    "Keep it shut until the preventer has been tested and passed. This tool only watches and replaces no preventer. "
    "The finding stays until a person closes it: `tricklebook service add --kind 'backflow cleared'` with a note."
)
"""What comes after."""

JOIN = pd.Timedelta(minutes=10)
"""Signs this near to each other are one event. No source."""

EC_RISE, EC_STEP_SHARE = 0.30, 0.20
"""Rise of the source cell within a run that warns: share of the source water's EC, and share of the feed's step.
[-] Prototype: source switches of 20 % alone made 24 alarms a year at 5 %."""

EC_LASTS = 3
"""Readings in a row of such a rise. No source."""

LEVEL_LASTS = pd.Timedelta(minutes=30)
"""Shortest slow rise of a stock tank that is no refilling. A tank is filled in less; no source."""

LEVEL_RATE = 0.2
"""Rise an hour, as a share of the tank's range, up to which it is no refilling. [1/h] No source."""

LEVEL_LIMITS = 5.0
"""Rise in limits of error of the sensor below which it is nothing. [-] No source."""

UNIT = {"gradient": "kPa", "followed": "kPa", "flow": "L/h", "conductivity": "mS/cm"}


def backflow(period: PeriodView) -> Sequence[Finding]:
    """Find signs of backflow, running and at rest.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Finding
        ``backflow``: to stop where pressure or flow points back, to act where a stock tank fills by itself, to
        watch where only EC speaks.
    """
    signs = [
        *gradient_signs(period),
        *reverse_flow_signs(period),
        *followed_signs(period),
        *_level_signs(period),
        *_ec_signs(period),
    ]
    return [_finding(period, group) for group in _grouped(signs)]


def _grouped(signs: list[Sign]) -> list[list[Sign]]:
    """Return signs that are near in time as one event; level by itself, since it is slow."""
    groups: list[list[Sign]] = []
    for sign in sorted(signs, key=lambda s: (s.what == "level", s.start)):
        last = groups[-1] if groups else None
        alike = last is not None and (sign.what == "level") == (last[0].what == "level")
        if last is not None and alike and sign.start - max(s.end for s in last) <= JOIN:
            last.append(sign)
        else:
            groups.append([sign])
    return groups


def _finding(period: PeriodView, signs: list[Sign]) -> Finding:
    """Return what one event says; the gravest sign speaks first."""
    order = ("flow", "gradient", "followed", "level", "conductivity")
    first = min(signs, key=lambda s: (order.index(s.what), -s.size))
    severity: Literal["watch", "act", "stop"] = "stop"
    if first.what == "level":
        severity = "act"
    elif first.what == "conductivity":
        severity = "watch"
    zones = {s.zone for s in signs}
    return Finding(
        kind="backflow",
        zone=first.zone if len(zones) == 1 else None,
        sensor=first.sensors[0],
        start=min(s.start for s in signs),
        end=max(s.end for s in signs),
        severity=severity,
        value=first.size,
        unit=UNIT.get(first.what) or _level_unit(period, first),
        evidence=_evidence(period, sorted(signs, key=lambda s: order.index(s.what))[:4]),
        likely_causes=_causes(first),
        advice=_advice(period, first),
    )


MEANS = {
    "flow": "water ran back toward the supply",
    "gradient": "the pressure pointed back to the supply",
    "followed": "the preventer did not hold when the supply failed",
    "level": "the stock tank filled by itself",
    "conductivity": "stock may have come back to the supply's side; the source water may also have changed",
}
"""What the gravest sign means, in plain words."""


def _evidence(period: PeriodView, signs: list[Sign]) -> str:
    """Return what the signs mean, the gravest first, and what each saw, in numbers."""
    when = "while a zone ran" if signs[0].running else "while no zone ran"
    seen = "; ".join(dict.fromkeys(_seen(period, sign) for sign in signs))
    kinds = {sign.what for sign in signs} - {"conductivity"}
    agree = "flow, pressure or level agree" if len(kinds) > 1 else "one kind of sensor tells it"
    sure = agree if kinds else "EC alone tells it, so it is a suspicion"
    heights = "; heights and zeros are allowed for" if "gradient" in kinds else ""
    return f"{MEANS[signs[0].what]}, {when}: {seen}. How sure: {sure}{heights}"


def _level_unit(period: PeriodView, sign: Sign) -> str:
    return "kg" if period.installation.sensor[sign.sensors[0]].quantity == "mass" else "mm"


def _seen(period: PeriodView, sign: Sign) -> str:
    """Return what one sign saw, in numbers."""
    length = max((sign.end - sign.start).total_seconds(), 0.0)
    lasted = f"for {clock(length)}" if length else "at one reading"
    first = sign.sensors[0]
    if sign.what == "gradient":
        return f"{first} fell {amount(sign.size, 'kPa', '.1f')} below {sign.sensors[1]} {lasted}"
    if sign.what == "followed":
        return (
            f"the supply at {first} lost its pressure, and {sign.sensors[1]}, behind the preventer, fell by "
            f"{amount(sign.size, 'kPa')} with it, where a sound preventer holds"
        )
    if sign.what == "flow":
        return f"{first} ran backwards {lasted}, with up to {amount(sign.size, 'L/h')}"
    if sign.what == "level":
        rise = amount(sign.size, _level_unit(period, sign), ".3g")
        return f"the stock at {first} rose by {rise} in {clock(length)}, too slowly for a refill"
    return f"EC at {first}, upstream of the injector, rose by {sign.size:.2f} mS/cm {lasted}"


def _causes(sign: Sign) -> tuple[str, ...]:
    if sign.what == "level":
        return (
            "the injection line's check valve leaks or is stuck open",
            "a float or filling valve that drips",
            "rain or wash water in the tank",
        )
    if sign.what == "conductivity":
        return (
            "other source water: a second well, blending at the waterworks",
            "stock that leaks back through a check valve",
            "a cell with air or dirt in it",
        )
    return (
        "the supply lost its pressure: works, a burst, a pump that stopped, fire fighting",
        "a check valve or the preventer that does not close",
        "a pump or a higher zone that pushes against the supply",
        "a pressure sensor whose zero has moved; check it last",
    )


def _advice(period: PeriodView, sign: Sign) -> str:
    """Return what to do, first things first."""
    potable = period.installation.supply.kind == "potable"
    if sign.what == "conductivity":
        return (
            "Look at the pressures and the meter at that time, and measure the supply's EC with a hand meter. If the "
            "supply reads its usual EC, stop injecting, do not drink from it, and have the preventer tested by a "
            "licensed tester; local codes come first."
        )
    if sign.what == "level":
        return (
            "Stop the injection and close the suction line's valve; if the level still rises, shut the supply. Water in "
            "the tank weakens the stock and can make it overflow: keep clear of acid or chlorine that is diluted by "
            f"it. Replace the injection check valve. {LATER}"
        )
    return f"{NOW_POTABLE if potable else NOW_OTHER} {LATER}"


def _level_signs(period: PeriodView) -> list[Sign]:
    """Return slow rises of stock tanks."""
    found = []
    for name, sensor in period.installation.sensor.items():
        series = period.series.get(name)
        if sensor.point != "stock" or sensor.quantity not in ("level", "mass") or series is None:
            continue
        found += _rises(period, name, sensor, series)
    return found


def _rises(period: PeriodView, name: str, sensor: Sensor, series: pd.Series) -> list[Sign]:
    """Return the slow rises of one tank, judged on means of five minutes."""
    calm = series.resample("5min").median().dropna()
    if len(calm) < 3:  # noqa: PLR2004 - a rise has a start, a middle and an end
        return []
    span = (sensor.range[1] - sensor.range[0]) if sensor.range else float(series.max() - series.min())
    limit = sensor.accuracy.limit(float(series.median())) or 0.01 * span
    values = calm.to_numpy(dtype=float)
    hours = np.diff(calm.index.as_unit("ns").asi8) / 3.6e12  # type: ignore[attr-defined]
    rate = np.diff(values) / hours
    slow = (rate > 0.0) & (rate < LEVEL_RATE * span)
    found = []
    for start, stop in spans(slow):
        first, last = calm.index[start], calm.index[stop]
        size = float(values[stop] - values[start])
        if last - first >= LEVEL_LASTS and size > LEVEL_LIMITS * limit:
            on = any(run.start < last and run.end > first for run in period.runs)
            found.append(Sign("level", on, first, last, (name,), size, None))
    return found


def _ec_signs(period: PeriodView) -> list[Sign]:
    """Return where a source cell rises within a run far above what source water does."""
    found = []
    for name, sensor in period.installation.sensor.items():
        series = period.series.get(name)
        if sensor.quantity == "conductivity" and sensor.point in ("supply", "source") and series is not None:
            for run in period.runs:
                step = _step(period, run.zone)
                found += _ec_rises(name, between(series, run.start, run.end), step)
    return found


def _ec_rises(name: str, part: pd.Series, step: float) -> list[Sign]:
    """Return the rises of one source cell within one run."""
    if len(part) < 4 * EC_LASTS:
        return []
    values = part.to_numpy(dtype=float)
    usual = float(np.quantile(values, 0.25))
    limit = usual + max(EC_RISE * usual, EC_STEP_SHARE * step)
    return [
        Sign(
            what="conductivity",
            running=True,
            start=part.index[start],
            end=part.index[stop - 1],
            sensors=(name,),
            size=float(values[start:stop].max() - usual),
            zone=None,
        )
        for start, stop in spans(values > limit)
        if stop - start >= EC_LASTS
    ]


def _step(period: PeriodView, zone: str) -> float:
    """Return the rise of EC that the zone's injection should make, where it is described. [mS/cm]"""
    stock = period.installation.stock_of(zone)
    if stock is None or len(stock.dilutions) < 2:  # noqa: PLR2004 - water and one dilution
        return 0.0
    name = period.installation.injector_of(zone)
    ratio = period.installation.injector[name].ratio if name else None
    fractions, ecs = np.array(stock.dilutions).T
    return float(np.interp(ratio, fractions, ecs) - ecs[0]) if ratio else 0.0
