"""The injection fraction of one run: every way that the sensors allow, combined where they agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.injection_ec import conductivity
from analysis.injection_flow import meters
from analysis.injection_ways import NoWay, Way
from analysis.results import Estimate, refused
from analysis.uncertainty import COVERAGE_FACTOR, Uncertain, combine, interval_of_log, linear

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "injection fraction"

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
    """
    if view.injector is None:
        return []
    if view.injector.kind == "displacement tank":
        return [refused(QUANTITY, "none", DECAYS).of(view.run.zone, view.run.start)]
    if view.run.injection is None:
        reason = "no injection was found in this run"
        return [refused(QUANTITY, "none", reason).of(view.run.zone, view.run.start)]
    found, missing = ways(view)
    if not found:
        reason = "; ".join(f"{one.name}: {one.reason}" for one in missing)
        names = tuple(dict.fromkeys(s for one in missing for s in one.sensors))
        return [refused(QUANTITY, "EC and meters tried", reason, names).of(view.run.zone, view.run.start)]
    if disagreement(found) is not None:
        return [_estimate(view, [one], note=_other_words(one, found)) for one in found]
    return [_estimate(view, found, note="")]


def ways(view: RunView) -> tuple[list[Way], list[NoWay]]:
    """Return every way's answer, and why the others have none."""
    cells = view.sensors("conductivity", "mixed", "after filter", "zone", "lateral end")
    tried: list[Way | NoWay] = [meters(view)]
    for name in cells:
        answer = conductivity(view, name)
        tried.append(answer)
        if isinstance(answer, Way):
            break
    if not cells:
        tried.append(NoWay("EC", "no conductivity cell after the injection has readings"))
    return [t for t in tried if isinstance(t, Way)], [t for t in tried if isinstance(t, NoWay)]


def disagreement(found: Sequence[Way]) -> tuple[Way, Way, float] | None:
    """Return the first two ways whose 95 % intervals do not meet, with the gap of their logarithms."""
    for i, one in enumerate(found):
        for other in found[i + 1 :]:
            gap = linear([1.0, -1.0], [one.log_fraction, other.log_fraction]).value
            if abs(gap) > COVERAGE_FACTOR * (one.log_fraction.sd + other.log_fraction.sd):
                return one, other, gap
    return None


def _other_words(one: Way, found: Sequence[Way]) -> str:
    """Return what the other ways say, for a method that stands alone."""
    others = ", ".join(other.words() for other in found if other is not one)
    return f"; not averaged with {others}, which disagrees"


def _estimate(view: RunView, found: Sequence[Way], *, note: str) -> Estimate:
    """Return one estimate from ways that agree."""
    mean: Uncertain = combine([one.log_fraction for one in found])
    value, low, high = interval_of_log(mean)
    method = " and ".join(one.method for one in found)
    if len(found) > 1:
        parts = ", ".join(one.words() for one in found)
        method = f"combined by inverse covariance: {method} [{parts}]"
    names = tuple(dict.fromkeys(s for one in found for s in one.sensors))
    return Estimate(
        QUANTITY,
        view.run.zone,
        view.run.start,
        value,
        "1",
        low,
        high,
        method + note,
        names,
        budget=mean.budget(),
    )
