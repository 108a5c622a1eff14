"""One zone's season, looked at: its relations, their charts, and how far each day is from sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.baseline import chart
from analysis.diagnosis.decide import ALARM, masked, ratios
from analysis.diagnosis.drift import wander
from analysis.diagnosis.faults import faults
from analysis.diagnosis.network import network_of
from analysis.diagnosis.relations import operating_point, present_nodes, relations
from analysis.diagnosis.table import day_after, tabulate
from analysis.service import ends_baseline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.baseline import Chart
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


def _ratio(of: Chart, wrong: Sequence[Fault]) -> Array:
    shift, covariance = masked(of.shift, of.covariance, of.ready)
    return np.asarray(ratios(shift, covariance, wrong)[0].max(axis=1))


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
