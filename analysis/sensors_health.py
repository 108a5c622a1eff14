"""Sensors that go wrong slowly or often: cells that foul against each other, readings that fail their tests."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.features import CELL_RATIO
from analysis.results import Feature, Finding
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.view import PeriodView, SeasonView

    Array = NDArray[np.float64]

FAILED = "share of readings that failed"
"""Name of the feature of a sensor and stretch. [-]"""

LEAST_READINGS = 100
"""Readings of a stretch below which its share of failures is not told. No source."""

TROUBLED, TROUBLED_DAYS = 0.2, 2
"""Share of failed readings, and stretches in a row, that make a finding. [-] No source."""

LEARN_RUNS = 12
"""Runs that tell how two cells compare while both are sound. No source."""

MEMORY = 0.2
"""Weight of the newest run in the moving mean of two cells' ratio. [-] No source."""

CELLS_APART, CELLS_SURE, CELLS_ACT = 0.05, 6.0, 0.10
"""Change of two cells' ratio that is told, in shares and in scatters, and the share to act on. [-] Two sound cells
walk by 1 to 2 % in a season (prototype: 1 % gain, 0.2 % repeatability)."""

CHECKS = {
    "conductivity": "Lift the cell out, rinse and wipe it, and check it in a fresh standard at known temperature.",
    "pressure": "Look at plug and cable, then compare with a gauge at the same tapping.",
    "flow": "Look at plug, cable and the meter's own display while water runs.",
    "volume": "Look at the pulse cable and count the meter's own register over one run.",
    "temperature": "Look at plug and cable, then compare with a hand thermometer in the same water.",
    "level": "Look for foam, a hose or a ladder in front of the sensor, then measure with a rod.",
}
"""First check of a sensor, by quantity. Common practice, from memory."""


def failed_readings(period: PeriodView) -> Sequence[Feature]:
    """Leave each sensor's share of readings that failed a test.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Feature
        One a sensor that has enough readings.
    """
    out = []
    for name, flags in period.flags.items():
        values = flags.to_numpy()
        if values.size >= LEAST_READINGS:
            share = float(np.isin(values, (Quality.SUSPECT, Quality.BAD)).mean())
            zone = period.installation.sensor[name].zone
            out.append(Feature(FAILED, zone, period.start, share, 0.0, (name,)))
    return out


def troubled_sensors(season: SeasonView) -> Sequence[Finding]:
    """Find sensors whose readings fail their tests day after day.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``sensor fault``, to act on.
    """
    by_sensor: dict[str, list[Feature]] = {}
    for feature in season.features:
        if feature.name == FAILED:
            by_sensor.setdefault(feature.sensors[0], []).append(feature)
    found = []
    for name, features in by_sensor.items():
        bad = [f for f in features[-TROUBLED_DAYS:] if f.value > TROUBLED]
        if len(features) >= TROUBLED_DAYS and len(bad) == TROUBLED_DAYS:
            found.append(_troubled(season, name, features))
    return found


def _troubled(season: SeasonView, name: str, features: list[Feature]) -> Finding:
    """Return the finding of a sensor that fails often; it begins with the last unbroken row of bad stretches."""
    bad = [f.value > TROUBLED for f in features]
    start = len(bad) - next((i for i, b in enumerate(reversed(bad)) if not b), len(bad))
    sensor = season.installation.sensor[name]
    share = float(np.mean([f.value for f in features[start:]]))
    return Finding(
        kind="sensor fault",
        zone=sensor.zone,
        sensor=name,
        start=features[start].at,
        end=season.end,
        severity="act",
        value=share,
        unit="1",
        evidence=(
            f"{100 * share:.0f} % of the readings of {name} failed their tests (outside the range, spikes, stuck or out "
            f"of the water) on {len(features) - start} days in a row"
        ),
        likely_causes=(
            "a loose plug, a wet or cut cable, a weak battery",
            "a sensor out of its water, fouled or broken",
            "a range or unit in the installation file that does not fit the device",
        ),
        advice=(
            f"{CHECKS.get(sensor.quantity, 'Look at plug, cable and supply.')} Until then, everything that rests on {name} "
            "is left out of the estimates."
        ),
    )


def cell_fouling(season: SeasonView) -> Sequence[Finding]:
    """Find EC cells that have moved against each other in the same source water.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``sensor fault``: which of the two it is, a standard solution tells.
    """
    pairs = sorted({f.sensors for f in season.features if f.name == CELL_RATIO})
    found = []
    for first, second in pairs:
        mine = sorted(
            (f for f in season.features if f.name == CELL_RATIO and f.sensors == (first, second)),
            key=lambda f: f.at,
        )
        values = np.array([f.value for f in mine])
        if values.size > LEARN_RUNS:
            base = float(np.median(values[:LEARN_RUNS]))
            place, shift = _moved(values - base)
            if place is not None:
                found.append(_fouled(season, (first, second), mine[place], shift))
    return found


def _moved(values: Array) -> tuple[int | None, float]:
    """Return where a ratio left its baseline for good, and by how much it has moved now."""
    scatter = 1.4826 * float(np.median(np.abs(np.diff(values)))) / np.sqrt(2.0)
    limit = max(CELLS_APART, CELLS_SURE * scatter * np.sqrt(MEMORY / (2.0 - MEMORY)))
    level, place = 0.0, None
    for i, value in enumerate(values):
        level += MEMORY * (value - level)
        if abs(level) <= limit or i < LEARN_RUNS:
            place = None
        elif place is None:
            place = i
    return place, level


def _fouled(season: SeasonView, pair: tuple[str, str], since: Feature, shift: float) -> Finding:
    low = pair[1] if shift < 0 else pair[0]
    return Finding(
        kind="sensor fault",
        zone=season.installation.sensor[pair[1]].zone,
        sensor=pair[1],
        start=since.at,
        end=season.end,
        severity="act" if abs(shift) >= CELLS_ACT else "watch",
        value=shift,
        unit="1",
        evidence=(
            f"{pair[1]} reads {100 * abs(shift):.1f} % {'less' if shift < 0 else 'more'} against {pair[0]} in the same source "
            f"water than in the first {LEARN_RUNS} runs; fouling makes a cell read low, so {low} is the likelier one"
        ),
        likely_causes=(
            f"film, scale or air in {low}",
            "a cell that was calibrated or replaced without an entry in the service log",
            "a temperature sensor of one of the cells",
        ),
        advice=(
            f"{CHECKS['conductivity']} Do both cells, {low} first, and note it with `tricklebook service add`. Waiting moves "
            "every ratio that rests on the cells by about the same share."
        ),
    )
