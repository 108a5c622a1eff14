"""Each finding is raised on its planted fault, in words that help, and not on the same garden clean."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.amounts import reach
from analysis.pipeline import analyse
from analysis.results import FINDING_KINDS
from tests.analysis.conftest import Garden, at, grown
from tests.support.plain import MIDNIGHT, PUMP, frame, installation, on, sensor, zone

if TYPE_CHECKING:
    from analysis.results import Finding

ONE = (("a", 6.0, 7.0, 6.2, 6.6),)
"""One run of an hour, fed for 24 minutes."""


def _found(garden: Garden, **changed: pd.Series) -> tuple[Finding, ...]:
    """Return the findings of a garden with some sensors' readings changed."""
    readings = {**garden.readings, **changed}
    return analyse(garden.installation, frame(readings), MIDNIGHT, garden.end).findings


def _scaled(garden: Garden, name: str, factor: float, start_h: float, end_h: float) -> pd.Series:
    """Return one sensor's readings, multiplied by a factor between two hours."""
    readings = garden.readings[name]
    times = pd.DatetimeIndex(readings.index)
    return pd.Series(readings * (1.0 + (factor - 1.0) * on(times, start_h, end_h)))


@pytest.fixture(scope="module")
def plain() -> Garden:
    """One clean fed run in a day."""
    return grown(ONE, hours=24.0)


def _useful(finding: Finding) -> bool:
    """Return whether a person can act on a finding: a known kind, evidence with a number, causes, advice."""
    words = finding.evidence + finding.advice
    return (
        finding.kind in FINDING_KINDS
        and any(c.isdigit() for c in finding.evidence)
        and len(finding.likely_causes) > 0
        and words.strip() == words
        and finding.start <= finding.end
    )


def test_clean_run_has_none(plain: Garden) -> None:
    """The garden that the faults are planted in raises nothing by itself."""
    assert _found(plain) == ()


@pytest.mark.parametrize("witness", ["stock meter", "EC"])
def test_no_injection(plain: Garden, witness: str) -> None:
    """A run that should be fed and is not is found, by the stock's meter or, without one, by EC."""
    feed = plain.readings["water"].rename("feed")
    readings = {**plain.readings, "feed": feed, "stock": plain.readings["stock"] * 0.0}
    if witness == "EC":
        del readings["stock"]
    (found,) = [
        f
        for f in analyse(plain.installation, frame(readings), MIDNIGHT, plain.end).findings
        if f.kind == "no injection"
    ]

    assert (found.zone, found.severity, found.sensor) == (
        "a",
        "act",
        "stock" if witness == "stock meter" else "feed",
    )
    assert "1 h 0 min" in found.evidence
    assert "shut-off" in found.likely_causes[0]
    assert "pressure off" in found.advice
    assert _useful(found)


def test_no_injection_names_low_flow_first(plain: Garden) -> None:
    """Where the flow lies below the injector's range, that is the first thing to check."""
    slow = {n: plain.readings[n] * f for n, f in (("flow", 0.15), ("stock", 0.0))}

    (found,) = [f for f in _found(plain, **slow, feed=plain.readings["water"]) if f.kind == "no injection"]

    assert f"below the injector's {reach(200, 2500, 'L/h')}" in found.evidence
    assert "flow below" in found.likely_causes[0]


def test_unfed_run_is_none_without_a_witness(plain: Garden) -> None:
    """With no meter on the stock and no cell after the injector nobody can say that stock did not come."""
    readings = {n: s for n, s in plain.readings.items() if n not in ("stock", "feed")}

    found = analyse(plain.installation, frame(readings), MIDNIGHT, plain.end).findings

    assert [f.kind for f in found if f.kind == "no injection"] == []


@pytest.mark.parametrize(
    ("factor", "severity"), [(0.85, "act"), (1.15, "act"), (0.945, "watch"), (0.97, None)]
)
def test_off_target(plain: Garden, factor: float, severity: str | None) -> None:
    """15 % off is to act on, just outside the band to watch, inside it nothing: the interval decides."""
    base = plain.readings["water"]
    feed = base + (plain.readings["feed"] - base) * factor
    found = [
        f
        for f in _found(plain, stock=plain.readings["stock"] * factor, feed=feed.rename("feed"))
        if f.kind == "injection off target"
    ]

    assert [f.severity for f in found] == ([severity] if severity else [])
    assert all(
        _useful(f) and f.value == pytest.approx(factor * 10.1 / 1010.1 * 100 - 1, abs=0.02) for f in found
    )


@pytest.mark.parametrize(("factor", "words"), [(0.15, "below"), (2.8, "above")])
def test_flow_outside_the_injectors_range(plain: Garden, factor: float, words: str) -> None:
    """A flow that stays outside the injector's range while it should inject is found, with by how much."""
    changed = {n: _scaled(plain, n, factor, 5.0, 8.0) for n in ("flow", "stock")}

    (found,) = [f for f in _found(plain, **changed) if f.kind == "flow outside injector range"]

    assert words in found.evidence
    assert found.value == pytest.approx(1000.0 * factor, rel=0.02)
    assert _useful(found)


def test_flow_outside_for_a_minute_is_none(plain: Garden) -> None:
    """A flow that leaves the range for a minute is no finding."""
    changed = {n: _scaled(plain, n, 0.15, 6.4, 6.4 + 1 / 60) for n in ("flow", "stock")}

    assert [f.kind for f in _found(plain, **changed) if f.kind == "flow outside injector range"] == []


@pytest.mark.parametrize(("ec", "severity"), [(1.7, "act"), (1.89, "watch"), (2.6, "act"), (2.1, None)])
def test_ec_out_of_band(plain: Garden, ec: float, severity: str | None) -> None:
    """Feed outside its band is to act on where the cell's error cannot explain it, else to watch."""
    times = pd.DatetimeIndex(plain.readings["feed"].index)
    feed = plain.readings["water"].to_numpy()
    noisy = ec + 0.002 * np.random.default_rng(3).standard_normal(len(times))
    feed = np.where(on(times, 6.2, 6.6) > 0, noisy, feed)

    found = [f for f in _found(plain, feed=pd.Series(feed, times)) if f.kind == "EC out of band"]

    assert [f.severity for f in found] == ([severity] if severity else [])
    assert all(_useful(f) and f.value == pytest.approx(ec, rel=0.01) for f in found)


@pytest.mark.parametrize(("kpa", "severity"), [(380.0, "stop"), (351.0, "watch"), (345.0, None)])
def test_over_pressure_at_rest(plain: Garden, kpa: float, severity: str | None) -> None:
    """Pressure above what the injector stands is told at rest too, gravely where it is sure, with the caution."""
    times = pd.DatetimeIndex(plain.readings["pressure"].index)
    rest = plain.readings["pressure"].to_numpy() * 0.2 + 200.0
    pressure = pd.Series(np.where(on(times, 14.0, 14.5) > 0, kpa, rest), times)

    found = [f for f in _found(plain, pressure=pressure) if f.kind == "over pressure"]

    assert [f.severity for f in found] == ([severity] if severity else [])
    assert all(_useful(f) and f.value == pytest.approx(kpa, abs=1.0) for f in found)
    assert all("let the pressure off slowly" in f.advice for f in found if severity == "stop")


def test_surge_of_ten_seconds_is_no_over_pressure(plain: Garden) -> None:
    """A valve that shuts makes a surge of a reading or two, which is no finding."""
    pressure = plain.readings["pressure"].copy()
    pressure.iloc[[1000, 1001]] = 420.0

    assert [f.kind for f in _found(plain, pressure=pressure)] == []


def test_pressure_before_a_regulator_is_not_the_injectors() -> None:
    """Upstream of a regulator the supply may stand above the injector's limit all day."""
    gauge = sensor("supply", "pressure", "supply", "kPa", accuracy='"1 %"')
    limits = PUMP.replace("[stock.A]", 'max_static_pressure = "350 kPa"\n[stock.A]')
    order = 'order = ["pressure regulator", "injector"]'
    high = {"supply": pd.Series(500.0, grown(ONE, hours=2.0).readings["flow"].index)}
    found = {}
    for words in (order, 'order = ["injector", "pressure regulator"]'):
        plant = installation(f"[head]\n{words}", limits, zone("a"), gauge)
        end = high["supply"].index[-1]
        found[words] = [f.kind for f in analyse(plant, frame(high), MIDNIGHT, end).findings]

    assert found[order] == []
    assert set(next(v for k, v in found.items() if k != order)) == {"over pressure"}


def test_sensor_silent_within_and_to_the_end(plain: Garden) -> None:
    """A sensor silent for an hour is told; one that is silent to the end is to act on."""
    readings = plain.readings
    gone = readings["feed"][readings["feed"].index < at(20)]
    holed = readings["water"][(readings["water"].index < at(12)) | (readings["water"].index >= at(13))]

    found = {f.sensor: f for f in _found(plain, feed=gone, water=holed)}

    assert {name: f.severity for name, f in found.items()} == {"feed": "act", "water": "watch"}
    assert found["water"].value == pytest.approx(3610.0)
    assert all(f.kind == "sensor silent" and _useful(f) for f in found.values())


def test_silence_over_midnight_is_one() -> None:
    """A silence that runs over midnight is one finding with its whole length."""
    garden = grown(ONE, hours=48.0)
    water = garden.readings["water"]
    holed = water[(water.index < at(23)) | (water.index >= at(25))]

    (found,) = _found(garden, water=holed)

    assert found.sensor == "water"
    assert found.value == pytest.approx(7210.0)


def test_short_silence_is_a_gap_only(plain: Garden) -> None:
    """Two lost minutes are a gap in the data, and no finding."""
    readings = plain.readings["water"]
    holed = readings[(readings.index < at(12)) | (readings.index >= at(12) + pd.Timedelta("2min"))]

    assert _found(plain, water=holed) == ()


def test_all_silent_is_one_finding(plain: Garden) -> None:
    """When every sensor is silent together, one finding names the common cause, not ten sensors."""
    holed = {n: s[(s.index < at(12)) | (s.index >= at(13))] for n, s in plain.readings.items()}

    (found,) = _found(plain, **holed)

    assert (found.kind, found.sensor) == ("sensor silent", None)
    assert "power" in found.likely_causes[0]
    assert _useful(found)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_clean_fortnight_has_no_finding(seed: int) -> None:
    """Fourteen clean days with other noise each raise nothing; the benchmark counts over longer times."""
    runs = tuple(
        (z, a + 24.0 * d, a + 24.0 * d + 1.0, a + 24.0 * d + 0.2, a + 24.0 * d + 0.6)
        for d in range(14)
        for z, a in (("a", 6.0), ("b", 7.0))
    )
    garden = grown(runs, hours=336.0)
    rng = np.random.default_rng(seed)
    noisy = {
        n: s * (1 + 0.002 * rng.standard_normal(len(s)))
        for n, s in garden.readings.items()
        if "valve" not in n
    }

    found = _found(replace(garden, readings={**garden.readings, **noisy}))

    assert found == ()
