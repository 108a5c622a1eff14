"""The dose: grams within their interval, for area and plant, carry-over, targets, stock volumes that agree."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.dose.findings import dose_findings
from analysis.dose.grams import nutrient_dose
from analysis.dose.line import Line, line_of, remaining
from analysis.injection.volume import stock_volume, stock_ways
from analysis.injection.ways import disagreement
from analysis.results import Run
from analysis.view import RunView
from benchmarks.scenarios.chemistry import STOCKS
from ingest.installation import Target
from tests.support.virtual import virtual, with_readings, with_stock, with_zone, without


@pytest.mark.parametrize("stock", STOCKS)
def test_stock_by_meter_ec_and_tank_level_agree_without_faults(stock: str) -> None:
    """On a faultless system all three ways to the stock's volume answer and their intervals meet."""
    scenario = virtual(900_201, ideal=True, stock=stock)
    found, _ = stock_ways(scenario.view())

    assert [way.name for way in found] == ["stock meter", "stock tank", "EC"]
    assert disagreement(found) is None
    for way in found:
        assert math.exp(way.log.value) == pytest.approx(scenario.truth.stock_l, rel=0.013)


def test_dose_is_stock_times_strength_for_every_nutrient() -> None:
    """Each nutrient's dose holds its truth; area and plant doses are the same grams shared out."""
    scenario = virtual(900_210, stock="A")
    view = scenario.view()
    found = {(e.quantity, e.nutrient): e for e in nutrient_dose(view)}

    for nutrient, grams in scenario.truth.grams.items():
        dose = found["nutrient dose", nutrient]
        assert dose.low is not None
        assert dose.high is not None
        assert dose.low < grams < dose.high
        area, plants = found["nutrient dose per area", nutrient], found["nutrient dose per plant", nutrient]
        assert (area.value or 0.0) * (view.zone.area or 0.0) == pytest.approx(dose.value)
        assert (plants.value or 0.0) * (view.zone.plants or 0) == pytest.approx(dose.value)


def test_dose_by_ec_alone_holds_the_truth() -> None:
    """Without stock meter and tank level the dose comes from EC and the main meter, and is wider."""
    scenario = virtual(900_210, stock="A")
    both, alone = (
        next(e for e in nutrient_dose(v) if e.quantity == "nutrient dose")
        for v in (scenario.view(), without(scenario.view(), "stock_meter", "stock_level"))
    )

    assert "EC step" in alone.method
    assert (alone.low or 0.0) < scenario.truth.grams[alone.nutrient or ""] < (alone.high or 0.0)
    assert (alone.high or 0.0) - (alone.low or 0.0) > (both.high or 0.0) - (both.low or 0.0)


def test_dose_without_any_volume_is_refused() -> None:
    """With no meter, no cell and no tank level each nutrient is refused, with the reasons of all ways."""
    bare = without(virtual(900_210, stock="A").view(), "stock_meter", "stock_level", "main_meter")
    said = nutrient_dose(bare)

    assert {e.status for e in said} == {"refused"}
    assert all("no stock meter" in (e.reason or "") for e in said)
    assert all("no main meter" in (e.reason or "") for e in said)


def test_dose_wanted_of_a_stock_without_strengths_is_refused() -> None:
    """Where a target names a nutrient and the stock states none, the refusal says so."""
    view = with_zone(
        with_stock(virtual(900_210, stock="A").view(), nutrients={}),
        target=Target.model_validate({"N": "1 g/m2 per run"}),
    )
    (refusal,) = nutrient_dose(view)

    assert refusal.nutrient == "N"
    assert "states no nutrients" in (refusal.reason or "")


def test_zones_that_share_the_head_get_no_dose_from_its_meters() -> None:
    """While another zone draws at the same time the head's meters cannot tell this zone's share."""
    view = virtual(900_210, stock="A").view()
    other = Run("z1b", view.run.start, view.run.end, None, None)
    shared = RunView(view.installation, view.run, view.series, (other,))
    (estimate,) = stock_volume(shared)

    assert "another zone" in (estimate.reason or "")


@given(st.lists(st.floats(0.5, 5.0), min_size=1, max_size=20), st.floats(0.0, 80.0))
def test_what_remains_falls_from_all_to_nothing(steps: list[float], passed: float) -> None:
    """The share left in a line starts at 1, never rises and ends at 0; its integral is the line's volume."""
    litres = np.cumsum(steps)
    line = Line(litres, np.arange(1, len(steps) + 1) / len(steps))
    grid = np.linspace(0.0, float(litres[-1]), 20_001)

    assert remaining(line, 0.0) == 1.0
    assert remaining(line, litres[-1]) == 0.0
    assert remaining(line, passed) >= remaining(line, passed + 1.0)
    assert float(np.trapezoid(remaining(line, grid), grid)) == pytest.approx(line.volume, rel=1e-3)


def test_line_volume_is_the_pipes_volume() -> None:
    """What a line holds by its flows is the volume of its pipes."""
    zone = virtual(900_210, stock="A").installation.zone["z1"]
    line = line_of(zone)
    assert zone.manifold is not None
    assert zone.laterals is not None
    bores = [(p.length, p.diameter) for p in (*zone.main, zone.manifold)]
    bores.append((zone.laterals.length * zone.laterals.count, zone.laterals.diameter))
    litres = sum(length * math.pi / 4.0 * (bore / 1000.0) ** 2 * 1000.0 for length, bore in bores)

    assert isinstance(line, Line)
    assert line.volume == pytest.approx(litres, rel=1e-6)


def test_carry_over_is_told_where_the_run_ends_with_the_injection() -> None:
    """Cut at the end of the injection a run leaves the pipes' content; flushed through it leaves nothing."""
    scenario = virtual(900_220, transport=True)
    view = scenario.view()
    injection = view.run.injection
    assert injection is not None
    cut = Run(view.run.zone, view.run.start, injection.end, None, None, injection)
    short = RunView(view.installation, cut, view.series)
    flushed, left = (
        [e for e in nutrient_dose(v) if e.quantity == "nutrient carry-over"] for v in (view, short)
    )
    line = line_of(view.zone)
    assert isinstance(line, Line)
    first = next(iter(scenario.truth.grams))
    held = line.volume * scenario.truth.fraction * view.installation.stock["S"].nutrients[first]

    assert flushed == []
    assert left[0].nutrient == first
    assert left[0].low is not None
    assert left[0].high is not None
    assert left[0].low < held < left[0].high
    told = dose_findings(short, nutrient_dose(short))
    assert [f.kind for f in told] == ["carry-over"]


def test_dose_off_its_target_is_told_and_on_it_is_not() -> None:
    """A target 25 % above the dose is told as too little; the dose itself as target is not told."""
    view = virtual(900_210, stock="A").view()
    dose = next(
        e for e in nutrient_dose(view) if e.quantity == "nutrient dose per area" and e.nutrient == "N"
    )
    told = {}
    for factor in (1.0, 1.25, 0.75):
        target = Target.model_validate({"N": f"{factor * (dose.value or 0.0)} g/m2 per run"})
        aimed = with_zone(view, target=target)
        told[factor] = [
            f for f in dose_findings(aimed, nutrient_dose(aimed)) if f.kind == "injection off target"
        ]

    assert told[1.0] == []
    assert "less" in told[1.25][0].evidence
    assert "more" in told[0.75][0].evidence


def test_a_run_that_goes_on_may_yet_give_what_lacks_but_not_take_back_what_is_too_much() -> None:
    """While water still flows too small a dose and stock in the pipes are not told; too large a dose is."""
    view = virtual(900_210, stock="A").view()
    injection = view.run.injection
    assert injection is not None
    going = Run(view.run.zone, view.run.start, injection.end, None, None, injection, complete=False)
    cut = RunView(view.installation, going, view.series)
    dose = next(e for e in nutrient_dose(cut) if e.quantity == "nutrient dose per area" and e.nutrient == "N")
    told = {}
    for factor in (1.5, 0.5):
        target = Target.model_validate({"N": f"{factor * (dose.value or 0.0)} g/m2 per run"})
        aimed = with_zone(cut, target=target)
        told[factor] = [f.evidence for f in dose_findings(aimed, nutrient_dose(aimed))]

    assert told[1.5] == []
    assert ["more" in words for words in told[0.5]] == [True]


def test_a_stock_meter_with_a_hole_is_no_way() -> None:
    """A stock meter silent for half the injection is left out, with the reason."""
    view = virtual(900_210, stock="A").view()
    injection = view.run.injection
    assert injection is not None
    middle = injection.start + 0.5 * (injection.end - injection.start)

    def hole(series: pd.Series) -> pd.Series:
        return series[(series.index < injection.start) | (series.index > middle)]

    found, missing = stock_ways(with_readings(view, "stock_meter", hole))

    assert "stock meter" not in [way.name for way in found]
    assert any("readings over only" in one.reason for one in missing)
