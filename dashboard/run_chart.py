"""The chart of one run's injection and clear-out: readings, water, step, threshold, the curve that tells the time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.chart import Block, Chart, plain
from dashboard.charts import chart_lines
from dashboard.display import duration, scale, share
from dashboard.figure_marks import rectangle, upright
from dashboard.panels import Panel, zone_panels
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.clearout.picture import Picture
    from analysis.results import Estimate, Run
    from dashboard.chart import Look
    from dashboard.charts import WindowsOf
    from dashboard.display import Scale
    from dashboard.wanted import Wanted
    from ingest.installation import Installation

HEIGHT = 3.0
"""Weight of the panel's height: one panel alone, and much to tell in it. [-]"""

AXIS = "y2"
"""Plotly's name of the panel's value axis; the event strip has the first."""


def run_chart(
    installation: Installation, run: Run, asked: Wanted, now: float, windows_of: WindowsOf
) -> Chart:
    """Return the readings of a run's EC cells, with the run and its injection on the strip.

    Parameters
    ----------
    installation : Installation
        The system.
    run : Run
        The run.
    asked : Wanted
        What to show.
    now : float
        The present. [s since 1970, UTC]
    windows_of : callable
        Gives the windows of some sensors.

    Returns
    -------
    Chart
        One panel; none where the zone has no EC cell.
    """
    panels = [
        Panel(
            p.title,
            p.quantity,
            p.sensors,
            target=p.target,
            target_name=p.target_name,
            height=HEIGHT,
            usual=p.usual,
            marks=(say("run.key_water"), say("run.key_readings"), say("run.key_curve")),
        )
        for p in zone_panels(installation, run.zone)
        if p.quantity == "conductivity"
    ]
    blocks = [Block("run", run.start.timestamp(), run.end.timestamp(), run.zone)]
    if run.injection is not None:
        ends = run.injection.start.timestamp(), run.injection.end.timestamp()
        blocks.append(Block("injection", *ends, run.zone))
    lines = chart_lines(installation, panels, asked, windows_of)
    return Chart(asked.start, asked.end, now, panels, lines, blocks, rows=("run", "injection"), fit=asked.fit)


def marked(
    made: dict[str, Any], told: Picture | str, estimates: Sequence[Estimate], look: Look, run: Run
) -> dict[str, Any]:
    """Return a run's figure with everything that its clear-out time was read from.

    Parameters
    ----------
    made : dict
        What `dashboard.figures.figure` gave for `run_chart`.
    told : Picture or str
        What the clear-out was read from, or why there is none.
    estimates : sequence of Estimate
        Of the run.
    look : Look
        How it is shown.
    run : Run
        The run.

    Returns
    -------
    dict
        The same figure.
    """
    if AXIS.replace("y", "yaxis") not in made["layout"]:
        return made
    _times(made, look, estimates, run)
    if not isinstance(told, str):
        _levels(made, look, told)
        made["data"] += _curves(told, look, scale("mS/cm", look.units))
    return made


def _times(made: dict[str, Any], look: Look, estimates: Sequence[Estimate], run: Run) -> None:
    """Mark the travel time and the clear-out, the latter with its interval as a band."""
    if run.injection is None:
        return
    began, ended = run.injection.start.timestamp(), run.injection.end.timestamp()
    travel = _first(estimates, "travel time")
    clear = _first(estimates, "clear-out time")
    if travel is not None and travel.value is not None:
        at = began + travel.value
        made["layout"]["shapes"].append(upright(at, look.palette.quiet))
        _write(made, look, at, 1.0, say("run.mark_travel", span=duration(travel.value)))
    if clear is not None and clear.value is not None and clear.low is not None and clear.high is not None:
        band = rectangle(
            AXIS + " domain",
            (ended + clear.low, ended + clear.high),
            (0, 1),
            look.palette.watch,
            opacity=0.25,
        )
        at = ended + clear.value
        line = upright(at, look.palette.watch)
        line["line"] = {"color": look.palette.watch, "width": 2}
        made["layout"]["shapes"] += [band, line]
        _write(made, look, at, 0.9, say("run.mark_clear", span=duration(clear.value)))


def _first(estimates: Sequence[Estimate], quantity: str) -> Estimate | None:
    return next((e for e in estimates if e.quantity == quantity and e.status == "ok"), None)


def _write(made: dict[str, Any], look: Look, at: float, height: float, words: str) -> None:
    """Write what an upright line is, beside it on the side that has room."""
    start, end = made["layout"]["xaxis"]["range"]
    if not start <= at <= end:
        return
    left = at > (start + end) / 2
    made["layout"]["annotations"].append(
        {
            "text": plain(words),
            "x": at,
            "xanchor": "right" if left else "left",
            "xshift": -4 if left else 4,
            "y": height,
            "yref": AXIS + " domain",
            "yanchor": "top",
            "showarrow": False,
            "bgcolor": look.palette.card,
            "font": {"size": 12, "color": look.palette.ink},
        }
    )


def _levels(made: dict[str, Any], look: Look, told: Picture) -> None:
    """Lay the step and the threshold across the time after the injection, each with its name."""
    until = max([*told.curve_times[-1:], *told.times[-1:], told.ended])
    for value, since, words in (
        (told.plateau, told.began, say("run.mark_plateau")),
        (told.threshold, told.ended, say("run.mark_threshold", share=share(told.level, 0))),
    ):
        made["layout"]["shapes"].append(
            {
                "type": "line",
                "xref": "x",
                "yref": AXIS,
                "x0": since,
                "x1": until,
                "y0": value,
                "y1": value,
                "line": {
                    "color": look.palette.alarm if value == told.threshold else look.palette.quiet,
                    "width": 1.5,
                    "dash": "dash",
                },
            }
        )
        made["layout"]["annotations"].append(
            {
                "text": plain(words),
                "x": until,
                "y": value,
                "yref": AXIS,
                "xanchor": "right",
                "yanchor": "bottom",
                "showarrow": False,
                "font": {"size": 11, "color": look.palette.ink},
            }
        )


def _curves(told: Picture, look: Look, to: Scale) -> list[dict[str, Any]]:
    """Return the readings that the time was read from, the water under them, and the curve through them."""
    shared = {"type": "scatter", "yaxis": AXIS, "legend": "legend2", "showlegend": True}
    seen = {
        **shared,
        "name": plain(say("run.key_readings")),
        "mode": "markers",
        "x": _listed(told.times),
        "y": _listed(told.ec * to.factor),
        "marker": {"size": 5, "symbol": "circle-open", "color": look.palette.line},
    }
    water = {
        **shared,
        "name": plain(say("run.key_water")),
        "mode": "lines",
        "x": _listed(told.times),
        "y": _listed(told.water * to.factor),
        "line": {"width": 1, "dash": "longdash", "color": look.palette.quiet},
    }
    curve = {
        **shared,
        "name": plain(say("run.key_curve")),
        "mode": "lines",
        "x": _listed(told.curve_times),
        "y": _listed(told.curve_ec * to.factor),
        "line": {"width": 3, "color": look.palette.watch},
    }
    return [water, seen, *([curve] if len(told.curve_times) else [])]


def _listed(values: np.ndarray) -> list[float]:
    """Return numbers as JSON carries them, as fine as a screen needs."""
    return [float(value) for value in np.round(values, 4)]
