"""What is drawn under and over the lines: the event strip, target bands, limits, silences, clock changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard import timeaxis
from dashboard.chart import LETTER_PX, NARROW_PX, Block, Chart, Line, Look, plain, silences
from dashboard.figure_frame import Place, inner
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.display import Scale
    from dashboard.panels import Panel

_MARK = 0.16
"""Share of a panel's height that the mark of one silent sensor takes. [-]"""

_SYMBOLS = {"stop": "octagon", "act": "triangle-up", "watch": "diamond-open"}
"""Shape of a finding on the event strip, by severity; the same shapes as in the lists."""

BELOW = 0.02
"""Share of an axis by which a reading may lie under it unsaid: noise around zero. [-] No source."""


def strip(
    chart: Chart, look: Look, layout: dict[str, Any], pixels: tuple[int, int, int]
) -> list[dict[str, Any]]:
    """Lay the event strip on top: a row each for runs, injections and findings."""
    start, end, total = pixels
    rows = list(chart.rows)
    layout["yaxis"] = {
        "domain": [1 - end / inner(total), 1 - start / inner(total)],
        "range": [len(rows) - 0.5, -0.5],
        "tickvals": list(range(len(rows))),
        "ticktext": [plain(say(f"strip.{row}")) for row in rows],
        "tickfont": {"size": 11 if look.width < NARROW_PX else 12, "color": look.palette.ink},
        "fixedrange": True,
        "showgrid": False,
        "zeroline": False,
        "automargin": False,
    }
    for block in chart.blocks:
        if block.row != "finding":
            layout["shapes"] += _block(block, rows.index(block.row), look)
    layout["shapes"] += [
        {**upright(at, look.palette.quiet), "name": text}
        for at, text in timeaxis.clock_changes(chart.start, chart.end, look.tz)
    ]
    layout["annotations"] += [
        {"x": at, "y": 1, "yref": "paper", "yanchor": "bottom", "showarrow": False, "text": plain(text)}
        for at, text in timeaxis.clock_changes(chart.start, chart.end, look.tz)
    ]
    return _findings(chart, rows.index("finding") if "finding" in rows else 0, look)


def _block(block: Block, row: int, look: Look) -> list[dict[str, Any]]:
    """Return the shapes of a run, an injection, or what a chart is held against."""
    colour = {"run": look.palette.run, "injection": look.palette.injection, "beside": look.palette.edge}[
        block.row
    ]
    across = (block.start, block.end)
    shape = rectangle("y", across, (row - 0.32, row + 0.32), colour)
    if not block.own:
        return [{**shape, "fillcolor": "rgba(0,0,0,0)", "line": {"width": 1.2, "color": colour}}]
    if block.row == "injection":
        return [shape, rectangle("paper", across, (0, 1), look.palette.gap, opacity=0.45)]
    return [shape]


def _findings(chart: Chart, row: int, look: Look) -> list[dict[str, Any]]:
    """Return the marks of the findings, each at its begin."""
    found = [block for block in chart.blocks if block.row == "finding"]
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "name": say("strip.finding"),
            "showlegend": False,
            "x": [block.start for block in found] or [None],
            "y": [row] * len(found) or [None],
            "text": [plain(block.label) for block in found] or [None],
            "marker": {
                "symbol": [_SYMBOLS[block.severity] for block in found],
                "size": 13,
                "color": [
                    look.palette.watch if block.severity == "watch" else look.palette.alarm for block in found
                ],
            },
            "cliponaxis": False,
            "yaxis": "y",
        }
    ]


def rectangle(
    axis: str, across: tuple[float, float], along: tuple[float, float], colour: str, *, opacity: float = 1.0
) -> dict[str, Any]:
    """Return a filled block between two times; `along` is in the units of `axis`."""
    return {
        "type": "rect",
        "xref": "x",
        "yref": axis,
        "x0": across[0],
        "x1": across[1],
        "y0": along[0],
        "y1": along[1],
        "fillcolor": colour,
        "opacity": opacity,
        "line": {"width": 0},
        "layer": "below",
    }


def upright(at: float, colour: str) -> dict[str, Any]:
    """Return a dotted line across all panels at one time."""
    line = {"color": colour, "width": 1, "dash": "dot"}
    return {"type": "line", "xref": "x", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": 1, "line": line}


def bands(layout: dict[str, Any], place: Place, look: Look, panel: Panel, scale: Scale) -> None:
    """Lay the target band, with dotted edges, and the limit under the lines of one panel."""
    if panel.target is not None:
        low, high = (value * scale.factor + scale.offset for value in panel.target)
        band = rectangle(place.axis, (0, 1), (low, high), look.palette.target)
        layout["shapes"].append({**band, "xref": "x domain"})
        layout["shapes"] += [_level(place, at, look.palette.quiet, "dot", 1.0) for at in (low, high)]
        _level_name(layout, place, look, panel.target_name, high)
    if panel.limit is not None:
        at = panel.limit * scale.factor + scale.offset
        layout["shapes"].append(_level(place, at, look.palette.alarm, "dash", 1.5))
        _level_name(layout, place, look, panel.limit_name, at)


def _level_name(layout: dict[str, Any], place: Place, look: Look, name: str, at: float) -> None:
    """Write what a level is, under it at the right."""
    layout["annotations"].append(
        {
            "text": plain(name),
            "x": 1,
            "xref": "x domain",
            "xanchor": "right",
            "y": min(at, layout[f"yaxis{place.number}"]["range"][1]),
            "yref": place.axis,
            "yanchor": "top",
            "showarrow": False,
            "font": {"size": 11, "color": look.palette.quiet},
        }
    )


def _level(place: Place, at: float, colour: str, dash: str, width: float) -> dict[str, Any]:
    """Return a line across one panel at one value."""
    line = {"color": colour, "width": width, "dash": dash}
    ends = {"x0": 0, "x1": 1, "y0": at, "y1": at}
    return {"type": "line", "xref": "x domain", "yref": place.axis, "layer": "below", "line": line, **ends}


def beyond(layout: dict[str, Any], place: Place, look: Look, lines: Sequence[Line], scale: Scale) -> None:
    """Say at the edge of a panel how far readings go beyond its value axis: none leaves it in silence."""
    bottom, top = layout[f"yaxis{place.number}"]["range"]
    lows = [float(line.window.low.min()) for line in lines if len(line.window.index)]
    highs = [float(line.window.high.max()) for line in lines if len(line.window.index)]
    told = []
    if highs and max(highs) * scale.factor + scale.offset > top:
        told.append((top, "top", say("chart.above_axis", value=scale.text(max(highs)))))
    if lows and min(lows) * scale.factor + scale.offset < bottom - BELOW * (top - bottom):
        told.append((bottom, "bottom", say("chart.below_axis", value=scale.text(min(lows)))))
    layout["annotations"] += [
        {
            "text": f"<b>{plain(words)}</b>",
            "x": 0,
            "xref": "x domain",
            "xanchor": "left",
            "y": at,
            "yref": place.axis,
            "yanchor": anchor,
            "showarrow": False,
            "font": {"size": 11, "color": look.palette.alarm},
            "bgcolor": look.palette.card,
        }
        for at, anchor, words in told
    ]


def shade_silences(
    chart: Chart, layout: dict[str, Any], place: Place, look: Look, lines: Sequence[Line]
) -> None:
    """Shade where no sensor of the panel has a reading, and mark where one of several has none."""
    if not lines:
        return
    empty = {line.label: silences(line, chart) for line in lines}
    shared = _common(list(empty.values()))
    for span in shared:
        _silence(chart, layout, place, look, span, (0.0, 1.0), say("chart.no_reading"))
    row = 0
    for label, spans in empty.items():
        alone = [span for span in spans if not any(a <= span[0] and span[1] <= b for a, b in shared)]
        top = 1 - row * _MARK
        for span in alone:
            _silence(
                chart, layout, place, look, span, (top - _MARK, top), say("chart.no_reading_of", sensor=label)
            )
        row += bool(alone)


def _silence(
    chart: Chart,
    layout: dict[str, Any],
    place: Place,
    look: Look,
    span: tuple[float, float],
    part: tuple[float, float],
    words: str,
) -> None:
    """Shade one stretch over a part of a panel's height, with words where they have room."""
    axis = place.axis + " domain"
    edge = {"width": 1, "dash": "dot", "color": look.palette.edge}
    layout["shapes"].append({**rectangle(axis, span, part, look.palette.gap), "line": edge})
    start, end = max(span[0], chart.start), min(span[1], chart.end)
    room = (end - start) / (chart.end - chart.start) * look.width
    beside = room < LETTER_PX * len(words)
    if beside and part == (0.0, 1.0):
        return
    after = end + (chart.end - chart.start) * 0.3 < chart.end
    layout["annotations"].append(
        {
            "text": plain(words),
            "x": (end if after else start) if beside else (start + end) / 2,
            "xanchor": ("left" if after else "right") if beside else "center",
            "y": (part[0] + part[1]) / 2,
            "yref": axis,
            "yanchor": "middle",
            "showarrow": False,
            "font": {
                "size": 11,
                "color": look.palette.ink,
            },
        }
    )


def _common(sets: Sequence[Sequence[tuple[float, float]]]) -> list[tuple[float, float]]:
    """Return the stretches that all sets share."""
    shared = list(sets[0])
    for other in sets[1:]:
        shared = [(max(a, c), min(b, d)) for a, b in shared for c, d in other if min(b, d) > max(a, c)]
    return shared
