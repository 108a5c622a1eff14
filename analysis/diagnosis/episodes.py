"""A zone's alarms: from when to when, how the change went, and the verdict on each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.course import courses
from analysis.diagnosis.decide import ALARM, CLEAR, verdict
from analysis.diagnosis.faults import at_flow
from analysis.diagnosis.others import odds_from_others

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.course import Course
    from analysis.diagnosis.decide import Verdict
    from analysis.diagnosis.study import Study

    Array = NDArray[np.float64]

SURE_BESIDE = 0.95
"""Probability from which a change is named that stands beside another. [-] Higher than alone, as what one may have
spilt into the other is guessed; set on invented pairs."""

LATELY = 5
"""Days whose flow is taken for the present one. [-] About the moving mean's memory."""

HOPELESS = 12.0
"""How far a way in which a change may have gone may fit worse than another and still be weighed. [log likelihood]"""


@dataclass(frozen=True, slots=True)
class Episode:
    """One alarm, from its first day to its last, and what is thought of it at its last.

    Attributes
    ----------
    first, last : int
        Days of the table.
    going : bool
        Whether it lasts to the end of the season.
    course : Course
        How the change went, up to the last day.
    judged : Verdict
        The verdict on the last day.
    """

    first: int
    last: int
    going: bool
    course: Course
    judged: Verdict


def episodes(one: Study, others: Sequence[Study] = ()) -> tuple[Episode, ...]:
    """Return a zone's alarms, each with its verdict.

    Parameters
    ----------
    one : Study
        The zone.
    others : sequence of Study
        Other zones of the same head, whose days help to tell a fault of the head from one of the zone.

    Returns
    -------
    tuple of Episode
        By time.
    """
    found: list[Episode] = []
    later: set[int] = set()
    for first, last, whole in reversed(_uncut(one)):
        told = judged(one, first, last, others)
        if not whole:
            told = tuple(e for e in told if e.judged.named and not set(e.judged.named) <= later)
            told = tuple(_only(e, later) for e in told)
        later = {i for e in told for i in e.judged.named} | (set() if whole else later)
        found = [*told, *found]
    return tuple(found)


def _uncut(one: Study) -> list[tuple[int, int, bool]]:
    """Return the alarms in stretches that no service cuts, and whether each goes to its alarm's end.

    What a service mended is told on the day before it: after it, its relations say nothing of what was.
    """
    out = []
    for first, last in spans(one.ratio):
        cuts = [int(d) for d in np.flatnonzero(one.restarts[first + 1 : last + 1].any(axis=1)) + first + 1]
        out += [(a, b - 1, False) for a, b in pairwise([first, *cuts])]
        out.append((cuts[-1] if cuts else first, last, True))
    return out


def _only(episode: Episode, later: set[int]) -> Episode:
    """Return what an alarm that a service cut said, without what still stands after the service."""
    named = tuple(i for i in episode.judged.named if i not in later)
    return replace(episode, judged=replace(episode.judged, named=named))


def judged(one: Study, first: int, last: int, others: Sequence[Study] = ()) -> tuple[Episode, ...]:
    """Return what one alarm holds, each change with its verdict on the alarm's last day.

    Parameters
    ----------
    one : Study
        The zone.
    first, last : int
        Days of its table.
    others : sequence of Study
        As for `episodes`.

    Returns
    -------
    tuple of Episode
        One, or two where two changes stand beside each other and do not name the same.
    """
    more = odds_from_others(one, last, others)
    wrong = at_flow(one.faults, one.found, _growth(one, last))
    parts = sorted(courses(one, last), key=lambda every: -max(way.gain for way in every))
    found: list[Episode] = []
    for every in parts:
        likely = max(way.case.fit for way in every)
        ways = [way for way in every if way.case.fit >= likely - HOPELESS]
        told = verdict([way.case for way in ways], wrong, more)
        if len(parts) > 1:
            told = replace(told, named=tuple(i for i in told.named if told.probability[i] >= SURE_BESIDE))
        if len(parts) > 1 and len(told.named) > 1:
            told = replace(told, named=())  # three faults at once: something that the signatures do not hold
        if found and not found[0].judged.named:
            told = replace(told, named=())  # the lesser change may be what the greater one left over
        if not found or not told.named or not set(told.named) <= set(found[0].judged.named):
            found.append(Episode(first, last, last == one.ratio.size - 1, ways[told.case], told))
    return tuple(found)


def _growth(one: Study, day: int) -> Array:
    """Return by how much the logarithm of the flow that losses are brought to reference by has grown. [-]"""
    lately = one.driver[max(day + 1 - LATELY, 0) : day + 1]
    seen = np.array([np.mean(x[np.isfinite(x)]) if np.isfinite(x).any() else np.nan for x in lately.T])
    grown = np.array([r.kind == "loss" and bool(one.at.flow) for r in one.found])
    return np.asarray(np.nan_to_num(np.where(grown, seen - np.log(one.at.flow or 1.0), 0.0)))


def spans(ratio: Array) -> list[tuple[int, int]]:
    """Return first and last day of each alarm; it ends when the ratio falls below `CLEAR`.

    Examples
    --------
    >>> spans(np.array([0.2, 1.1, 0.8, 0.1]))
    [(1, 2)]
    """
    found: list[tuple[int, int]] = []
    first = last = None
    for i, r in enumerate(ratio):
        if first is None and r > 1.0:
            first = i
        if first is not None and r > CLEAR / ALARM:
            last = i
        elif first is not None and last is not None:
            found.append((first, last))
            first = last = None
    if first is not None and last is not None:
        found.append((first, last))
    return found
