"""The frame of a chart: grounds, the one time axis, a value axis, a title and a key for each panel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dashboard import timeaxis
from dashboard.chart import AXIS_PX, KEY_PX, NARROW_PX, Chart, Line, Look, plain
from dashboard.display import Scale, zone_name
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.panels import Panel

TICK_PX = 84
"""Room for one label of the time axis. [px]"""


@dataclass(frozen=True, slots=True)
class Place:
    """A panel's number and its share of the height. [-]"""

    number: int
    bottom: float
    top: float

    @property
    def axis(self) -> str:
        """Plotly's name of the panel's value axis."""
        return f"y{self.number}"


def inner(total: int) -> int:
    """Return the height above the time axis, of which panels take their shares. [px]"""
    return total - AXIS_PX


def base(chart: Chart, look: Look, total: int) -> dict[str, Any]:
    """Return the layout that every chart shares: grounds, fonts and the one time axis."""
    narrow = look.width < NARROW_PX
    margins = (44, 8) if narrow else (64, 16)
    most = max(2, (look.width - sum(margins)) // TICK_PX)
    wide = chart.end - chart.start
    marks = timeaxis.ticks(chart.start, chart.end, look.tz, most)
    ink = look.palette.ink
    zone = zone_name(pd.Timestamp(chart.end, unit="s", tz="UTC"), look.tz)
    return {
        "height": total,
        "margin": {"l": margins[0], "r": margins[1], "t": 0, "b": AXIS_PX},
        "paper_bgcolor": look.palette.card,
        "plot_bgcolor": look.palette.plot,
        "font": {"family": "system-ui, 'DejaVu Sans', sans-serif", "size": 13, "color": ink},
        "showlegend": True,
        "hovermode": False,
        "dragmode": False if narrow else "zoom",
        "uirevision": "chart",
        "shapes": [],
        "annotations": [],
        "xaxis": {
            "range": [chart.start, chart.end],
            "tickvals": [at for at, _ in marks],
            "ticktext": [text for _, text in marks],
            "tickfont": {"color": ink, "size": 12},
            "title": {
                "text": plain(say("chart.axis_short" if narrow else "chart.axis", zone=zone)),
                "font": {"size": 12, "color": look.palette.quiet},
                "standoff": 4,
            },
            "anchor": f"y{len(chart.panels) + 1}",
            "gridcolor": look.palette.rule,
            "zeroline": False,
            "ticks": "outside",
            "tickcolor": look.palette.edge,
            "automargin": False,
            "minallowed": chart.start - 20 * wide,
        },
    }


def value_axis(place: Place, look: Look, ends: tuple[float, float]) -> dict[str, Any]:
    """Return the value axis of one panel."""
    return {
        "domain": [place.bottom, place.top],
        "range": list(ends),
        "fixedrange": True,
        "nticks": 5,
        "gridcolor": look.palette.rule,
        "tickfont": {"size": 11 if look.width < NARROW_PX else 12, "color": look.palette.ink},
        "zeroline": False,
        "automargin": False,
        "separatethousands": False,
    }


def title(layout: dict[str, Any], place: Place, look: Look, panel: Panel, scale: Scale, *, rows: int) -> None:
    """Write what a panel shows, and in which unit, at the left above it."""
    unit = "" if scale.unit == "1" else f" [{scale.unit}]"
    fits = "" if panel.usual is not None else f", {say('chart.axis_fits')}"
    lifted = 2 + KEY_PX * rows
    layout["annotations"].append(
        {
            "text": f"<b>{plain(panel.title)}</b>{plain(unit + fits)}",
            "x": 0,
            "xref": "paper",
            "xanchor": "left",
            "y": place.top,
            "yref": "paper",
            "yanchor": "bottom",
            "yshift": lifted,
            "showarrow": False,
            "font": {"size": 13, "color": look.palette.ink},
        }
    )


def legend(place: Place, look: Look) -> dict[str, Any]:
    """Return the key of one panel: line patterns and their names, at the right above the panel."""
    return {
        "orientation": "h",
        "x": 0 if look.width < NARROW_PX else 1,
        "xanchor": "left" if look.width < NARROW_PX else "right",
        "y": place.top,
        "yanchor": "bottom",
        "bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 11 if look.width < NARROW_PX else 12, "color": look.palette.ink},
        "itemclick": False,
        "itemdoubleclick": False,
    }


def value_range(panel: Panel, lines: Sequence[Line], scale: Scale, *, fit: bool) -> tuple[float, float]:
    """Return round ends of a value axis: what the description says, or what holds the readings and the target."""
    if panel.usual is not None and not fit:
        low, high = (end * scale.factor + scale.offset for end in panel.usual)
        return round_ends(low, high, air=0.0)
    seen = [
        v for line in lines if len(line.window.index) for v in (line.window.low.min(), line.window.high.max())
    ]
    if panel.quantity in {"flow", "pressure", "level", "conductivity", "concentration"}:
        seen.append(0.0)
    if panel.target is not None and panel.quantity == "conductivity":
        seen += [panel.target[1]]
    if panel.limit is not None:
        seen.append(panel.limit)
    low, high = (min(seen), max(seen)) if seen else (0.0, 1.0)
    return round_ends(low * scale.factor + scale.offset, high * scale.factor + scale.offset)


def round_ends(low: float, high: float, *, air: float = 0.02) -> tuple[float, float]:
    """Return round ends of an axis around two values, with a little air above: a share of their distance.

    Examples
    --------
    >>> round_ends(0, 812)
    (0.0, 1000.0)
    """
    span = (high - low) or max(abs(high), 1.0)
    step = 10 ** np.floor(np.log10(span / 2))
    step = next(float(step * n) for n in (1, 2, 5, 10) if span / (step * n) <= 5)  # noqa: PLR2004 - five rules at most
    bottom = float(np.floor((low + 0.02 * span) / step) * step)
    top = float(np.ceil((high + air * span) / step - 1e-9) * step)
    return bottom, top
