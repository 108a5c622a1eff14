"""The head as installed: what protects the supply, and whether its parts stand in a sound order."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.commissioning.items import Remark

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ingest.installation import Installation

TEST_INTERVAL_DAYS = 365
"""A testable preventer is tested when installed and every year; EPA 816-R-03-002 and AWWA M14, from memory."""

ATMOSPHERIC_HEIGHT_M = 0.15
"""An atmospheric vacuum breaker stands at least 6 in above the outlets; EPA manual, from memory. [m]"""

PRESSURE_HEIGHT_M = 0.30
"""A pressure vacuum breaker stands at least 12 in above the outlets; EPA manual, from memory. [m]"""

HIGH_HAZARD = (
    "Texas irrigation rule 344, second-hand copy: a system that adds chemicals is a high health hazard and needs "
    "a reduced pressure assembly on a potable supply; your local code decides"
)
BACK_PRESSURE = (
    "EPA 816-R-03-002: vacuum breakers and barometric loops do not stop back-pressure; from memory"
)
CHEMIGATION = "California DPR list of required components; Washington WAC 16-202: check valve, interlock"
TRADE = "common practice, no source"

TESTABLE = frozenset({"reduced pressure", "double check valve", "pressure vacuum breaker"})
SIPHON_ONLY = {
    "pressure vacuum breaker": PRESSURE_HEIGHT_M,
    "atmospheric vacuum breaker": ATMOSPHERIC_HEIGHT_M,
    "barometric loop": 0.0,
}
"""Types that stop back-siphonage only, and the height that they need above the highest outlet. [m]"""


def remarks(installation: Installation, today: date) -> list[Remark]:
    """Return what is wrong with the supply's protection and the head's order.

    Parameters
    ----------
    installation : Installation
        The system as described.
    today : datetime.date
        The day, for the age of the preventer's test.

    Returns
    -------
    list of Remark
        In the order of the water's way.

    References
    ----------
    Named in each remark.
    """
    return [
        *_preventer(installation),
        *_test(installation, today),
        *_vacuum(installation),
        *_order(installation),
        *_injectors(installation),
    ]


def _preventer(installation: Installation) -> Iterator[Remark]:
    """Judge the preventer's type against the supply and the hazard."""
    supply = installation.supply
    if not installation.injector:
        return
    kind, place = supply.backflow_preventer, "supply.backflow_preventer"
    if supply.kind == "potable" and kind == "none":
        yield Remark(
            "no backflow preventer",
            place,
            "stop",
            "stock can reach the drinking water: there is no backflow preventer",
            "do not inject; have a licensed person install what the local code asks for, usually a reduced pressure assembly",
            HIGH_HAZARD,
        )
    elif supply.kind == "potable" and kind not in ("reduced pressure", "air gap"):
        yield Remark(
            "preventer too weak",
            place,
            "stop",
            f"a {kind} on a potable supply is not meant for a health hazard such as fertilizer stock",
            "ask the water supplier and a licensed tester; usually a reduced pressure assembly or an air gap",
            HIGH_HAZARD if kind == "double check valve" else BACK_PRESSURE,
        )
    elif kind == "none":
        yield Remark(
            "no backflow preventer",
            place,
            "act",
            f"nothing keeps stock out of the {'well' if supply.kind == 'well' else 'water body'} when the water stops",
            "install what the local chemigation rule asks for: a check valve, a low-pressure drain and a vacuum relief",
            CHEMIGATION,
        )


def _test(installation: Installation, today: date) -> Iterator[Remark]:
    """Judge the age of the preventer's test."""
    supply = installation.supply
    if supply.backflow_preventer not in TESTABLE:
        return
    if supply.tested is None:
        what = "the preventer's last test is not described"
    elif supply.tested > today:
        what = f"the preventer's last test lies in the future ({supply.tested.isoformat()})"
    elif (today - supply.tested).days > TEST_INTERVAL_DAYS:
        what = f"the preventer was last tested on {supply.tested.isoformat()}, {(today - supply.tested).days} days ago"
    else:
        return
    yield Remark(
        "preventer test due",
        "supply.tested",
        "act",
        what,
        "have a licensed tester test it, and write the day into the file",
        "EPA 816-R-03-002: tested when installed and yearly, from memory; your local code decides",
    )


def _vacuum(installation: Installation) -> Iterator[Remark]:
    """Judge the height of a vacuum breaker, and valves behind an atmospheric one."""
    supply, order = installation.supply, installation.head.order
    needed = SIPHON_ONLY.get(supply.backflow_preventer)
    if needed:
        height = supply.preventer_height
        if height is None or height < needed:
            found = "is not described" if height is None else f"is {amount(height, 'm', '.2f')}"
            yield Remark(
                "vacuum breaker too low",
                "supply.preventer_height",
                "watch" if height is None else "stop",
                f"the {supply.backflow_preventer}'s height above the highest emitter {found}; it needs "
                f"{amount(needed, 'm', '.2f')}",
                "raise it, or use a type that does not depend on height",
                BACK_PRESSURE,
            )
    behind = order[order.index("backflow preventer") :] if "backflow preventer" in order else order
    if supply.backflow_preventer == "atmospheric vacuum breaker" and "valve" in behind:
        yield Remark(
            "valve after vacuum breaker",
            "head.order",
            "stop",
            "a valve stands after an atmospheric vacuum breaker and keeps it under pressure, so that it can stick",
            "move the valve before it, or use a pressure vacuum breaker or a reduced pressure assembly",
            "EPA 816-R-03-002: no valve downstream, not under pressure for more than 12 h; from memory",
        )


def _order(installation: Installation) -> Iterator[Remark]:
    """Judge the order of the head's parts."""
    order, supply = list(installation.head.order), installation.supply
    if not installation.injector:
        return
    if not order:
        yield Remark(
            "order not described",
            "head.order",
            "watch",
            "the head's order is not described, so it was not checked",
            'write it as installed, like ["backflow preventer", "filter", "injector", "valve"]',
            TRADE,
        )
        return
    if "injector" not in order:
        yield Remark(
            "part missing",
            "head.order",
            "act",
            "an injector is described but stands nowhere in the head's order",
            "add it where it is installed",
            TRADE,
        )
        return
    before = order[: order.index("injector")]
    yield from _before_the_injector(
        before, order, protects=supply.backflow_preventer not in ("none", "air gap")
    )


def _before_the_injector(before: Sequence[str], order: Sequence[str], *, protects: bool) -> Iterator[Remark]:
    """Judge what stands before the injector."""
    if protects and "backflow preventer" not in before:
        where = "after the injector" if "backflow preventer" in order else "nowhere in the order"
        yield Remark(
            "preventer after injector",
            "head.order",
            "stop",
            f"the backflow preventer stands {where}, so it does not protect the supply from stock",
            "the preventer comes first, before everything that can push back",
            HIGH_HAZARD,
        )
    elif protects and before[0] not in ("backflow preventer", "flow meter", "valve", "filter"):
        yield Remark(
            "preventer not first",
            "head.order",
            "act",
            f"{before[0]} stands before the backflow preventer",
            "the preventer comes first; only a shut-off, a strainer or a meter may stand before it",
            TRADE,
        )
    if "filter" not in before:
        where = "after the injector" if "filter" in order else "nowhere in the order"
        yield Remark(
            "filter not before injector",
            "head.order",
            "act",
            f"the filter stands {where}: dirt reaches the injector's seats and screens",
            "put a filter before the injector; a second one after it catches what the stock brings",
            TRADE,
        )


def _injectors(installation: Installation) -> Iterator[Remark]:
    """Judge each injector's own safeguards."""
    for name, injector in installation.injector.items():
        if injector.kind == "metering pump" and not injector.interlock:
            said = "is not described" if injector.interlock is None else "is missing"
            yield Remark(
                "no interlock",
                f"injector.{name}.interlock",
                "act" if injector.interlock is None else "stop",
                f"a metering pump runs by its own power and its interlock {said}: it can go on when the water stops",
                "interlock the pump with the water's flow or pressure; electrical work is licensed work",
                CHEMIGATION,
            )
        if injector.check_valve is False:
            yield Remark(
                "no check valve",
                f"injector.{name}.check_valve",
                "stop",
                "no check valve keeps water out of the stock, nor stock from running on when the water stops",
                "fit a check valve at the injection point, opening at 69 kPa (10 psi) or more where a pump pushes",
                CHEMIGATION,
            )
        elif injector.check_valve is None:
            yield Remark(
                "check valve not described",
                f"injector.{name}.check_valve",
                "watch",
                "it is not described whether the injection line has a check valve",
                "look, and write check_valve = true or false",
                CHEMIGATION,
            )
