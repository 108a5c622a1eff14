"""Findings about the nutrients of one run: a dose off its target, stock left in the lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.amounts import amount, reach
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Estimate
    from analysis.view import RunView

DOSE_TOLERANCE = 0.10
"""Deviation from a dose's target that is still accepted. [-] Common practice, no source."""

LARGEST_CARRY = 0.10
"""More of a run's stock than this share left in the lines is told. [-] Common practice, no source."""


def dose_findings(view: RunView, estimates: Sequence[Estimate]) -> list[Finding]:
    """Find doses off their target and stock that stayed in the lines.

    Parameters
    ----------
    view : RunView
        The run.
    estimates : sequence of Estimate
        What was estimated for it.

    Returns
    -------
    list of Finding
        ``injection off target`` for each nutrient whose whole interval lies outside its target by more than
        `DOSE_TOLERANCE`, on one side by every way; ``carry-over`` where more than `LARGEST_CARRY` of the
        stock was still in the pipes at the end. While a run goes on only too much is told: the rest may yet come.
    """
    found = []
    wanted = view.zone.target.nutrients if view.zone.target else {}
    for nutrient, target in wanted.items():
        mine = [
            e
            for e in estimates
            if e.quantity == "nutrient dose per area" and e.nutrient == nutrient and e.status == "ok"
        ]
        low, high = target * (1.0 - DOSE_TOLERANCE), target * (1.0 + DOSE_TOLERANCE)
        under = all((e.high or 0.0) < low for e in mine)
        over = all((e.low or 0.0) > high for e in mine)
        if mine and target > 0 and (over or (under and view.run.complete)):
            found.append(_off(view, mine[0], target))
    return [*found, *_carry(view, estimates)] if view.run.complete else found


def _off(view: RunView, dose: Estimate, target: float) -> Finding:
    """Return the finding of a dose off its target."""
    value = dose.value or 0.0
    deviation = value / target - 1.0
    less = deviation < 0
    return Finding(
        "injection off target",
        view.run.zone,
        dose.sensors[0] if dose.sensors else None,
        view.run.start,
        view.run.end,
        "act",
        deviation,
        "1",
        f"{dose.nutrient}: {amount(value, 'g/m2', '.3g')} (95 %: {reach(dose.low or 0.0, dose.high or 0.0, 'g/m2', '.3g')}) "
        f"against {amount(target, 'g/m2', '.3g')}, {abs(deviation):.0%} {'less' if less else 'more'}",
        (
            "the injection was too short" if less else "the injection was too long",
            "the ratio",
            "the run's water",
        ),
        f"{'Lengthen' if less else 'Shorten'} the injection in the schedule to {_share(1.0 / (1.0 + deviation))} "
        "of its time, or set the ratio; check the ratio's own estimate first.",
    )


def _share(factor: float) -> str:
    """Return a factor for a sentence."""
    return f"{factor:.0%}"


def _carry(view: RunView, estimates: Sequence[Estimate]) -> list[Finding]:
    """Return the finding of stock left in the lines, told once for all nutrients."""
    left = next((e for e in estimates if e.quantity == "nutrient carry-over" and e.value), None)
    doses = [e for e in estimates if e.quantity == "nutrient dose" and e.value and left]
    dose = next((e for e in doses if left and e.nutrient == left.nutrient), None)
    if left is None or dose is None or not dose.value or not left.value:
        return []
    share = left.value / dose.value
    if share <= LARGEST_CARRY:
        return []
    return [
        Finding(
            "carry-over",
            view.run.zone,
            None,
            view.run.start,
            view.run.end,
            "watch",
            share,
            "1",
            f"{share:.0%} of the stock was still in the zone's pipes when the run ended: {amount(left.value, 'g', '.3g')} of "
            f"{amount(dose.value, 'g', '.3g')} {left.nutrient}; {_next(view)}",
            ("the run ended too soon after the injection", "the injection began too late in the run"),
            "End the injection earlier, so that clear water follows for at least the travel time.",
        )
    ]


def _next(view: RunView) -> str:
    """Return where what was left goes."""
    lines = dict.fromkeys(pipe.shared for pipe in view.zone.main if pipe.shared)
    if not lines:
        return "it comes out first in the next run"
    named = " and ".join(f'"{name}"' for name in lines)
    return f"it comes out first in the next run, of another zone where it stands in the shared line {named}"
