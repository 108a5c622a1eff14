"""The chart says what the readings say: no line over a gap, no peak lost, no markup from outside."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.chart import Block, Chart, Line, Look, silences
from dashboard.columns import assembled
from dashboard.figure_frame import round_ends
from dashboard.figures import figure
from dashboard.panels import Panel, head_panels, sensor_label, zone_panels
from dashboard.theme import DARK, LIGHT
from dashboard.windows import SECOND, readings, window
from ingest.installation import Installation

START, END = 1_764_057_600.0, 1_764_079_200.0
EC = Panel("EC", "conductivity", ("mixed", "end"), target=(1.9, 2.4), target_name="target", limit=5.0)
LOOK = Look("metric", LIGHT, 1000, ZoneInfo("Europe/Lisbon"))


def line(sensor: str, seconds: np.ndarray, values: np.ndarray, flagged: np.ndarray | None = None) -> Line:
    """Return a line of readings some seconds after the start, 10 s apart."""
    time = ((START + seconds) * SECOND).astype(np.int64)
    data = readings(time, values, flagged)
    drawn = window(data, start=int(START * SECOND), end=int(END * SECOND), width=1000)
    return Line(sensor, sensor, drawn, 10 * SECOND)


def chart(*lines: Line, blocks: tuple[Block, ...] = (), now: float = END) -> Chart:
    """Return a chart of one panel with these lines."""
    return Chart(START, END, now, [EC], {drawn.sensor: drawn for drawn in lines}, blocks)


def steady(*, without: tuple[float, float] = (0, 0)) -> tuple[np.ndarray, np.ndarray]:
    """Return six hours of readings 10 s apart, with a hole."""
    seconds = np.arange(0.0, END - START, 10.0)
    seconds = seconds[(seconds < without[0]) | (seconds >= without[1])]
    return seconds, np.full(len(seconds), 2.0)


def trace(made: dict[str, Any], sensor: str, role: str) -> dict[str, Any]:
    """Return the one trace that draws a sensor's column in a role, its points laid in."""
    number = [t.get("column") for t in made["data"]].index([sensor, role])
    laid: dict[str, Any] = assembled(made)["data"][number]
    return laid


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 1400])
def test_figure_is_one_that_plotly_knows(palette: Any, width: int) -> None:
    """Plotly's own validation takes every key of the figure, at every width and look."""
    blocks = (Block("run", START, START + 900, "a"), Block("finding", START, START, "leak", severity="act"))
    seconds, values = steady(without=(1000, 3000))
    made = figure(
        chart(line("mixed", seconds, values), blocks=blocks),
        Look("us", palette, width, ZoneInfo("America/New_York")),
    )

    drawn = go.Figure(assembled(made))

    assert len(drawn.data) == len(made["data"]) >= 3


def test_line_breaks_over_a_gap() -> None:
    """Between the reading before a gap and the one after it, nothing is drawn."""
    seconds, values = steady(without=(3600, 7200))
    points = trace(figure(chart(line("mixed", seconds, values)), LOOK), "mixed", "mean")

    breaks = [i for i, y in enumerate(points["y"]) if y is None]
    assert len(breaks) == 1
    assert points["x"][breaks[0] - 1] - START == pytest.approx(3600, abs=30)
    assert points["x"][breaks[0] + 1] - START == pytest.approx(7200, abs=30)


def test_band_has_no_wedge_over_a_gap() -> None:
    """The band is one closed shape on each side of a gap."""
    seconds, values = steady(without=(3600, 7200))
    points = trace(figure(chart(line("mixed", seconds, values)), LOOK), "mixed", "band")

    cut = points["x"].index(None)
    assert max(points["x"][:cut]) - START < 3630
    assert min(points["x"][cut + 1 :]) - START > 7170


def test_band_holds_a_spike_that_the_line_smooths() -> None:
    """One reading of 9 in six hours of 2 reaches the band's edge and the axis."""
    seconds, values = steady()
    values[777] = 9.0
    made = figure(chart(line("mixed", seconds, values)), LOOK)

    assert max(y for y in trace(made, "mixed", "band")["y"] if y is not None) == 9.0
    assert made["layout"]["yaxis2"]["range"][1] >= 9.0


def test_positions_are_utc_seconds_whatever_the_zone() -> None:
    """The same readings stand at the same place for every site's time zone; only labels differ."""
    drawn = line("mixed", *steady())
    here, there = (
        figure(chart(drawn), Look("metric", LIGHT, 1000, ZoneInfo(zone))) for zone in ("UTC", "Asia/Kolkata")
    )

    assert trace(here, "mixed", "mean")["x"] == trace(there, "mixed", "mean")["x"]
    assert here["layout"]["xaxis"]["ticktext"] != there["layout"]["xaxis"]["ticktext"]


def test_flagged_readings_are_marked_by_shape() -> None:
    """A flagged reading carries a cross of its own, not only a colour."""
    seconds, values = steady()
    flagged = np.zeros(len(seconds), bool)
    flagged[100] = True
    marks = trace(figure(chart(line("mixed", seconds, values, flagged)), LOOK), "mixed", "flagged")

    assert marks["marker"]["symbol"] == "x-thin"
    assert len(marks["x"]) == 1


def test_target_is_a_band_with_dotted_edges() -> None:
    """The target band is the one white ground, between two dotted lines at its ends."""
    shapes = figure(chart(line("mixed", *steady())), LOOK)["layout"]["shapes"]

    assert [(s["y0"], s["y1"]) for s in shapes if s.get("fillcolor") == LIGHT.target] == [(1.9, 2.4)]
    assert [s["y0"] for s in shapes if s.get("line", {}).get("dash") == "dot" and s["type"] == "line"] == [
        1.9,
        2.4,
    ]


def test_sensors_of_one_panel_differ_by_pattern_not_by_colour() -> None:
    """Two sensors share one colour; their lines have different patterns."""
    made = figure(chart(line("mixed", *steady()), line("end", *steady())), LOOK)
    lines = [t["line"] for t in made["data"] if t.get("column", ["", ""])[1] == "mean"]

    assert {drawn["color"] for drawn in lines} == {LIGHT.line}
    assert len({drawn["dash"] for drawn in lines}) == 2


def test_silence_up_to_now_is_shaded_and_named() -> None:
    """A sensor that stopped an hour ago leaves a marked stretch up to now; no line is carried on."""
    seconds, values = steady()
    short = line("mixed", seconds[:-360], values[:-360])
    made = figure(chart(short, line("end", seconds, values)), LOOK)

    ((start, end),) = silences(short, chart(short))
    assert start == pytest.approx(END - 3600, abs=30)
    assert end == END
    assert "no reading: mixed" in [a["text"] for a in made["layout"]["annotations"]]


def test_the_future_is_no_silence() -> None:
    """A chart that reaches beyond the present does not call the future silent."""
    seconds, values = steady()
    half = len(seconds) // 2
    shown = chart(line("mixed", seconds[:half], values[:half]), now=START + seconds[half])

    assert silences(shown.lines["mixed"], shown) == []


def test_texts_from_outside_carry_no_markup() -> None:
    """A label with tags is drawn as it stands."""
    nasty = '<a href="javascript:alert(1)">x</a>'
    panel = Panel(nasty, "flow", ("a",), target=(1, 2), target_name=nasty)
    drawn = line("a", *steady())
    shown = Chart(
        START,
        END,
        END,
        [panel],
        {"a": Line("a", nasty + ")", drawn.window, None)},
        (Block("finding", START, END, nasty),),
    )
    made = figure(shown, LOOK)

    texts = [a["text"] for a in made["layout"]["annotations"]] + [t.get("name", "") for t in made["data"]]
    texts += [text for t in made["data"] for text in t.get("text", [])]
    assert not [text for text in texts if text and "<a" in text]


@pytest.mark.parametrize(("low", "high"), [(0, 812), (-0.9, 100.9), (0, 0), (5, 5), (17.6, 18.4), (0, 3.1e6)])
def test_round_ends_hold_both_values(low: float, high: float) -> None:
    """An axis holds its readings, with ends that are few steps of 1, 2 or 5."""
    bottom, top = round_ends(low, high)

    assert bottom <= low + 0.02 * (high - low)
    assert top >= high
    assert top > bottom


def test_zone_panels_stand_in_the_order_of_the_water(installation: Installation) -> None:
    """A zone shows flow, pressure, EC first; sensors run along the water; the bench beside is left out."""
    panels = zone_panels(installation, "bench1")

    assert [p.title for p in panels[:3]] == ["Flow", "Pressure", "EC at 25 °C"]
    assert panels[1].sensors == ("bench1_pressure", "bench1_end_pressure")
    assert panels[2].sensors == ("source_ec", "feed_ec", "bench1_end_ec")
    assert panels[2].target == (1.9, 2.4)


def test_head_panels_leave_out_the_zones(installation: Installation) -> None:
    """The head's chart has the head's sensors only, and the limit of what stands there."""
    panels = head_panels(installation)

    assert not any(installation.sensor[s].zone for p in panels for s in p.sensors)
    assert next(p.limit for p in panels if p.quantity == "pressure") == 400.0


def test_sensor_label_tells_twins_apart(installation: Installation) -> None:
    """A sensor is called by its point; twins at one point carry their names too."""
    assert sensor_label(installation, "feed_ec", ("source_ec", "feed_ec")) == "mixed"
    assert (
        sensor_label(installation, "bench1_pressure", ("bench1_pressure", "bench2_pressure"))
        == "zone, bench1 pressure"
    )
