"""Value axes that no reading moves, and a second curve that stands where it says; both in the file too."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from analysis.results import Estimate, Run
from dashboard.axes import usual
from dashboard.beside import Beside, shift_s
from dashboard.chart import Chart, Line, Look, key_rows
from dashboard.charts import chart_json
from dashboard.downloads import as_csv, numbers, seen
from dashboard.figures import figure
from dashboard.panels import Panel, zone_panels
from dashboard.theme import LIGHT
from dashboard.wanted import wanted
from dashboard.windows import SECOND, Window, readings, window
from ingest.installation import Installation

START = 1_764_057_600.0
LOOK = Look("metric", LIGHT, 1000, ZoneInfo("Europe/Lisbon"))
EC = Panel("EC", "conductivity", ("mixed",), usual=(0.0, 3.0))


def windows_of(names: Sequence[str], start: int, end: int, width: int) -> dict[str, Window]:
    """Return a reading a minute whose value is the hour of its time since 1970, for every sensor."""
    time = np.arange(start - start % (60 * SECOND), end, 60 * SECOND)
    values = time / (3600.0 * SECOND) % 100
    return {name: window(readings(time, values, None), start=start, end=end, width=width) for name in names}


def _chart(top: float, *, fit: bool = False) -> dict[str, Any]:
    time = ((START + np.arange(0.0, 3600.0, 10.0)) * SECOND).astype(np.int64)
    values = np.where(np.arange(360) == 100, top, 2.0)
    data = readings(time, values, None)
    drawn = window(data, start=int(START * SECOND), end=int((START + 3600) * SECOND), width=1000)
    lines = {"mixed": Line("mixed", "mixed", drawn, 10 * SECOND)}
    made: dict[str, Any] = figure(Chart(START, START + 3600, START + 3600, [EC], lines, fit=fit), LOOK)
    return made


def test_axis_stays_whatever_is_read() -> None:
    """A spike of 9 mS/cm moves no axis; the panel says how far it goes. Fitted, the axis holds it in silence."""
    usual_axis, spiked, fitted = _chart(2.0), _chart(9.0), _chart(9.0, fit=True)

    def told(made: dict[str, Any]) -> list[str]:
        return [a["text"] for a in made["layout"]["annotations"] if "axis" in a["text"]]

    assert usual_axis["layout"]["yaxis2"]["range"] == spiked["layout"]["yaxis2"]["range"] == [0.0, 3.0]
    assert told(spiked) == ["<b>▲ up to 9.00\N{NO-BREAK SPACE}mS/cm, above this axis</b>"]
    assert fitted["layout"]["yaxis2"]["range"][1] >= 9.0
    assert told(usual_axis) == told(fitted) == []


def test_usual_axes_come_from_the_description(installation: Installation) -> None:
    """Flow reaches the rated flow and a quarter, stock its share, EC the target; what nothing describes fits."""
    panels = {p.title: p.usual for p in zone_panels(installation, "bench1")}

    assert panels["Flow"] == pytest.approx((0.0, 1000.0))
    assert panels["Stock flow"] == pytest.approx((0.0, 10.0))
    assert panels["EC at 25 °C"] == pytest.approx((0.0, 3.0))
    assert panels["Temperature"] == (0.0, 40.0)
    assert panels["Pressure"] is None
    assert usual(installation, None, "flow", ["head_flow"]) == pytest.approx((0.0, 1000.0))


@pytest.mark.parametrize(
    ("start", "days", "hours"),
    [
        ("2026-10-28T12:00", 7, 169),
        ("2026-03-31T12:00", 7, 167),
        ("2026-06-30T12:00", 7, 168),
        ("2026-10-28T12:00", 0.125, 3),
    ],
)
def test_earlier_days_keep_the_local_clock(start: str, days: float, hours: int) -> None:
    """A week before the end of October is 169 h before, since clocks went back between; three hours are three."""
    zone = ZoneInfo("Europe/Lisbon")
    at = pd.Timestamp(start, tz=zone).timestamp()

    assert shift_s(Beside(None, round(days * 86400)), at, zone) == hours * 3600


def test_second_curve_has_the_values_of_its_own_time(installation: Installation) -> None:
    """At a place of the chart, the second curve reads what was measured three hours before that place."""
    asked = wanted({"from": str(START), "to": str(START + 7200), "earlier": "10800"}, START + 7200)
    made = chart_json(installation, None, "bench1", asked, START + 7200, windows_of)

    columns = made["columns"]
    first, second = columns["head_flow"], columns["head_flow@"]
    assert second["label"] == "source, 3 h before"
    assert (second["start"], second["step"]) == (first["start"], first["step"])
    values = [np.frombuffer(base64.b64decode(c["mean"]["bdata"]), "<f4") for c in (first, second)]
    assert values[0] - values[1] == pytest.approx(3.0, abs=1e-3)


def test_other_zone_leaves_out_what_both_share(installation: Installation) -> None:
    """Beside bench1, bench2 brings its own pressure; the head's flow is drawn once."""
    asked = wanted({"span": "3600", "beside": "bench2"}, START)
    columns = chart_json(installation, None, "bench1", asked, START, windows_of)["columns"]

    assert columns["bench2_pressure@"]["label"].endswith("bench2")
    assert "head_flow@" not in columns


def test_file_holds_both_periods_at_their_own_times(installation: Installation) -> None:
    """The file of a chart with an earlier time beside it has rows of both, none of them moved."""
    asked = wanted({"from": str(START), "to": str(START + 3600), "earlier": "86400"}, START + 3600)
    table = seen(installation, "bench1", asked, windows_of)
    flow = table[table["sensor"] == "head_flow"]

    days = sorted({str(t)[:10] for t in flow["time"]})
    assert days == ["2025-11-24", "2025-11-25"]
    assert not flow.duplicated(["time"]).any()


@pytest.mark.parametrize(
    ("query", "problem"), [({"earlier": "inf"}, "earlier"), ({"earlier": "x"}, "earlier")]
)
def test_hostile_choices_are_refused(query: dict[str, str], problem: str) -> None:
    """What is no number is no earlier time."""
    with pytest.raises(ValueError, match=problem):
        wanted(query, START)


def test_long_keys_get_rows_of_their_own() -> None:
    """Six names do not fit beside a title on a desk or a phone; two short ones do on a desk."""
    one = replace(_line("a"), label="mixed")
    many = {n: replace(_line(n), label="lateral end, 7 d before") for n in "abcdefgh"}
    wide = Panel("EC", "conductivity", tuple(many))
    few = Panel("EC", "conductivity", ("a", "b"))

    assert key_rows(Chart(0, 1, 1, [few], {"a": one, "b": one}), few, 1200) == 0
    assert key_rows(Chart(0, 1, 1, [wide], many), wide, 1200) >= 2
    assert key_rows(Chart(0, 1, 1, [wide], many), wide, 360) == 8


def _line(name: str) -> Line:
    empty = windows_of([name], 0, 60 * SECOND, 10)[name]
    return Line(name, name, empty, None)


def test_numbers_of_a_run_carry_interval_unit_and_reason() -> None:
    """A run's file has each number with its interval and unit, in US units where asked, and refusals with why."""
    start = pd.Timestamp("2026-11-25T06:00:00Z")
    run = Run("bench1", start, start + pd.Timedelta(minutes=25), 330.0, 800.0)
    given = Estimate("water volume", "bench1", start, 37.854, "L", 30.0, 45.0, "meter", ("head_flow",))
    refused = Estimate(
        "clear-out time", "bench1", start, None, "s", None, None, "EC", (), "refused", "=no far cell"
    )

    text = as_csv(numbers([given, refused], run, "us")).decode()

    row = text.splitlines()[1].split(",")
    assert row[3:5] == ["water volume", ""]
    assert [float(number) for number in row[5:8]] == pytest.approx([10.0, 7.925, 11.888], abs=1e-3)
    assert row[8] == "gal"
    assert "refused,'=no far cell" in text
