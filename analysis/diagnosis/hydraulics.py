"""To first order: what a fault of the water's way does to the flow and to every pressure of a zone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from analysis.diagnosis.network import BEYOND_MEAN, EXPONENTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.diagnosis.network import Network, Node
    from analysis.diagnosis.relations import Operating

DROOP = 0.03
"""Fall of a regulator's outlet from no flow to this zone's flow, as a share of its pressure, and the
spread of that guess. [-] Common practice, no source: makers state 5 to 10 % over their whole range."""

PLACE_SPREAD = 0.5
"""Standard deviation of a place drawn evenly along a pipe. [of its length] Computed: 1 / sqrt(12)."""

UNEVEN = 0.5
"""How far a loss of emitter flow that sits unevenly along the laterals may change their friction, per unit
of flow. [-] No source: an even loss changes it not at all, one at the far ends by all of its share."""


@dataclass(frozen=True, slots=True)
class Row:
    """Losses at the operating point, and the pressure that feeds the row."""

    network: Network
    nodes: tuple[Node, ...]
    loss: Mapping[int, float]
    emitter_pressure: float
    feed: float

    def exponent(self, place: int) -> float:
        """Return how the loss of an element grows with flow. [-]"""
        return EXPONENTS.get(self.network.elements[place], 2.0)


def row_of(network: Network, at: Operating) -> Row:
    """Return the losses at the operating point: measured between sensors, otherwise described or usual."""
    nodes = tuple(node for node in network.nodes if node.sensor in at.pressure)
    share = 1.0 if not at.flow or not network.rated_flow else at.flow / network.rated_flow
    loss = {
        place: network.losses.get(element, 0.0) * share ** EXPONENTS.get(element, 2.0)
        for place, element in enumerate(network.elements)
    }
    for first, second in pairwise(nodes):
        between = range(first.place, second.place)
        told = sum(loss[i] for i in between)
        if told and "pressure regulator" not in network.between(first.place, second.place):
            rise = 9.79 * (second.height - first.height)
            seen = max(at.pressure[first.sensor] - at.pressure[second.sensor] - rise, 0.5)
            loss |= {i: loss[i] * seen / told for i in between}
    start = network.regulated_from
    behind = next((node for node in nodes if node.place >= start), None)
    if behind is None:
        feed = at.emitter_pressure + sum(loss[i] for i in loss if i >= start)
    else:
        feed = at.pressure[behind.sensor] + sum(loss[i] for i in range(start, behind.place))
    return Row(network, nodes, loss, at.emitter_pressure, feed)


def changes(row: Row, *, emitters: float = 0.0, leak: float = 0.0, regulator: float = 0.0,
             rise: Mapping[int, float] | None = None, droop: float = DROOP) -> dict[str, float]:  # fmt: skip
    """Return the change of ln q and of every pressure, to first order."""
    rise = rise or {}
    start, x = row.network.regulated_from, row.network.exponent
    downstream = {i: e for i, e in enumerate(row.network.elements) if i >= start}
    felt = {i: row.loss[i] * (1.0 if e != "laterals" else 1.0 - BEYOND_MEAN) for i, e in downstream.items()}
    per_flow = droop * row.feed + sum(felt[i] * row.exponent(i) for i in felt)
    lost = sum(felt[i] * rise.get(i, 0.0) for i in felt)
    push = x / row.emitter_pressure * (regulator * row.feed - lost)
    flow = (emitters + leak + push) / (1.0 + x / row.emitter_pressure * per_flow)
    moved = {meter.sensor: flow for meter in row.network.meters}
    for node in row.nodes:
        first = start if node.place >= start else 0
        fed = regulator * row.feed - droop * row.feed * flow if node.place >= start else 0.0
        passed = range(first, node.place)
        moved[node.sensor] = fed - sum(
            row.loss[i] * (row.exponent(i) * flow + rise.get(i, 0.0)) for i in passed
        )
    return moved


def leak(row: Row, *, before: int | None = None) -> dict[str, float]:
    """Return what a leak half way along the main does; meters from the place `before` on do not see it."""
    main = row.network.elements.index("main")
    eased = {main: -0.5 * EXPONENTS["main"]}
    moved = changes(row, leak=1.0, rise=eased)
    if before is not None:
        moved |= {m.sensor: moved[m.sensor] - 1.0 for m in row.network.meters if m.place >= before}
    return moved


def pipe(row: Row, element: str, size: float) -> dict[str, float]:
    """Return what a change of one pipe's friction alone does."""
    return changes(row, rise={row.network.elements.index(element): size})


def drooped(
    row: Row, *, emitters: float = 0.0, leak: float = 0.0, rise: Mapping[int, float] | None = None
) -> list[dict[str, float]]:
    """Return how far the answer changes with another droop, or with no loss where none was described."""
    usual = changes(row, emitters=emitters, leak=leak, rise=rise)
    first = min((n.place for n in row.nodes if n.place >= row.network.regulated_from), default=0)
    lead = dict.fromkeys(range(row.network.regulated_from, first), 0.0)
    bare = replace(row, loss={**row.loss, **lead}, feed=row.feed - sum(row.loss[i] for i in lead))
    others = [
        changes(row, emitters=emitters, leak=leak, rise=rise, droop=2.0 * DROOP),
        changes(bare, emitters=emitters, leak=leak, rise=rise),
    ]
    return [{channel: other[channel] - usual[channel] for channel in usual} for other in others]
