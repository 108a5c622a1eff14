"""The injection fraction of one run: every way that the sensors allow, combined where they agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.injection.ec import conductivity
from analysis.injection.flow import meters
from analysis.injection.laboratory import laboratory
from analysis.injection.ways import NoWay, Way, disagreement, pooled
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.uncertainty import interval_of_log

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.view import RunView

QUANTITY = "injection fraction"

CELLS = ("mixed", "after filter", "zone", "lateral end")
"""Where conductivity tells the fraction, the nearest to the injector first."""

VAGUE = 1.0
"""An answer whose logarithm is less certain than this is none. [-] No source; a factor of seven at 95 %."""

DECAYS = (
    "a displacement tank's strength falls all through the run, so there is no single ratio; "
    "see the tank's decay, dose and litres to depletion"
)


def injection_fraction(view: RunView) -> list[Estimate]:
    """Estimate the volume fraction of stock in what the zone got during one run's injection.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        One, combined from all ways that agree; one for each way where they disagree, none of them
        averaged; or one refusal. None where the zone has no injector.

    Notes
    -----
    From the meters f holds for any stock; from EC it holds for the stock as its dilutions were made. Method
    and limits: ``docs/methods.md``, Injection fraction.

    References
    ----------
    GUM (JCGM 100:2008); combination by inverse covariance, Cox et al., Metrologia 43 (2006) S268.
    """
    if view.injector is None:
        return []
    if view.injector.kind == "displacement tank":
        return [refused(QUANTITY, "none", DECAYS)]
    if view.run.injection is None:
        return [refused(QUANTITY, "none", "no injection was found in this run")]
    found, missing = ways(view)
    return told(QUANTITY, found, missing)


def ways(view: RunView) -> tuple[list[Way], list[NoWay]]:
    """Return every way's answer, and why the others have none."""
    cells = view.sensors("conductivity", *CELLS)
    tried: list[Way | NoWay] = [meters(view), *laboratory(view)]
    for name in cells:
        answer = conductivity(view, name)
        tried.append(answer)
        if isinstance(answer, Way):
            break
    if not cells:
        tried.append(NoWay("EC", "no conductivity cell after the injection has readings"))
    return [t for t in tried if isinstance(t, Way)], [t for t in tried if isinstance(t, NoWay)]


def told(quantity: str, found: Sequence[Way], missing: Sequence[NoWay]) -> list[Estimate]:
    """Return what several ways tell: one estimate where they agree, each of them where not, or a refusal.

    Parameters
    ----------
    quantity : str
        A key of `ESTIMATE_UNITS` whose logarithm the ways give.
    found : sequence of Way
        The answers.
    missing : sequence of NoWay
        The ways without an answer.

    Returns
    -------
    list of Estimate
        At least one.
    """
    found, missing = _certain(found, missing)
    if not found:
        reason = "; ".join(dict.fromkeys(f"{one.name}: {one.reason}" for one in missing))
        names = tuple(dict.fromkeys(s for one in missing for s in one.sensors))
        tried = " and ".join(dict.fromkeys(one.name for one in missing))
        return [refused(quantity, f"{tried} tried", reason, names)]
    if disagreement(found) is not None:
        return [_estimate(quantity, one, _alone(one, found)) for one in found]
    if len(found) == 1:
        return [_estimate(quantity, found[0], found[0].method)]
    parts = ", ".join(one.words() for one in found)
    method = f"combined by inverse covariance: {'; '.join(one.method for one in found)} [{parts}]"
    return [_estimate(quantity, pooled(found, "combined", method), method)]


def _certain(found: Sequence[Way], missing: Sequence[NoWay]) -> tuple[list[Way], list[NoWay]]:
    """Return the answers that say something, and why the others do not."""
    vague = [NoWay(one.name, _vague(one.log.budget()), one.sensors) for one in found if one.log.sd > VAGUE]
    return [one for one in found if one.log.sd <= VAGUE], [*missing, *vague]


def _vague(budget: Mapping[str, float]) -> str:
    """Return why an answer says nothing, with the term that a better sensor or a longer run would shrink."""
    most = max(budget, key=lambda name: budget[name])
    return f"what is known of its readings leaves more than a factor of seven open on either side; most of it: {most}"


def _alone(one: Way, found: Sequence[Way]) -> str:
    """Return the method of a way that stands alone because others contradict it."""
    others = ", ".join(other.words() for other in found if other is not one)
    return f"{one.method}; not averaged with {others}: they disagree"


def _estimate(quantity: str, way: Way, method: str) -> Estimate:
    """Return a way's answer as an estimate."""
    value, low, high = interval_of_log(way.log)
    unit = ESTIMATE_UNITS[quantity]
    return Estimate(
        quantity, None, None, value, unit, low, high, method, way.sensors, budget=way.log.budget()
    )
