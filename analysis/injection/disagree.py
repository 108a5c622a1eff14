"""EC and meters contradict each other: which is likelier at fault, and what check decides."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.injection.fraction import CELLS, ways
from analysis.injection.signal import Signal, signal
from analysis.injection.volume import stock_ways
from analysis.injection.ways import Way, disagreement, gain_term
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.view import RunView

MATCH_SD = 0.015
"""Standard deviation of two sound cells' ratio on one water, where they state no accuracy. [-] No source."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that can be wrong.

    Attributes
    ----------
    name : str
        In words.
    kind : str
        Kind of the finding.
    weight : float
        How often it is the cause, before looking. [-] Judgement, no source.
    size : float
        Its usual relative size, one standard deviation. [-] Judgement, no source.
    shows : mapping of str to float
        Witness to what a relative error of one does to it.
    check : str
        What decides.
    """

    name: str
    kind: str
    weight: float
    size: float
    shows: Mapping[str, float]
    check: str


CAUSES = (
    Cause(
        "the stock is not as strong as when its dilutions were made",
        "stock strength",
        0.45,
        0.15,
        {"EC over meters": 1.0},
        "make one dilution of today's stock with a cylinder and compare its EC with the dilution curve",
    ),
    Cause(
        "the conductivity cell after the injection reads wrong",
        "sensor fault",
        0.25,
        0.10,
        {"EC over meters": 1.05, "cells on source water": 1.0},
        "read the cell in a standard solution, clean it and read again",
    ),
    Cause(
        "the stock meter reads wrong",
        "sensor fault",
        0.20,
        0.10,
        {"EC over meters": -1.0, "tank over meter": -1.0},
        "let the injector draw from a measuring cylinder for a timed run and compare with the stock meter",
    ),
    Cause(
        "the main meter reads wrong",
        "sensor fault",
        0.10,
        0.10,
        {"EC over meters": 1.0},
        "run water into a vessel of known volume and compare with the main meter",
    ),
)
"""What makes EC and meters contradict each other."""


def disagreements(view: RunView) -> list[Finding]:
    """Find a run whose ways to the fraction contradict each other beyond their intervals.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Finding
        One ``stock strength`` or ``sensor fault``, whichever is likelier; its likely causes stand in order.

    Notes
    -----
    Two sound ways contradict each other so in about 0.6 % of the runs, and then in every run of that system,
    because meter gains last.

    References
    ----------
    Causes are weighed by Bayes' rule with Gaussian sizes: Gelman et al., Bayesian Data Analysis, 3rd ed.
    (2013), section 7.4.
    """
    if view.injector is None or view.injector.kind == "displacement tank" or view.run.injection is None:
        return []
    found, _ = ways(view)
    apart = disagreement(found)
    if apart is None:
        return []
    by_name = {way.name: way for way in found}
    if not {"EC", "meters"} <= by_name.keys():
        return []
    ec, flow = by_name["EC"], by_name["meters"]
    told = _witnesses(view, ec, flow)
    chances = likelihoods(told, CAUSES)
    ranked = sorted(zip(chances, CAUSES, strict=True), key=lambda pair: -pair[0])
    return [_finding(view, ec, flow, ranked, told)]


def _witnesses(view: RunView, ec: Way, flow: Way) -> dict[str, tuple[float, float]]:
    """Return what can tell the causes apart: name to value and standard uncertainty. [-]"""
    gap = ec.log.value - flow.log.value
    told = {"EC over meters": (gap, math.hypot(ec.log.sd, flow.log.sd))}
    seen = next(
        (s for s in (signal(view, n) for n in view.sensors("conductivity", *CELLS)) if isinstance(s, Signal)),
        None,
    )
    if seen is not None and seen.ground.gain is not None:
        limits = [
            gain_term(view.installation, n, 1.0)[1] for n in (seen.mixed.name, seen.ground.source or "") if n
        ]
        told["cells on source water"] = (math.log(seen.ground.gain), max(math.hypot(*limits), MATCH_SD))
    litres = {way.name: way for way in stock_ways(view)[0]}
    if {"stock tank", "stock meter"} <= litres.keys():
        tank, meter = litres["stock tank"].log, litres["stock meter"].log
        told["tank over meter"] = (tank.value - meter.value, math.hypot(tank.sd, meter.sd))
    return told


def likelihoods(told: Mapping[str, tuple[float, float]], causes: Sequence[Cause]) -> list[float]:
    """Return how likely each cause is, given what the witnesses say.

    Parameters
    ----------
    told : mapping
        Witness to value and standard uncertainty, relative. [-]
    causes : sequence of Cause
        What can be wrong, one at a time.

    Returns
    -------
    list of float
        One for each cause, sum 1. [-]

    References
    ----------
    Bayes' rule; a cause of unknown size s adds (size)^2 s s' to the witnesses' covariance.

    Examples
    --------
    >>> alike = {"EC over meters": (0.1, 0.02), "cells on source water": (0.09, 0.015)}
    >>> chances = likelihoods(alike, CAUSES)
    >>> CAUSES[chances.index(max(chances))].name
    'the conductivity cell after the injection reads wrong'
    """
    names = list(told)
    values = np.array([told[name][0] for name in names])
    own = np.diag([told[name][1] ** 2 for name in names])
    chances = []
    for cause in causes:
        shape = np.array([cause.shows.get(name, 0.0) for name in names]) * cause.size
        covariance = own + np.outer(shape, shape)
        sign, logdet = np.linalg.slogdet(covariance)
        misfit = float(values @ np.linalg.solve(covariance, values))
        chances.append(math.log(cause.weight) - 0.5 * (misfit + float(logdet)) * float(sign))
    top = max(chances)
    raw = [math.exp(c - top) for c in chances]
    return [r / sum(raw) for r in raw]


def _finding(
    view: RunView,
    ec: Way,
    flow: Way,
    ranked: Sequence[tuple[float, Cause]],
    told: Mapping[str, tuple[float, float]],
) -> Finding:
    """Return the finding, its causes in order of likelihood."""
    gap = math.expm1(told["EC over meters"][0])
    others = "; ".join(
        f"{name} {value:+.1%} (± {1.96 * sd:.1%})" for name, (value, sd) in list(told.items())[1:]
    )
    chance, first = ranked[0]
    by_stock = first.kind == "stock strength"
    return Finding(
        first.kind,
        view.run.zone,
        None if by_stock else (ec.sensors[0] if "cell" in first.name else _meter(first, flow)),
        flow.window.start,
        flow.window.end,
        "act",
        gap,
        "1",
        f"{ec.words()} against {flow.words()}: EC tells {gap:+.1%} more stock than the meters, beyond both intervals"
        + (f"; {others}" if others else ""),
        tuple(f"{cause.name} ({c:.0%})" for c, cause in ranked),
        f"Likelier: {first.name} ({chance:.0%}). To decide, {first.check}; then {ranked[1][1].check}.",
    )


def _meter(cause: Cause, flow: Way) -> str:
    """Return the meter that a cause is about: the stock meter stands first in the way's sensors."""
    return flow.sensors[0] if "stock" in cause.name else flow.sensors[-1]
