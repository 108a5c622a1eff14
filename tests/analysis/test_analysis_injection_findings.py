"""Findings of the injection: a sagging ratio, ways that disagree and who is likelier wrong, weeks added up."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from analysis.document import document
from analysis.injection.disagree import CAUSES, disagreements, likelihoods
from analysis.injection.season import pool, zone_totals
from analysis.injection.strata import sagging, strata
from analysis.pipeline import analyse
from analysis.results import Estimate, Results, Run
from analysis.uncertainty import EACH_RUN
from analysis.view import RunView, SeasonView
from tests.support.virtual import virtual, with_injector, with_readings

CLEAN = range(900_301, 900_313)
"""Systems without a fault."""


def test_ratio_that_sags_by_a_fifth_is_told_with_its_pieces() -> None:
    """A ratio that falls by 20 % through the injection is told on every one of six systems."""
    for seed in range(900_401, 900_407):
        (told,) = sagging(virtual(seed, sag=0.2).view())

        assert told.kind == "injection off target"
        assert told.value == pytest.approx(-0.16, abs=0.035)
        assert told.evidence.count("1:") >= 4


@pytest.mark.parametrize(("sag", "kinds"), [(0.2, {"injection off target"}), (0.0, set())])
def test_ratio_that_sags_about_its_target_is_told_by_the_whole_analysis(sag: float, kinds: set[str]) -> None:
    """With the target set to the run's own mean the sag alone is told, and a steady ratio leaves nothing to tell."""
    scenario = virtual(900_402, sag=sag)
    installation = with_injector(
        scenario.view(), ratio=scenario.truth.fraction, ratio_tolerance=0.05
    ).installation
    readings = scenario.readings
    ends = readings["time"].min(), readings["time"].max() + pd.Timedelta(seconds=1)
    found = analyse(installation, readings, *ends)
    mean = next(e for e in found.estimates if e.quantity == "injection fraction")

    assert mean.value == pytest.approx(scenario.truth.fraction, rel=0.04)
    assert {f.kind for f in found.findings if "injection" in f.kind} == kinds
    assert all("while its mean is" in f.evidence for f in found.findings if "injection" in f.kind)


def test_steady_ratio_is_not_told() -> None:
    """On systems with a steady ratio nothing is told, and what EC says moves by less than 1.5 %."""
    for seed in CLEAN:
        view = virtual(seed).view()
        by_ec = [one for one in strata(view) if one.name == "EC"]

        assert sagging(view) == []
        assert len(by_ec) == 1
        assert abs(by_ec[0].change.value) < 0.015


def test_tank_that_weakens_is_not_told_as_sagging() -> None:
    """A displacement tank must weaken: that is no finding."""
    assert sagging(with_injector(virtual(900_401, sag=0.2).view(), kind="displacement tank")) == []


def _weak_stock(view: RunView) -> RunView:
    """Return the view with EC as of a stock at 80 %: the step shrinks, the source water stays."""
    injection = view.run.injection
    assert injection is not None
    water = float(view.series["mixed_ec"][view.series["mixed_ec"].index < injection.start].median())
    return with_readings(view, "mixed_ec", lambda s: water + 0.8 * (s - water))


def _fouled_cell(view: RunView) -> RunView:
    """Return the view with a mixed cell that reads 12 % low, water included."""
    return with_readings(view, "mixed_ec", lambda s: 0.88 * s)


def test_weak_stock_is_called_stock_strength() -> None:
    """A weak stock leaves the cells alike on the source water: stock strength is the likelier cause."""
    (told,) = disagreements(_weak_stock(virtual(900_302, stock="A").view()))

    assert told.kind == "stock strength"
    assert told.value == pytest.approx(-0.21, abs=0.05)
    assert "dilution" in told.advice


def test_fouled_cell_is_called_sensor_fault() -> None:
    """A cell that reads low on the source water too is the likelier cause itself."""
    (told,) = disagreements(_fouled_cell(virtual(900_302, stock="A").view()))

    assert told.kind == "sensor fault"
    assert told.sensor == "mixed_ec"
    assert "standard solution" in told.advice


def test_stock_meter_against_the_tank_level_is_called_sensor_fault() -> None:
    """A stock meter 20 % high that the tank's level contradicts is the likelier cause."""
    view = virtual(900_302, stock="A").view()
    (told,) = disagreements(with_readings(view, "stock_meter", lambda s: 1.2 * s))

    assert told.kind == "sensor fault"
    assert told.sensor == "stock_meter"


def test_clean_systems_hardly_ever_disagree() -> None:
    """Of twelve systems with usual errors at most one has ways whose intervals do not meet."""
    told = sum(len(disagreements(virtual(seed).view())) for seed in CLEAN)

    assert told <= 1


def test_without_a_witness_the_priors_decide() -> None:
    """Where nothing but the gap is known, causes that show alike are ranked as before looking."""
    chances = likelihoods({"EC over meters": (0.1, 0.02)}, CAUSES)

    assert sum(chances) == pytest.approx(1.0)
    assert chances[0] == max(chances)
    assert chances[1] > chances[3]


def _run_estimate(day: int, value: float, quantity: str = "injection fraction") -> Estimate:
    start = pd.Timestamp("2026-06-01T05:00:00Z") + pd.Timedelta(days=day)
    half = 1.959964 * 0.02 * value
    budget = {"gain (m)": 0.75, f"noise (m){EACH_RUN}": 0.25}
    return Estimate(quantity, "z1", start, value, "1", value - half, value + half, "m", ("m",), budget=budget)


def test_shared_errors_do_not_average_away_over_runs() -> None:
    """Over many runs the random part falls with their number and the shared part stays."""
    runs = [_run_estimate(day, 0.01) for day in range(100)]
    pooled = pool(runs, [0.01] * 100)

    assert pooled.value == pytest.approx(0.01)
    assert pooled.sd / 0.01 == pytest.approx(math.hypot(0.02 * math.sqrt(0.75), 0.001), rel=1e-6)
    assert next(iter(pooled.budget)) == "gain (m)"


def test_weeks_and_the_whole_period_are_told_for_each_zone() -> None:
    """Ten days of runs over two weeks: a mean for each week and for the period; sums for volumes."""
    fractions = [_run_estimate(day, 0.01 + 0.0001 * day) for day in range(10)]
    volumes = [_run_estimate(day, 5.0, "stock volume") for day in range(10)]
    runs = tuple(
        Run("z1", e.run_start, e.run_start, 500.0, None) for e in fractions if e.run_start is not None
    )
    season = SeasonView(
        virtual().installation,
        pd.Timestamp("2026-06-01", tz="UTC"),
        pd.Timestamp("2026-06-12", tz="UTC"),
        runs,
        (*fractions, *volumes),
        (),
        (),
    )
    found = zone_totals(season)
    spans = [e.method.split(" in ")[1].split(";")[0] for e in found if e.quantity == "injection fraction"]

    assert spans == ["week 2026-W23", "week 2026-W24", "the whole period"]
    assert next(e for e in found if "whole" in e.method).value == pytest.approx(0.01045)
    assert [e.value for e in found if e.quantity == "stock volume"] == pytest.approx([35.0, 15.0, 50.0])
    assert all(e.run_start is None for e in found)


def test_document_says_what_time_each_estimate_speaks_for() -> None:
    """A week runs from Monday to Monday at the site as far as it was looked at; a run's estimate from start to end."""
    start, end = pd.Timestamp("2026-06-01", tz="UTC"), pd.Timestamp("2026-06-12", tz="UTC")
    fractions = [_run_estimate(day, 0.01) for day in range(10)]
    runs = tuple(
        Run("z1", e.run_start, e.run_start + pd.Timedelta(hours=1), 500.0, None)
        for e in fractions
        if e.run_start is not None
    )
    installation = virtual().installation
    found = zone_totals(SeasonView(installation, start, end, runs, fractions, (), ()))
    other = Estimate("filter pressure loss", None, None, 5.0, "kPa", 4.0, 6.0, "m", ())
    told = document(Results("x", start, end, "s", runs, (*fractions, *found, other), ()))["estimates"]
    spans = [(e["from"], e["to"]) for e in told]

    assert spans[0] == ("2026-06-01T05:00:00Z", "2026-06-01T06:00:00Z")
    assert spans[-4:] == [
        ("2026-06-01T00:00:00Z", "2026-06-07T23:00:00Z"),
        ("2026-06-07T23:00:00Z", "2026-06-12T00:00:00Z"),
        ("2026-06-01T00:00:00Z", "2026-06-12T00:00:00Z"),
        ("2026-06-01T00:00:00Z", "2026-06-12T00:00:00Z"),
    ]
