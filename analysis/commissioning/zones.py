"""Each zone as described: flow, pressures, evenness and velocities."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.amounts import amount, reach
from analysis.commissioning.items import Fact, Remark
from analysis.commissioning.pressures import Worked, head_pressure, work
from analysis.hydraulics.checks import flushing_flow
from analysis.hydraulics.emitters import design_emission_uniformity
from analysis.hydraulics.friction import velocity
from ingest.description import rated_flow

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Installation, Zone

MAKER_VARIATION = 0.05
"""Coefficient of variation taken where the file says none: the edge of "excellent" in ASAE EP405, from memory. [-]"""

VARIATION_WATCH, VARIATION_ACT = 0.10, 0.20
"""Emitter flow variation (max - min) / max: up to 10 % is good, above 20 % is not; design practice, from memory. [-]"""

OFF_RATED_WATCH, OFF_RATED_ACT = 0.15, 0.30
"""Mean emitter flow against its rated flow; common practice, no source. [-]"""

FAST = 1.5
"""Velocity above which closing valves hammer; the usual 5 ft/s for plastic pipe, common practice. [m/s]"""

LEAST_COMPENSATING = 50.0
"""Pressure below which compensating emitters do not yet compensate; common practice, no source. [kPa]"""

COMPENSATING = 0.1
"""Emitters with a smaller exponent are called compensating; common practice, no source. [-]"""

DARCY = "Darcy-Weisbach, segment by segment with falling flow (analysis.hydraulics.zones)"
EMITTER_LAW = "emitter law q = k H^x"
SUM = "sum of emitters times rated flow at working pressure, common practice"
KELLER = "Keller and Karmeli 1974, from memory"
CONTINUITY = "continuity, v = Q / A"
FLUSHING = "0.3 m/s at the open end, University of California, Maintenance of Microirrigation Systems"


def worked(installation: Installation) -> dict[str, Worked | str]:
    """Return every zone at its working pressure, or why it cannot be computed.

    References
    ----------
    `analysis.hydraulics.zones`.
    """
    pressure = head_pressure(installation)
    return {name: work(zone, pressure) for name, zone in installation.zone.items()}


def facts(installation: Installation, solved: dict[str, Worked | str]) -> list[Fact]:
    """Return what each zone's pipes give.

    Parameters
    ----------
    installation : Installation
        The system as described.
    solved : dict of str to Worked or str
        From `worked`.

    Returns
    -------
    list of Fact
        Zone by zone.

    References
    ----------
    Named in each fact.
    """
    found = []
    for name, zone in installation.zone.items():
        place = f"zone.{name}"
        found.append(Fact(place, "rated flow", rated_flow(zone), "flow", SUM))
        answer = solved[name]
        if isinstance(answer, Worked):
            found += _zone_facts(place, answer)
    return found


def _zone_facts(place: str, answer: Worked) -> list[Fact]:
    """Return one solved zone's numbers."""
    state, layout = answer.state, answer.layout
    pressure, each = state.pressure, state.emitter_flow
    lateral = velocity(state.lateral_flow, layout.lateral.bore)
    rows = [
        ("head pressure", answer.head_pressure, "pressure", "regulator, or supply less filter"),
        ("flow at working pressure", state.flow, "flow", f"{EMITTER_LAW}; {DARCY}"),
        ("inlet pressure", state.inlet_pressure, "pressure", DARCY),
        ("lowest emitter pressure", float(pressure.min()), "pressure", DARCY),
        ("highest emitter pressure", float(pressure.max()), "pressure", DARCY),
        ("emitter flow variation", flow_variation(each), "share", "(max - min) / max"),
        (
            "design emission uniformity",
            design_emission_uniformity(MAKER_VARIATION, 1.0, float(each.min()), float(each.mean())) / 100.0,
            "share",
            KELLER,
        ),
        ("highest lateral velocity", float(np.max(lateral)), "velocity", CONTINUITY),
        ("flow that flushes one lateral", flushing_flow(layout.lateral.bore), "flow", FLUSHING),
        *(
            (f"velocity in main {n}", float(velocity(state.flow, reach.bore)), "velocity", CONTINUITY)
            for n, reach in enumerate(layout.main, 1)
        ),
    ]
    return [Fact(place, *row) for row in rows]


def flow_variation(flows: np.ndarray) -> float:
    """Return emitter flow variation.

    Parameters
    ----------
    flows : ndarray
        Emitter flows, any shape. [L/h]

    Returns
    -------
    float
        (max - min) / max. [-]

    References
    ----------
    Definition used in drip design, from memory.

    Examples
    --------
    >>> round(flow_variation(np.array([1.8, 2.0])), 3)
    0.1
    """
    return float((flows.max() - flows.min()) / flows.max())


def remarks(installation: Installation, solved: dict[str, Worked | str]) -> list[Remark]:
    """Return what is wrong with the zones.

    Parameters
    ----------
    installation : Installation
        The system as described.
    solved : dict of str to Worked or str
        From `worked`.

    Returns
    -------
    list of Remark
        Zone by zone.

    References
    ----------
    Named in each remark.
    """
    found: list[Remark] = []
    for name, zone in installation.zone.items():
        answer = solved[name]
        if isinstance(answer, str):
            found.append(
                Remark(
                    "zone not computed",
                    f"zone.{name}",
                    "watch",
                    f"the zone's pressures were not computed: {answer}",
                    "complete or correct the zone's description",
                    DARCY,
                )
            )
        else:
            found += [*_flow(name, zone, answer), *_evenness(name, answer), *_velocity(name, answer)]
    return found


def _flow(name: str, zone: Zone, answer: Worked) -> Iterator[Remark]:
    """Judge the zone's flow against its rated flow, and compensating emitters against their range."""
    ratio = answer.state.flow / rated_flow(zone)
    if abs(ratio - 1.0) > OFF_RATED_WATCH:
        yield Remark(
            "flow off rated",
            f"zone.{name}",
            "act" if abs(ratio - 1.0) > OFF_RATED_ACT else "watch",
            f"at {amount(answer.head_pressure, 'kPa')} the zone takes {amount(answer.state.flow, 'L/h')}, "
            f"{abs(ratio - 1):.0%} {'more' if ratio > 1 else 'less'} than its rated {amount(rated_flow(zone), 'L/h')}",
            "set the regulator to the emitters' pressure; check the units of pressure, flow and pipe size "
            "(psi for kPa, gallons for litres, feet for metres)",
            f"{EMITTER_LAW}; {DARCY}",
        )
    lowest = float(answer.state.pressure.min())
    if any(group.exponent < COMPENSATING for group in zone.emitters) and lowest < LEAST_COMPENSATING:
        yield Remark(
            "emitters do not compensate",
            f"zone.{name}",
            "act",
            f"the lowest emitter gets {amount(lowest, 'kPa')}; compensating emitters need about "
            f"{amount(LEAST_COMPENSATING, 'kPa')}",
            "raise the pressure, shorten the laterals or use a wider bore",
            "common practice, no source; the maker's sheet decides",
        )


def _evenness(name: str, answer: Worked) -> Iterator[Remark]:
    """Judge the emitter flow variation."""
    variation = flow_variation(answer.state.emitter_flow)
    if variation > VARIATION_WATCH:
        yield Remark(
            "uneven zone",
            f"zone.{name}.laterals",
            "act" if variation > VARIATION_ACT else "watch",
            f"emitter flow varies by {variation:.0%} between the best and the worst place, "
            f"{reach(answer.state.pressure.max(), answer.state.pressure.min(), 'kPa')}",
            "shorter laterals, a wider bore, a manifold fed from its middle, or compensating emitters",
            "design practice: up to 10 % is good, above 20 % is not; from memory",
        )


def _velocity(name: str, answer: Worked) -> Iterator[Remark]:
    """Judge the velocity in main, manifold and laterals."""
    state, layout = answer.state, answer.layout
    speeds = {
        **{f"main {n}": float(velocity(state.flow, reach.bore)) for n, reach in enumerate(layout.main, 1)},
        "laterals": float(np.max(velocity(state.lateral_flow, layout.lateral.bore))),
    }
    if layout.manifold.lengths.any():
        speeds["manifold"] = float(np.max(velocity(state.manifold_flow, layout.manifold.bore)))
    for part, speed in speeds.items():
        if speed > FAST:
            yield Remark(
                "water too fast",
                f"zone.{name}.{part.split()[0]}",
                "watch",
                f"water runs at {speed:.1f} m/s in the {part}; above {FAST} m/s closing valves hammer the pipe",
                "a wider bore; check the unit of the diameter",
                "5 ft/s for plastic pipe, common practice, no source",
            )
