"""Pages are pure: what is known goes in, components come out."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from dash.development.base_component import Component
from plotly.utils import PlotlyJSONEncoder

from analysis.amounts import amount, reach
from analysis.results import Estimate, Finding, Interval, Results, Run, refused
from analysis.service import Service
from dashboard.cases import Book, cases
from dashboard.context import Context
from dashboard.display import Units
from dashboard.layout import page_for
from dashboard.snapshot import SensorState, Snapshot
from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")
START = NOW - pd.Timedelta(minutes=40)


def said(component: Any) -> str:
    """Return every text of components, in order."""
    if isinstance(component, Component):
        return said(getattr(component, "children", None))
    if isinstance(component, list | tuple):
        return " ".join(said(part) for part in component)
    return "" if component is None else str(component)


def finding(kind: str, severity: str, zone: str | None = "bench1") -> Finding:
    """Return a finding."""
    causes = ("closed shut-off", "empty tank")
    return Finding(kind, zone, None, START, NOW, severity, 1.0, "kPa", "seen in numbers", causes, "do this")  # type: ignore[arg-type]  # words of the tests


def context(
    installation: Installation, *findings: Finding, units: Units = "metric", path: str = "/"
) -> Context:
    """Return a context with one run, an estimate of it, one refusal, and these findings."""
    run = Run("bench1", START, NOW, 333.0, 800.0, Interval(START, NOW))
    estimates = (
        Estimate(
            "injection fraction",
            "bench1",
            START,
            0.0098,
            "1",
            0.0093,
            0.0103,
            "by EC",
            ("feed_ec",),
            budget={"cell": 1.0},
        ),
        Estimate("water volume", "bench1", START, 333.0, "L", 330.0, 336.0, "by meter", ("head_flow",)),
        refused("clear-out time", "by EC", "the run ended first").of("bench1", START),
    )
    results = Results("x", START, NOW, "0", (run,), estimates, tuple(findings))
    sensors = {"source_ec": SensorState("source_ec", START, 0.48, 1, "silent")}
    return Context(
        installation,
        Snapshot(NOW, sensors, results, cases=tuple(cases(findings, Book())), computed=NOW),
        units,
        NOW,
        prefix=path,
    )


def page_text(given: Context, path: str) -> str:
    """Return what a page says."""
    page = page_for(given, path)
    assert page is not None
    return said([page.lead, page.live, page.body])


def test_zone_page_gives_value_interval_and_refusal(installation: Installation) -> None:
    """A number stands with its interval and method, a refusal with its reason and without a number."""
    text = page_text(context(installation), "/zone/bench1").replace("\N{NO-BREAK SPACE}", " ")

    assert "1:102 (0.98 %)" in text
    assert "1:97 to 1:108" in text
    assert "Not given the run ended first" in " ".join(text.split())
    assert "by EC" in text


def test_units_change_everything_on_the_page(installation: Installation) -> None:
    """In US units no metric unit is left on the page, and the same water is told in gallons."""
    text = page_text(context(installation, units="us"), "/zone/bench1").replace("\N{NO-BREAK SPACE}", " ")

    assert "88.0 gal" in text
    assert not {" L", " L/h", " kPa", " °C"} & {f" {word}" for word in text.split()}


def test_sentences_of_the_analysis_are_in_the_reader_s_units(installation: Installation) -> None:
    """Evidence, causes, advice and the reason of a refusal are told in the units that the reader has chosen."""
    seen = replace(
        finding("over pressure", "stop"),
        evidence=f"it reached {amount(350.0, 'kPa')}",
        likely_causes=(f"more than {amount(20.0, 'L/h')} in {reach(5.0, 9.0, 'm')}",),
        advice=f"refill after {amount(100.0, 'L')}",
    )
    given = context(installation, seen, units="us")
    assert given.snapshot.results is not None
    untold = refused("water volume", "by meter", f"no more than {amount(3.0, 'mm')}").of("bench1", START)
    results = replace(given.snapshot.results, estimates=(*given.snapshot.results.estimates, untold))
    shown = replace(given, snapshot=replace(given.snapshot, results=results))
    text = page_text(shown, "/zone/bench1").replace("\N{NO-BREAK SPACE}", " ")

    assert "it reached 50.8 psi" in text
    assert "more than 0.088 gal/min in 16 to 30 ft" in text
    assert "refill after 26.4 gal" in text
    assert "no more than 0.12 in" in text


def test_overview_puts_the_worst_first(installation: Installation) -> None:
    """What must stop stands above what must be done, and watching is folded away."""
    text = page_text(
        context(
            installation, finding("short flush", "watch"), finding("leak", "act"), finding("backflow", "stop")
        ),
        "/",
    )

    assert (
        text.index("backflow")
        < text.index("leak")
        < text.index("1 more: to watch")
        < text.index("short flush")
    )


def test_no_zone_is_called_idle_when_it_is_not_known(installation: Installation) -> None:
    """While the valves are not heard of, the page says so instead of saying that nothing runs."""
    late = {name: SensorState(name, START, 0.0, 1, "late") for name in ("bench1_valve", "bench2_valve")}
    text = page_text(Context(installation, Snapshot(NOW, late), "metric", NOW), "/")

    assert "Not known whether they run: bench1, bench2." in text
    assert "No zone is running" not in text


def test_nothing_to_do_is_said_only_when_it_is_known(installation: Installation) -> None:
    """Without results the page does not claim that all is well, nor while sensors are silent."""
    silent = page_text(context(installation), "/")
    empty = Context(installation, Snapshot(NOW), "metric", NOW)

    assert "Nothing needs a person" not in silent
    assert "sensors are silent" in silent
    assert "Nothing needs a person" not in page_text(empty, "/")


@pytest.mark.parametrize(
    ("log", "words"),
    [
        ((), "2026-03-02, passed"),
        ((Service(START, "A. Weller", "preventer tested"),), f"{START:%Y-%m-%d}, passed"),
        ((Service(START, "A. Weller", "preventer test failed"),), f"{START:%Y-%m-%d}, not passed"),
    ],
)
def test_newest_preventer_test_is_shown(
    installation: Installation, log: tuple[Service, ...], words: str
) -> None:
    """The installation's page shows the newest test, of the file or of the service log, and its result."""
    text = page_text(Context(installation, Snapshot(NOW, services=log), "metric", NOW), "/installation")

    assert words in text


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("backflow", "Do not drink"),
        ("over pressure", "Keep away from the tank"),
        ("preventer test failed", "Call a licensed tester"),
    ],
)
@pytest.mark.parametrize("path", ["/", "/zone/bench1"])
def test_danger_puts_the_first_words_on_top(
    installation: Installation, kind: str, words: str, path: str
) -> None:
    """A finding that can hurt somebody opens the page with what to do now, and defers to local codes."""
    text = page_text(context(installation, finding(kind, "stop")), path)

    assert words in text
    assert "local codes" in text.lower()
    assert text.index(words) < 600


def test_silent_sensor_is_marked_by_word_and_symbol(installation: Installation) -> None:
    """A silent sensor's tile says so in a word, beside a symbol."""
    page = page_for(context(installation), "/zone/bench1")
    assert page is not None
    drawn = json.dumps(list(page.live), cls=PlotlyJSONEncoder)

    assert '"data-state": "silent"' in drawn
    assert "mark mark-silent" in drawn
    assert '"Silent"' in drawn


@pytest.mark.parametrize(
    "path", ["/zone/", "/zone/bench9", "/zone/bench1/x", "/nowhere", "/zone/%2e%2e", "/zone/<script>"]
)
def test_unknown_addresses_have_no_page(installation: Installation, path: str) -> None:
    """A page exists only for names of the installation."""
    assert page_for(context(installation), path) is None


def test_addresses_stand_under_the_prefix(installation: Installation) -> None:
    """Behind a proxy under a path, pages are found there and nowhere else."""
    given = context(installation, path="/drip/")

    assert page_for(given, "/drip/zone/bench1") is not None
    assert page_for(given, "/zone/bench1") is None
    assert given.path("zone", "a/b") == "/drip/zone/a%2Fb"
