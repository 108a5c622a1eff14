"""Findings about a run's injection: none came, or its ratio is off its target."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.amounts import amount
from analysis.findings.words import CAUSES, CAUTION, flow_words
from analysis.results import Estimate, Finding
from analysis.runs.injections import can_tell
from analysis.runs.slices import all_between
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.view import RunView
    from ingest.installation import Target

LEAST_RUN = pd.Timedelta(minutes=5)
"""A shorter run is not asked for its injection: it may be a test of the valve. No source."""


def wants_injection(target: Target | None) -> bool:
    """Return whether a zone's target means that every run should inject."""
    return target is not None and (target.ratio is not None or bool(target.nutrients))


def no_injection(view: RunView, estimates: Sequence[Estimate]) -> Sequence[Finding]:
    """Find a run that should have been fed and was not.

    Parameters
    ----------
    view : RunView
        The run.
    estimates : sequence of Estimate
        What was estimated for it.

    Returns
    -------
    list of Finding
        ``no injection`` where the zone's target asks for stock in every run, a meter or cell had readings
        that would have shown it, and none came. Nothing where no sensor could tell.
    """
    run, injector = view.run, view.injector
    during = all_between(view.series, run.start, run.end)
    witnesses = can_tell(view.installation, run.zone, during)
    short = run.end - run.start < LEAST_RUN
    if injector is None or run.injection is not None or short or not run.complete or not witnesses:
        return []
    if not wants_injection(view.zone.target):
        return []
    flow = flow_words(view)
    water = next(
        (f" ({amount(e.value, 'L')})" for e in estimates if e.quantity == "water volume" and e.value), ""
    )
    length = clock((run.end - run.start).total_seconds())
    causes = CAUSES[injector.kind]
    return [
        Finding(
            kind="no injection",
            zone=run.zone,
            sensor=witnesses[0],
            start=run.start,
            end=run.end,
            severity="act",
            value=None,
            unit=None,
            evidence=(
                f"water ran for {length}{water} and {_saw(view, witnesses[0], during)}; the target asks for "
                f"stock in every run{flow}"
            ),
            likely_causes=(causes[1], causes[0], *causes[2:]) if flow else causes,
            advice=(
                "Look at the injector while water runs, in the order given. If you wait: every run like this waters "
                f"without feed. {CAUTION}"
            ),
        )
    ]


def _saw(view: RunView, name: str, during: Mapping[str, pd.Series]) -> str:
    """Return what a witness saw instead of stock."""
    readings = during[name]
    if view.installation.sensor[name].quantity == "conductivity":
        low, high = float(readings.quantile(0.05)), float(readings.quantile(0.95))
        return f"EC at {name} stayed between {low:.3g} and {high:.3g} mS/cm"
    if view.installation.sensor[name].quantity == "volume":
        return f"{name} counted no stock"
    return f"{name} read at most {amount(float(readings.max()), 'L/h', '.3g')} of stock"


def off_target(view: RunView, estimates: Sequence[Estimate]) -> Sequence[Finding]:
    """Find a ratio away from its target.

    Parameters
    ----------
    view : RunView
        The run.
    estimates : sequence of Estimate
        What was estimated for it.

    Returns
    -------
    list of Finding
        ``injection off target``: to act on where every interval lies outside the band that the tolerance
        allows, all on one side; to watch where a value lies outside and its interval reaches in.
    """
    aim = (view.zone.target.ratio if view.zone.target else None) or (view.injector and view.injector.ratio)
    if not aim or view.injector is None:
        return []
    found = [e for e in estimates if e.quantity == "injection fraction" and e.status == "ok"]
    tolerance = view.injector.ratio_tolerance
    low, high = aim * (1.0 - tolerance), aim * (1.0 + tolerance)
    outside = [e for e in found if e.value is not None and not low <= e.value <= high]
    if not outside or len(outside) < len(found):
        return []
    sure = all((e.low or 0.0) > high for e in found) or all((e.high or 0.0) < low for e in found)
    if len(found) > 1 and not sure:
        return []  # ways that disagree are a finding of their own
    return [_off(view, found[0], aim, tolerance, sure=sure)]


def _off(view: RunView, estimate: Estimate, aim: float, tolerance: float, *, sure: bool) -> Finding:
    """Return the finding of a ratio away from its target."""
    value, low, high = (n or 0.0 for n in (estimate.value, estimate.low, estimate.high))
    deviation = value / aim - 1.0
    side = "weaker" if deviation < 0 else "stronger"
    how_sure = (
        "the whole interval lies outside"
        if sure
        else "not sure, the interval still reaches into the tolerance, so it may be the meters"
    )
    return Finding(
        "injection off target",
        view.run.zone,
        estimate.sensors[0] if estimate.sensors else None,
        view.run.injection.start if view.run.injection else view.run.start,
        view.run.injection.end if view.run.injection else view.run.end,
        "act" if sure else "watch",
        deviation,
        "1",
        f"1:{1 / value:.1f} (95 %: 1:{1 / high:.1f} to 1:{1 / max(low, 1e-12):.1f}) against 1:{1 / aim:.0f} "
        f"± {tolerance:.0%}: {abs(deviation):.1%} {side}. How sure: {how_sure}",
        _off_causes(view, weak=deviation < 0),
        "Check the setting first, then draw stock from a measuring cylinder for a timed run and compare. If you wait: "
        f"every run gives {abs(deviation):.0%} {'less' if deviation < 0 else 'more'} feed than is wanted. {CAUTION}"
        if sure
        else "Watch the next runs; if they stay on the same side, check the setting and the meters.",
    )


def _off_causes(view: RunView, *, weak: bool) -> tuple[str, ...]:
    """Return why a ratio is off, in the order to check."""
    flow = ("flow outside the injector's working range",) if flow_words(view) else ()
    if weak:
        return (
            "the injector's setting",
            *flow,
            "a strainer that plugs, or air in the suction line",
            "worn seals or check valves of the injector",
            "the stock made too weak, where only EC tells",
        )
    return ("the injector's setting", *flow, "the stock made too strong, where only EC tells", "a meter off")
