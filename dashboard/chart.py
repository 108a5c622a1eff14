"""What a chart shows and how: plain records, without a drawing library."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from dashboard.panels import Panel
from dashboard.theme import Palette
from dashboard.windows import SECOND, Window, gaps

if TYPE_CHECKING:
    from dashboard.display import Units

PANEL_PX, TITLE_PX, STRIP_PX, AXIS_PX = 112, 46, 26, 62
"""Heights: of a panel of weight 1, the room above it, a row of the event strip, the time axis. [px]"""

KEY_PX, SAMPLE_PX, LETTER_PX = 19, 48, 6.2
"""Of a panel's key: a row, the sample before a name, a usual letter (measured). [px]"""

BESIDE_TITLE, LONG_NAME = 0.75, 20
"""Part of the width that names beside a title have [-]; a longer name has a phone's row for itself. [letters]"""

NARROW_PX = 600
"""A chart below this width is a phone's. [px]"""


@dataclass(frozen=True, slots=True)
class Line:
    """One sensor's line.

    Attributes
    ----------
    sensor, label : str
        Its name, and how it is called on the screen.
    window : Window
        Its readings. [stored unit]
    interval : int or None
        Usual time between readings. [us]
    """

    sensor: str
    label: str
    window: Window
    interval: int | None


@dataclass(frozen=True, slots=True)
class Block:
    """One stretch on the event strip.

    Attributes
    ----------
    row : str
        ``run``, ``injection``, ``finding`` or ``beside``.
    start, end : float
        [s since 1970, UTC]
    label : str
        What it says.
    own : bool
        Whether it belongs to what the chart shows; blocks of other zones are outlined.
    severity : {"stop", "act", "watch"}
        Of a finding.
    """

    row: str
    start: float
    end: float
    label: str
    own: bool = True
    severity: Literal["stop", "act", "watch"] = "watch"


@dataclass(frozen=True, slots=True)
class Chart:
    """Everything that one chart shows.

    Attributes
    ----------
    start, end, now : float
        Ends of the time axis, and the present. [s since 1970, UTC]
    panels : sequence of Panel
        From top to bottom.
    lines : dict of str to Line
        Sensor to its line.
    blocks : sequence of Block
        For the event strip.
    rows : tuple of str
        Rows of the event strip, from top to bottom.
    second : dict of str to list of Line
        Panel's title to the curves that stand beside its own.
    fit : bool
        Whether each value axis fits the readings; it stays where the description puts it otherwise.
    """

    start: float
    end: float
    now: float
    panels: Sequence[Panel]
    lines: dict[str, Line]
    blocks: Sequence[Block] = ()
    rows: tuple[str, ...] = ("run", "injection", "finding")
    second: dict[str, list[Line]] = field(default_factory=dict)
    fit: bool = False


@dataclass(frozen=True, slots=True)
class Look:
    """How a chart is shown.

    Attributes
    ----------
    units : {"metric", "us"}
        Of every axis.
    palette : Palette
        Light or dark.
    width : int
        Of the chart. [px]
    tz : zoneinfo.ZoneInfo
        The site's time zone.
    """

    units: Units
    palette: Palette
    width: int
    tz: ZoneInfo


def plain(text: str) -> str:
    """Return text that Plotly draws as it stands, without reading markup in it.

    Examples
    --------
    >>> plain("<b>5</b>")
    '&lt;b&gt;5&lt;/b&gt;'
    """
    return html.escape(text, quote=False)


def keys(chart: Chart, panel: Panel) -> list[str]:
    """Return the names in a panel's key; none where its title says it all."""
    own = [chart.lines[name].label for name in panel.sensors if name in chart.lines]
    second = [line.label for line in chart.second.get(panel.title, ())]
    named = [*own, *second, *panel.marks]
    return named if len(named) > 1 else []


def key_rows(chart: Chart, panel: Panel, width: int) -> int:
    """Return how many rows of their own a panel's names need; 0 where they stand beside its title. [-]"""
    names = keys(chart, panel)
    if width < NARROW_PX:
        alone = any(len(name) > LONG_NAME for name in names)
        return len(names) if alone else (len(names) + 1) // 2
    room = sum(len(name) * LETTER_PX + SAMPLE_PX for name in names) / (width * BESIDE_TITLE)
    return 0 if room <= 1 else int(room * BESIDE_TITLE) + 1


def title_room(chart: Chart, panel: Panel, width: int) -> int:
    """Return the room above a panel, for its title and the names that need rows of their own. [px]"""
    return TITLE_PX + KEY_PX * key_rows(chart, panel, width)


def height(chart: Chart, width: int) -> int:
    """Return the height that a chart needs. [px]"""
    panels = sum(round(PANEL_PX * p.height) + title_room(chart, p, width) for p in chart.panels)
    return panels + len(chart.rows) * STRIP_PX + AXIS_PX


def silences(line: Line, chart: Chart) -> list[tuple[float, float]]:
    """Return the stretches of the chart, up to the present, in which a sensor has no reading. [s]"""
    until = min(chart.end, chart.now)
    drawn = line.window
    if len(drawn.index) == 0:
        return [(chart.start, until)] if until > chart.start else []
    found = [(a / SECOND, b / SECOND) for a, b in gaps(drawn, line.interval)]
    edge = 3 * max(line.interval or 0, drawn.step) / SECOND
    first = (drawn.start + drawn.index[0] * drawn.step) / SECOND
    last = (drawn.start + (drawn.index[-1] + 1) * drawn.step) / SECOND
    if first - chart.start > edge:
        found.insert(0, (chart.start, first))
    if until - last > edge:
        found.append((last, until))
    return found
