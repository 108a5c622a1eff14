"""Stock left in the pipes comes out in a later run, of the same zone or of another on the same line."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.dose.carried import DELIVERED, LEFT, carried_over, stock_left
from analysis.dose.findings import dose_findings
from analysis.dose.grams import nutrient_dose
from analysis.dose.line import Line, line_of, places
from analysis.results import Estimate, Feature, Interval, Run
from analysis.view import RunView, SeasonView
from ingest.installation import Installation
from tests.support.virtual import virtual, with_zone

START = pd.Timestamp("2026-06-01T05:00:00Z")

LINE = "north line"


def two_zones() -> Installation:
    """Return a system whose two like zones share the first 50 m of their mains."""
    zone = {
        "emitters": [{"count": 400, "flow": "2 L/h"}],
        "main": [
            {"length": "50 m", "diameter": "40 mm", "shared": LINE},
            {"length": "10 m", "diameter": "32 mm"},
        ],
        "laterals": {"count": 10, "length": "12 m", "diameter": "12 mm", "spacing": "0.3 m"},
    }
    return Installation.model_validate(
        {
            "name": "two",
            "timezone": "UTC",
            "supply": {"kind": "potable", "backflow_preventer": "reduced pressure"},
            "injector": {"main": {"kind": "proportional pump", "ratio": "1:100"}},
            "stock": {"S": {"injector": "main", "nutrients": {"N": "40 g/L"}}},
            "zone": {"a": zone, "b": zone},
            "sensor": {
                "meter": {"quantity": "flow", "point": "mixed", "unit": "L/h", "source": {"topic": "meter"}}
            },
        }
    )


def season(runs: list[tuple[str, float, float, dict[str, float]]]) -> SeasonView:
    """Return a period of runs, a day apart: zone, water [L], grams of N, shares left by place."""
    told, estimates, features = [], [], []
    for day, (zone, litres, grams, left) in enumerate(runs):
        start = START + pd.Timedelta(days=day)
        end = start + pd.Timedelta(hours=1)
        told.append(Run(zone, start, end, litres, litres, Interval(start, end) if grams else None))
        if grams:
            ends = (0.98 * grams, 1.02 * grams)
            estimates.append(
                Estimate("nutrient dose", zone, start, grams, "g", *ends, "m", ("s",), nutrient="N")
            )
        features += [Feature(LEFT + place, zone, start, share, 0.0, ()) for place, share in left.items()]
    end = START + pd.Timedelta(days=len(runs))
    return SeasonView(two_zones(), START, end, tuple(told), tuple(estimates), (), tuple(features))


def delivered(view: SeasonView) -> dict[tuple[str, int], float]:
    """Return what was told as given off by zone and day. [g]"""
    found = carried_over(view)
    assert {e.quantity for e in found} <= {DELIVERED}
    return {
        (e.zone or "", (e.run_start - START).days): e.value or 0.0 for e in found if e.run_start is not None
    }


def test_shared_line_hands_its_stock_to_the_next_zone() -> None:
    """Of 100 g with 20 g in the shared line and 10 g in its own pipes the next zone gets the 20, the next run the 10."""
    told = delivered(
        season([("a", 900.0, 100.0, {LINE: 0.2, "": 0.1}), ("b", 900.0, 0.0, {}), ("a", 900.0, 0.0, {})])
    )

    assert told == pytest.approx({("a", 0): 70.0, ("b", 1): 20.0, ("a", 2): 10.0})


def test_clean_runs_are_not_told_of() -> None:
    """Where nothing stays in the pipes the dose is what was given off, and no line is added."""
    assert delivered(season([("a", 900.0, 100.0, {LINE: 0.0, "": 0.0}), ("b", 900.0, 50.0, {})])) == {}


def test_run_of_unknown_dose_ends_the_account() -> None:
    """After a run whose dose nobody knows nothing is told of what it left or took along."""
    view = season(
        [("a", 900.0, 100.0, {LINE: 0.3, "": 0.0}), ("b", 900.0, 50.0, {LINE: 0.3}), ("a", 900.0, 0.0, {})]
    )
    unknown = SeasonView(
        view.installation, view.start, view.end, view.runs, view.estimates[:1], (), view.features
    )

    assert delivered(unknown) == pytest.approx({("a", 0): 70.0})


def test_interval_counts_dose_and_pipes() -> None:
    """What was received is as uncertain as the dose that it came from, and as the pipes' description."""
    found = carried_over(season([("a", 900.0, 100.0, {LINE: 0.2, "": 0.0}), ("b", 900.0, 0.0, {})]))
    own = 0.02 / 1.959964 * 20.0

    assert (found[1].high or 0.0) - (found[1].value or 0.0) == pytest.approx(
        1.959964 * math.hypot(own, 0.15 / math.sqrt(3.0) * 20.0), rel=1e-4
    )
    assert "received from a's run of 2026-06-01" in found[1].method


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.tuples(
            st.sampled_from("ab"),
            st.floats(20.0, 900.0),
            st.sampled_from([0.0, 50.0, 100.0]),
            st.floats(0.0, 0.5),
            st.floats(0.0, 0.5),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_what_goes_in_comes_out(drawn: list[tuple[str, float, float, float, float]]) -> None:
    """Whatever runs follow each other, once both zones were flushed all that was injected has been given off."""
    runs = [
        (zone, litres, grams, {LINE: one, "": two} if grams else {})
        for zone, litres, grams, one, two in drawn
    ]
    flushed = [*runs, ("a", 900.0, 0.0, {}), ("b", 900.0, 0.0, {})]
    told = delivered(season(flushed))
    given_off = sum(told.get((zone, day), grams) for day, (zone, _, grams, _) in enumerate(flushed))
    injected = sum(grams for _, _, grams, _ in runs)

    assert given_off == pytest.approx(injected, rel=0.01 * len(flushed), abs=1e-9)


def test_places_share_out_what_remains() -> None:
    """Shared line and own pipes together hold what a line holds, and the shared line is where it is described."""
    line = line_of(two_zones().zone["a"])
    assert isinstance(line, Line)
    litres = 50.0 * math.pi / 4.0 * 0.04**2 * 1000.0
    start, end = line.shared[LINE]
    held = places(line, [0.5 * end, 1.001 * end, 1e6], [1.0, 1.0, 1.0])

    assert (start, end) == pytest.approx((0.0, litres))
    assert held == pytest.approx({LINE: 1.0, "": 1.0})


def test_run_that_ends_with_its_injection_leaves_stock_in_the_shared_line() -> None:
    """Cut at the end of the injection, a run's shared main holds stock, and the finding says where that goes."""
    view = virtual(900_220, transport=True).view()
    injection = view.run.injection
    assert injection is not None
    cut = Run(view.run.zone, view.run.start, injection.end, None, None, injection)
    main = tuple(pipe.model_copy(update={"shared": LINE}) for pipe in view.zone.main)
    short = with_zone(RunView(view.installation, cut, view.series), main=main)
    left = {one.name: one.value for one in stock_left(short)}
    (told,) = dose_findings(short, nutrient_dose(short))

    assert set(left) == {LEFT, LEFT + LINE}
    assert min(left.values()) > 0.0
    assert f'shared line "{LINE}"' in told.evidence
