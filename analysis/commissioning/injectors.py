"""Injectors against the zones' flows, alone and together, and against pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.commissioning.items import Fact, Remark
from analysis.commissioning.pressures import Worked, head_pressure, static_pressure
from analysis.hydraulics.zones import zone_at_flow
from ingest.description import rated_flow

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Injector, Installation

MAKER_RANGE = "the maker's flow range; outside it the ratio is not promised"
STATIC = "a tank or an injector stands the full pressure while the valves are closed"
MASS = "mass balance, f = injected / delivered"


def zone_flow(installation: Installation, name: str, solved: dict[str, Worked | str]) -> float:
    """Return a zone's flow: computed where its pipes are described, else rated. [L/h]"""
    answer = solved[name]
    return answer.state.flow if isinstance(answer, Worked) else rated_flow(installation.zone[name])


def combinations(installation: Installation, injector: str) -> list[tuple[str, ...]]:
    """Return the zones and groups of zones that draw through an injector.

    Returns
    -------
    list of tuple of str
        Each zone alone unless it only runs in a group, and each group's zones of this injector.
    """
    mine = [name for name in installation.zone if installation.injector_of(name) == injector]
    grouped = [tuple(n for n in group if n in mine) for group in installation.head.together]
    groups = [group for group in grouped if len(group) > 1]
    always_together = {name for group in groups for name in group}
    return [(name,) for name in mine if name not in always_together] + groups


def facts(installation: Installation, solved: dict[str, Worked | str]) -> list[Fact]:
    """Return the flow through each injector and the pressure it stands.

    References
    ----------
    Named in each fact.
    """
    found = []
    static = static_pressure(installation)
    for name in installation.injector:
        place = f"injector.{name}"
        for group in combinations(installation, name):
            flow = sum(zone_flow(installation, zone, solved) for zone in group)
            found.append(
                Fact(place, f"flow with {' and '.join(group)}", flow, "flow", "sum over the zones that run")
            )
        if static is not None:
            found.append(Fact(place, "pressure with closed valves", static, "pressure", STATIC))
    return found


def remarks(installation: Installation, solved: dict[str, Worked | str]) -> list[Remark]:
    """Return where an injector cannot work, or is in danger.

    Parameters
    ----------
    installation : Installation
        The system as described.
    solved : dict of str to Worked or str
        From `analysis.commissioning.zones.worked`.

    Returns
    -------
    list of Remark
        Injector by injector.

    References
    ----------
    Named in each remark.
    """
    found: list[Remark] = []
    for name, injector in installation.injector.items():
        found += [
            *_flow_range(installation, name, injector, solved),
            *_pressure(installation, name, injector),
            *_difference(installation, name, injector, solved),
            *_pump_pace(installation, name, injector, solved),
        ]
        if not combinations(installation, name):
            found.append(
                Remark(
                    "injector feeds no zone",
                    f"injector.{name}",
                    "watch",
                    "no zone gets this injector's solution",
                    f'write injector = "{name}" in its zones, or take it out',
                    MAKER_RANGE,
                )
            )
    return found


def _flow_range(
    installation: Installation, name: str, injector: Injector, solved: dict[str, Worked | str]
) -> Iterator[Remark]:
    """Judge the flow of every zone and group against the injector's range."""
    place = f"injector.{name}.flow_range"
    if injector.flow_range is None:
        if injector.kind != "displacement tank":
            yield Remark(
                "flow range not described",
                place,
                "watch",
                "the injector's flow range is not described",
                "write it from the maker's sheet",
                MAKER_RANGE,
            )
        return
    low, high = injector.flow_range
    for group in combinations(installation, name):
        flow = sum(zone_flow(installation, zone, solved) for zone in group)
        who = " and ".join(group)
        if flow < low:
            yield Remark(
                "flow below injector range",
                place,
                "act",
                f"{who} draws {amount(flow, 'L/h')}; the injector works from {amount(low, 'L/h')} on",
                f"run more zones together until at least {amount(low, 'L/h')} flows, or use a smaller injector, or a venturi on "
                f"a bypass; with a stronger draw impossible, dilute the stock {low / flow:.1f} times and set the ratio to match",
                MAKER_RANGE,
            )
        elif flow > high:
            yield Remark(
                "flow above injector range",
                place,
                "act",
                f"{who} draws {amount(flow, 'L/h')}; the injector works up to {amount(high, 'L/h')}",
                f"run fewer zones together, lead {amount(flow - high, 'L/h')} or more round it by a bypass and set the ratio "
                f"{flow / high:.2f} times stronger, or use a larger injector",
                MAKER_RANGE,
            )


def _pressure(installation: Installation, name: str, injector: Injector) -> Iterator[Remark]:
    """Judge the pressure with closed valves against the rating."""
    static, rating = static_pressure(installation), injector.max_static_pressure
    place = f"injector.{name}.max_static_pressure"
    if rating is None:
        if injector.kind == "displacement tank":
            yield Remark(
                "tank rating not described",
                place,
                "act",
                "the tank's pressure rating is not described",
                "read it off the tank's plate before it is put under pressure",
                STATIC,
            )
    elif static is None:
        yield Remark(
            "supply pressure not described",
            "supply.pressure",
            "watch",
            "the supply's static pressure is not described, so the rating was not checked",
            "measure it at rest, best at night when it is highest",
            STATIC,
        )
    elif static > rating:
        yield Remark(
            "over pressure",
            place,
            "stop",
            f"{amount(static, 'kPa')} stand on it while the valves are closed; it is rated for {amount(rating, 'kPa')}",
            "keep it out of pressure: a regulator before it, set below the rating, or a shut-off before it that closes "
            "first; release the pressure before opening anything",
            STATIC,
        )


def _difference(
    installation: Installation, name: str, injector: Injector, solved: dict[str, Worked | str]
) -> Iterator[Remark]:
    """Judge the pressure difference that the injector can draw on."""
    need, available = injector.least_difference, head_pressure(installation)
    if need is None or available is None:
        return
    for zone in (z for group in combinations(installation, name) for z in group):
        answer = solved[zone]
        if not isinstance(answer, Worked):
            continue
        try:
            wanted = zone_at_flow(answer.layout, rated_flow(installation.zone[zone])).head_pressure
        except ValueError:
            continue
        if available - wanted < need:
            yield Remark(
                "too little pressure difference",
                f"injector.{name}.least_difference",
                "act",
                f"{zone} needs {amount(wanted, 'kPa')} of the {amount(available, 'kPa')}, which leaves "
                f"{amount(max(available - wanted, 0), 'kPa')}; the injector draws stock from {amount(need, 'kPa')} on",
                "a higher head pressure, a booster pump on the bypass, or an injector that needs less",
                "pressure balance of the head",
            )


def _pump_pace(
    installation: Installation, name: str, injector: Injector, solved: dict[str, Worked | str]
) -> Iterator[Remark]:
    """Judge a pump that runs at its own pace against the ratio it is meant to make."""
    if injector.injection_flow is None or injector.ratio is None:
        return
    for group in combinations(installation, name):
        water = sum(zone_flow(installation, zone, solved) for zone in group)
        made = injector.injection_flow / (injector.injection_flow + water)
        if abs(made / injector.ratio - 1.0) > injector.ratio_tolerance:
            wanted = water * injector.ratio / (1.0 - injector.ratio)
            yield Remark(
                "pump pace off ratio",
                f"injector.{name}.injection_flow",
                "act",
                f"{amount(injector.injection_flow, 'L/h', '.3g')} into {amount(water, 'L/h')} of {' and '.join(group)} make "
                f"1:{1 / made:.0f}, not 1:{1 / injector.ratio:.0f}",
                f"set the pump to {amount(wanted, 'L/h', '.3g')} for this zone",
                MASS,
            )
