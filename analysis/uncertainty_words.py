"""What would make an interval narrower: one sentence for each term of an uncertainty budget."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from analysis.uncertainty import EACH_RUN

if TYPE_CHECKING:
    from collections.abc import Mapping

MENDS: Mapping[str, str] = MappingProxyType(
    {
        "meter gain": "calibrate this meter against a known volume or a standard solution, or state its accuracy",
        "meter repeatability": "more runs average it away",
        "counts and their timing": "a register with more pulses a litre, or readings more often",
        "gaps": "find out why readings are missing",
        "dilutions as made and measured": "make the dilutions again with better glassware and a checked meter",
        "single dilutions": "add dilutions between and around those that there are",
        "shape of the dilution curve": "add a dilution on each side of the working ratio",
        "source water unlike the dilutions'": "make the dilutions again in today's source water",
        "temperature coefficient": "measure one dilution warm and cold and state the stock's own coefficient",
        "temperature coefficient changing with strength": "make the dilutions at the water's temperature",
        "thermometer": "check the thermometer in an ice bath and against a good one",
        "cell repeatability": "clean the cell; more runs average it away",
        "scatter of EC": "a longer injection, or a better mixed sampling point",
        "source water reading": "run clear water longer before the injection",
        "unseen drift of the source water": "add a conductivity cell before the injection",
        "timing of the fronts": "readings more often, or a longer injection",
        "stock strength": "have the stock analysed, or weigh in more exactly and state its accuracy",
        "response time": "state the cell's own response time, measured by dipping it",
        "delay from the tank": "place the cell nearer to the tank",
        "reading before and after": "a narrower stock tank, or a finer level sensor",
        "tank's cross-section or stock's density": "measure the tank by filling it with known volumes",
        "pipes as described": "measure the bores and lengths of the pipes",
        "source water sample": "sample the source water more often",
        "scatter of samples": "more samples during the plateau",
    }
)
"""Term to what would shrink it; common practice."""


def mend(label: str) -> str | None:
    """Return what would make a term of a budget smaller.

    Parameters
    ----------
    label : str
        A key of an estimate's budget.

    Returns
    -------
    str or None
        A sentence without its full stop; None where nothing is known.

    Examples
    --------
    >>> mend("thermometer (mixed_temperature)")
    'check the thermometer in an ice bath and against a good one'
    """
    name = label.removesuffix(EACH_RUN)
    if name in MENDS:
        return MENDS[name]
    return MENDS.get(name.partition(" (")[0])


def narrower(budget: Mapping[str, float], *, least: float = 0.2) -> list[str]:
    """Return what would make an interval narrower, for every term that makes much of it.

    Parameters
    ----------
    budget : mapping of str to float
        Term to its share of the variance, the largest first. [-]
    least : float
        Terms with a smaller share are left out. [-]

    Returns
    -------
    list of str
        "term, share: what to do", the largest first.

    Examples
    --------
    >>> narrower({"meter gain (main)": 0.7, "gaps (main)": 0.1})[0][:39]
    'meter gain (main), 70 %: calibrate this'
    """
    found = []
    for label, share in budget.items():
        advice = mend(label)
        if share >= least and advice:
            found.append(f"{label}, {100 * share:.0f} %: {advice}")
    return found
