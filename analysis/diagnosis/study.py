"""What changed in a zone over a season, and why: relations, their charts, alarms and the verdict on each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.baseline import chart
from analysis.diagnosis.course import courses
from analysis.diagnosis.decide import ALARM, CLEAR, masked, ratios, verdict
from analysis.diagnosis.drift import wander
from analysis.diagnosis.faults import at_flow, faults
from analysis.diagnosis.network import network_of
from analysis.diagnosis.others import odds_from_others
from analysis.diagnosis.relations import operating_point, present_nodes, relations
from analysis.diagnosis.table import day_after, tabulate
from analysis.service import ends_baseline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.baseline import Chart
    from analysis.diagnosis.course import Course
    from analysis.diagnosis.decide import Verdict
    from analysis.diagnosis.drift import Wander
    from analysis.diagnosis.faults import Fault
    from analysis.diagnosis.network import Network
    from analysis.diagnosis.relations import Operating, Relation
    from analysis.diagnosis.table import Table
    from analysis.service import Service
    from analysis.view import SeasonView
    from ingest.installation import Installation

    Array = NDArray[np.float64]

QUICK = 0.35
"""Weight of the newest day in the mean that sees large changes soon. [1/d] Its lag is two days."""

QUICK_ALARM = 22.0
"""Likelihood ratio of the quick mean above which something has changed. [twice the log] As `ALARM`, higher
because it is noisier."""


LATELY = 5
"""Days whose flow is taken for the present one. [-] About the moving mean's memory."""

HOPELESS = 12.0
"""How far a way in which a change may have gone may fit worse than another and still be weighed. [log likelihood]"""


@dataclass(frozen=True, slots=True)
class Study:
    """One zone's season, looked at.

    Attributes
    ----------
    zone : str
        The zone.
    network, table, at, found, faults
        Its row of elements, its days, where it works, its relations and what may be wrong with it.
    usual : Wander
        What a healthy zone may do.
    series, driver : ndarray
        The relations, and the logarithm of what each is normalised by; shape (days, relations).
    restarts : ndarray of bool
        True where a service ends a relation's baseline, shape as `series`.
    slow, quick : Chart
        Moving means with long and short memory.
    ratio : ndarray
        Largest likelihood ratio of each day, slow and quick each as a share of its alarm. [-]
    """

    zone: str
    network: Network
    table: Table
    at: Operating
    found: tuple[Relation, ...]
    faults: tuple[Fault, ...]
    usual: Wander
    series: Array
    driver: Array
    restarts: NDArray[np.bool_]
    slow: Chart
    quick: Chart
    ratio: Array


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


def study(
    installation: Installation, season: SeasonView, zone: str, services: Sequence[Service] = ()
) -> Study | None:
    """Look at one zone's season.

    Parameters
    ----------
    installation : Installation
        The system.
    season : SeasonView
        The season.
    zone : str
        The zone.
    services : sequence of Service
        What people did.

    Returns
    -------
    Study or None
        None where no run left a flow or a pressure that says anything.
    """
    table = tabulate(season.features, zone)
    if table is None:
        return None
    network = network_of(installation, zone)
    at = operating_point(network, table.columns)
    found = relations(network, table.columns, at)
    wrong = faults(network, found, at) if found else ()
    if not wrong:
        return None
    series = np.stack([relation.series for relation in found], axis=1)
    warmth = table.columns.get(f"temperature:{network.thermometer}", np.full(table.days.size, np.nan))
    usual = wander(network, found)
    restarts = _restarts(services, zone, table, found)
    driver = _drivers(network, table, at, found)
    slow, quick = (
        chart(series, table.days, warmth, driver, usual, restarts, **more) for more in ({}, {"memory": QUICK})
    )
    ratio = np.maximum(_ratio(slow, wrong) / ALARM, _ratio(quick, wrong) / QUICK_ALARM)
    return Study(zone, network, table, at, found, wrong, usual, series, driver, restarts, slow, quick, ratio)


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
        ways = [way for way in every if way.case.fit > likely - HOPELESS]
        told = verdict([way.case for way in ways], wrong, more)
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


def _ratio(of: Chart, wrong: Sequence[Fault]) -> Array:
    shift, covariance = masked(of.shift, of.covariance, of.ready)
    return np.asarray(ratios(shift, covariance, wrong)[0].max(axis=1))


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


def _restarts(
    services: Sequence[Service], zone: str, table: Table, found: Sequence[Relation]
) -> NDArray[np.bool_]:
    """Return where a service since the day before ends a relation's baseline."""
    out = np.zeros((table.days.size, len(found)), dtype=bool)
    for service in services:
        day = day_after(table, service.time)
        if day < table.days.size:
            out[day] |= [ends_baseline(service, zone, relation) for relation in found]
    out[0] = False
    return out


def _drivers(network: Network, table: Table, at: Operating, found: Sequence[Relation]) -> Array:
    """Return the logarithm of what each relation is normalised by: pressure for flow, flow for losses."""
    nodes = present_nodes(network, table.columns)
    nought = np.zeros(table.days.size)
    pressure = np.log(np.maximum(table.columns[f"pressure:{nodes[-1].sensor}"], 1.0)) if nodes else nought
    meters = [m for m in network.meters if f"flow:{m.sensor}" in table.columns]
    flow = (
        np.log(np.maximum(table.columns[f"flow:{meters[0].sensor}"], 1e-3)) if meters and at.flow else nought
    )
    by_kind = {"flow": pressure, "loss": flow}
    return np.stack([by_kind.get(relation.kind, nought) for relation in found], axis=1)
