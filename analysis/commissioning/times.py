"""Time: how long stock travels, and what that asks of a run."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.commissioning.injectors import zone_flow
from analysis.commissioning.items import Fact, Remark
from analysis.commissioning.pressures import Worked
from analysis.hydraulics.travel import travel_times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Installation

LEAST_INJECTION = 1.0
"""Injection in travel times that is the least; Horticulturae 8(12):1103 (2022) tried 0.25 to 2. [-]"""

GOOD_INJECTION = 2.0
"""Injection in travel times that gave the evenest application there (CU 0.977). [-]"""

LEAST_FLUSH = 1.0
"""Flush in travel times that was enough there (CU 0.983). [-]"""

TANK_VOLUMES = math.log(50.0)
"""Tank volumes of water until 2 % of the strength is left: ln 50, computed from exp(-x); the usual advice is 4. [-]"""

TRAVEL = "sum of segment volume over segment flow (analysis.hydraulics.travel)"
ADVANCE = "da Silva, da Cunha and de Brito, Horticulturae 8(12):1103 (2022)"
DECAY = "mixed displacement tank, C = C0 exp(-V / V_tank)"
BALANCE = "mass balance"


def facts(installation: Installation, solved: dict[str, Worked | str]) -> list[Fact]:
    """Return travel, injection and flush times of each zone, and how far tanks reach.

    References
    ----------
    Named in each fact.
    """
    found: list[Fact] = []
    for name, zone in installation.zone.items():
        travel = travel_time(solved[name])
        place = f"zone.{name}"
        if travel is None:
            continue
        found += [
            Fact(place, "travel time to the last emitter", travel, "time", TRAVEL),
            Fact(place, "least injection", LEAST_INJECTION * travel, "time", ADVANCE),
            Fact(place, "good injection", GOOD_INJECTION * travel, "time", ADVANCE),
            Fact(place, "least flush", LEAST_FLUSH * travel, "time", ADVANCE),
        ]
        latest = latest_start(zone.planned_run, travel)
        if latest is not None and latest > 0:
            found.append(Fact(place, "latest start of injection in the planned run", latest, "time", ADVANCE))
    return [*found, *_tanks(installation, solved)]


def travel_time(answer: Worked | str) -> float | None:
    """Return the travel time to the last emitter of a solved zone. [s]"""
    return travel_times(answer.layout, answer.state).last if isinstance(answer, Worked) else None


def latest_start(planned: float | None, travel: float) -> float | None:
    """Return how far into a planned run an injection may begin at the latest.

    Parameters
    ----------
    planned : float or None
        Length of the run. [s]
    travel : float
        Travel time to the last emitter. [s]

    Returns
    -------
    float or None
        Planned run less the least injection and the least flush; negative where the run is too short. [s]

    References
    ----------
    `ADVANCE`.

    Examples
    --------
    >>> latest_start(2700.0, 600.0)
    1500.0
    """
    return None if planned is None else planned - (LEAST_INJECTION + LEAST_FLUSH) * travel


def _tanks(installation: Installation, solved: dict[str, Worked | str]) -> Iterator[Fact]:
    """Return how much water empties a displacement tank, and how many runs a stock tank lasts."""
    for name, injector in installation.injector.items():
        if injector.tank_volume is None:
            continue
        place = f"injector.{name}"
        if injector.kind == "displacement tank":
            water = TANK_VOLUMES * injector.tank_volume
            yield Fact(place, "water through the tank until 2 % is left", water, "volume", DECAY)
            continue
        for zone, row in installation.zone.items():
            if installation.injector_of(zone) == name and row.planned_run and injector.ratio:
                used = zone_flow(installation, zone, solved) * row.planned_run / 3600.0 * injector.ratio
                runs = injector.tank_volume / used
                yield Fact(
                    place, f"whole runs of {zone} from one tank at least", math.floor(runs), "number", BALANCE
                )


def remarks(installation: Installation, solved: dict[str, Worked | str]) -> list[Remark]:
    """Return planned runs that are too short, and targets that the plan misses.

    Parameters
    ----------
    installation : Installation
        The system as described.
    solved : dict of str to Worked or str
        From `analysis.commissioning.zones.worked`.

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
        travel = travel_time(solved[name])
        if travel is None or zone.planned_run is None or installation.injector_of(name) is None:
            continue
        latest = latest_start(zone.planned_run, travel)
        if latest is not None and latest < 0:
            found.append(
                Remark(
                    "run too short",
                    f"zone.{name}.planned_run",
                    "act",
                    f"the run lasts {zone.planned_run / 60:.0f} min; injection and flush need at least "
                    f"{(LEAST_INJECTION + LEAST_FLUSH) * travel / 60:.0f} min, as stock travels {travel / 60:.0f} min",
                    "run longer, or the far emitters get less and the lines stay full of stock",
                    ADVANCE,
                )
            )
        found += _dose(installation, name, solved)
    return found


DOSE_OFF = 0.20
"""Planned dose against target; injection for the whole run is the most that the plan can give. [-] No source."""


def _dose(installation: Installation, name: str, solved: dict[str, Worked | str]) -> Iterator[Remark]:
    """Judge whether the plan can reach the target dose."""
    zone, stock = installation.zone[name], installation.stock_of(name)
    injector = installation.injector_of(name)
    ratio = None if injector is None else installation.injector[injector].ratio
    if zone.target is None or stock is None or ratio is None or zone.area is None or zone.planned_run is None:
        return
    volume = zone_flow(installation, name, solved) * zone.planned_run / 3600.0
    for nutrient, wanted in zone.target.nutrients.items():
        most = stock.nutrients.get(nutrient, 0.0) * ratio * volume / zone.area
        if most < wanted * (1.0 - DOSE_OFF):
            yield Remark(
                "target out of reach",
                f"zone.{name}.target",
                "act",
                f"a whole run of injection gives at most {amount(most, 'g/m2', '.3g')} {nutrient}; the target is "
                f"{amount(wanted, 'g/m2', '.3g')}",
                "a longer run, a stronger stock or a stronger ratio; check the meaning of the ratio and the units",
                BALANCE,
            )
