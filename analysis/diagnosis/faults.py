"""What each fault does to the relations of a zone: its signature, from the hydraulics of the row of elements.

A fault changes the true flow and pressures, or what a sensor shows of them; both are followed to first
order through the losses, the regulator and the emitters to the channels, and from there to the relations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.hydraulics import PLACE_SPREAD, UNEVEN, Row, changes, drooped, leak, pipe, row_of
from analysis.diagnosis.network import EXPONENTS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.network import Network
    from analysis.diagnosis.relations import Operating, Relation

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that may be wrong.

    Attributes
    ----------
    kind : str
        The finding that it would be.
    what : str
        The same in words, with its place.
    sensor : str or None
        The sensor that would be wrong.
    shared : bool
        Whether other zones see the same fault.
    signature : ndarray
        Change of each relation for a fault of size one. [as the relation]
    spread : ndarray
        Directions in which the signature itself is unsure, one standard deviation each; shape
        (directions, relations).
    curved : ndarray
        How far a large change bends away from the signature, as a share of its square. [-]
    scale : float
        Size that would not surprise. [-] or [kPa]
    least : float
        Size below which it does not matter. [-] or [kPa]
    one_sided : bool
        Whether only positive sizes make sense.
    prior : float
        How often it is the cause, beside the others. [-]
    """

    kind: str
    what: str
    sensor: str | None
    shared: bool
    signature: Array
    spread: Array
    curved: Array
    scale: float
    least: float
    one_sided: bool
    prior: float


PRIORS = {
    "emitter clogging": 0.25,
    "filter clogging": 0.25,
    "leak": 0.15,
    "pressure regulation": 0.12,
    "flow meter drift": 0.08,
    "valve fault": 0.07,
    "sensor fault": 0.04,
}
"""How often each fault is the cause of a change. [-] A judgement, no source; the data outweigh it."""

SCALES = {
    "emitter clogging": 0.08,
    "filter clogging": 0.5,
    "leak": 0.08,
    "pressure regulation": 0.06,
    "flow meter drift": 0.05,
    "valve fault": 0.5,
}
"""Sizes that would not surprise. [-] A judgement, no source."""

LEAST = {
    "emitter clogging": 0.01,
    "filter clogging": 0.15,
    "leak": 0.01,
    "pressure regulation": 0.01,
    "flow meter drift": 0.01,
    "valve fault": 0.15,
}
"""Sizes below which nobody would act. [-] Common practice, no source."""


STRAIGHT = frozenset({"filter clogging", "valve fault", "sensor fault"})
"""Faults that move a loss in proportion to their size, however large."""


def faults(network: Network, found: Sequence[Relation], at: Operating) -> tuple[Fault, ...]:
    """Return every fault that these relations can feel, with its signature.

    Parameters
    ----------
    network : Network
        The zone.
    found : sequence of Relation
        Its relations.
    at : Operating
        Where it works.

    Returns
    -------
    tuple of Fault
        Those whose signature is not nought.
    """
    row = row_of(network, at)
    slopes = [relation.slope for relation in found]

    def follow(channels: Mapping[str, float]) -> Array:
        return np.array([sum(s * channels.get(c, 0.0) for c, s in slope.items()) for slope in slopes])

    wanted = [*_hydraulic(row), *_sensors(network, found)]
    kept = []
    for kind, what, sensor, shared, channels, unsure in wanted:
        signature = follow(channels)
        if np.abs(signature).max(initial=0.0) == 0.0:
            continue
        limit = next((n.limit for n in network.nodes if n.sensor == sensor), 0.0) or 3.0
        spread = np.array([follow(other) for other in unsure]).reshape(-1, len(slopes))
        kept.append(
            Fault(
                kind,
                what,
                sensor,
                shared,
                signature,
                spread,
                np.array([_bend(kind, relation) for relation in found]),
                SCALES.get(kind, 3.0 * limit),
                LEAST.get(kind, limit),
                kind in ("emitter clogging", "leak", "filter clogging", "valve fault"),
                PRIORS[kind],
            )
        )
    return tuple(kept)


def at_flow(wrong: Sequence[Fault], found: Sequence[Relation], growth: Array) -> tuple[Fault, ...]:
    """Return the faults as the relations feel them at another flow than the baseline's.

    What a pressure sensor is off by is divided, with the loss that it enters, by the flow to its power: a zone
    that gives less than it did makes the same offset weigh more.

    Parameters
    ----------
    wrong : sequence of Fault
        The faults.
    found : sequence of Relation
        The relations.
    growth : ndarray
        Logarithm of the flow over that of the baseline, one a relation. [-]

    Returns
    -------
    tuple of Fault
        The same; those of pressure sensors with their signatures for the losses brought to this flow.
    """
    factor = np.array(
        [np.exp(-r.exponent * g) if r.kind == "loss" else 1.0 for r, g in zip(found, growth, strict=True)]
    )
    return tuple(replace(f, signature=f.signature * factor) if f.kind == "sensor fault" else f for f in wrong)


def _bend(kind: str, relation: Relation) -> float:
    """Return how far a relation bends: a loss follows its own coefficient exactly, logarithms do not.

    The logarithm of a pressure that is off by a share d bends by half of d squared; x times that where it is
    raised to the emitters' exponent x.
    """
    if relation.kind in ("rest", "sensors") or (relation.kind == "loss" and kind in STRAIGHT):
        return 0.0
    return 0.5 / max(relation.exponent, 0.1) if kind == "sensor fault" and relation.kind == "flow" else 0.5


_Wanted = tuple[str, str, str | None, bool, dict[str, float], list[dict[str, float]]]


def _hydraulic(row: Row) -> list[_Wanted]:
    """Return the faults of the water's way, as changes of the channels."""
    network = row.network
    zone_side = len(network.elements) - 2
    meters = sorted({m.place for m in network.meters})
    out: list[_Wanted] = [
        (
            "emitter clogging",
            "emitter clogging",
            None,
            False,
            changes(row, emitters=-1.0),
            [*drooped(row, emitters=-1.0), pipe(row, "laterals", UNEVEN)],
        ),
        (
            "leak",
            "leak behind the meter",
            None,
            False,
            leak(row),
            [*drooped(row, leak=1.0), pipe(row, "main", PLACE_SPREAD * EXPONENTS["main"]), pipe(row, "laterals", UNEVEN)],
        ),
    ]  # fmt: skip
    if len(meters) > 1:
        words = "leak between the two meters"
        out.append(("leak", words, None, False, leak(row, before=meters[-1]), drooped(row, leak=1.0)))
    for place, element in enumerate(network.elements[:-1]):
        if element == "filter":
            grown = {place: 1.0}
            words = "filter clogging"
            out.append((words, words, None, True, changes(row, rise=grown), drooped(row, rise=grown)))
    blocked = {i: 1.0 for i in range(zone_side + 1) if network.elements[i] in ("main", "valve")}
    blocked = {i: v for i, v in blocked.items() if i >= network.regulated_from}
    words = "valve that does not open fully, or a blocked main"
    out.append(("valve fault", words, None, False, changes(row, rise=blocked), drooped(row, rise=blocked)))
    words = "pressure regulation" if network.regulated_from else "supply pressure"
    out.append(("pressure regulation", words, None, True, changes(row, regulator=1.0), []))
    return out


def _sensors(network: Network, found: Sequence[Relation]) -> list[_Wanted]:
    """Return the faults of the sensors, as changes of their own channels."""
    channels = {c for relation in found for c in relation.slope}
    out: list[_Wanted] = [
        ("flow meter drift", f"drift of the flow meter {m.sensor}", m.sensor, m.shared, {m.sensor: 1.0}, [])
        for m in network.meters
        if m.sensor in channels
    ]
    zone_side = len(network.elements) - 1
    out.extend(
        (
            "sensor fault",
            f"offset of the pressure sensor {node.sensor}",
            node.sensor,
            node.place < zone_side,
            {node.sensor: 1.0, f"rest:{node.sensor}": 1.0},
            [],
        )
        for node in network.nodes
        if node.sensor in channels
    )
    return out
