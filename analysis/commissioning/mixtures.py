"""What falls out where the water meets the stocks: in the solution that is delivered, and in the stock tank."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.commissioning.items import Remark
from analysis.commissioning.stocks import element_strengths, salts_strengths
from analysis.dilution import curve_of, step_of
from analysis.recipe import delivered_concentration
from analysis.saturation import (
    STRENGTH_OF_EC,
    SULFATE,
    Solution,
    gypsum_index,
    lime_ph,
    mixed_ph,
    phosphate_ph,
)
from analysis.water_quality import LIMITS
from analysis.water_report import LICENSED, SOLIDS_OF_EC, Found

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from ingest.installation import Installation, Stock

LIME_MARGIN = 0.5
"""How far above the pH of saturation a water goes before lime is told of; most tap water lies a little above it.
[-] Common practice, no source."""

PH_DOUBT = 0.3
"""How well the pH of a solution and of its saturation are known. [-] Against PHREEQC with all its pairs of ions they
differ by up to 0.15; the rest is the water's own scatter, no source."""

MUCH_CALCIUM = LIMITS["calcium"][0]
"""Calcium from which a water is told of for what it does in the tank: where its published class is moderate. [mg/L]"""

SO4_OF_S = SULFATE / 32.06
"""Sulfate in a mass of sulfur; computed. [-]"""

SLUDGE = {"P": ("calcium phosphate", 172.09 / 40.078), "S": ("gypsum", 172.17 / 40.078)}
"""Element of the stock to what it can make of calcium, and its mass for one of calcium; computed from CaHPO4.2H2O and
CaSO4.2H2O. [-]"""

INDEX = "saturation at 25 °C by the Davies equation (analysis.saturation); a jar test with this water and stock decides"


def remarks(installation: Installation, found: Mapping[str, Found]) -> list[Remark]:
    """Return what falls out of the solutions that the injectors make, and in the stock tanks.

    Parameters
    ----------
    installation : Installation
        The system as described.
    found : mapping of str to Found
        The water, as `analysis.water_report.newest` returns it.

    Returns
    -------
    list of Remark
        Injector by injector, then stock by stock. All stocks of one injector are taken to meet.

    References
    ----------
    Named in each remark.
    """
    return [
        *(remark for name in installation.injector for remark in _mixed(installation, name, found)),
        *(remark for name, stock in installation.stock.items() for remark in _made_up(name, stock, found)),
    ]


def _mixed(installation: Installation, injector: str, found: Mapping[str, Found]) -> Iterator[Remark]:
    """Tell what falls out of the solution that an injector makes with this water."""
    stocks = {name: stock for name, stock in installation.stock.items() if stock.injector == injector}
    fraction = _fraction(installation, injector)
    added = _added(stocks.values(), fraction or 0.0)
    if not added or fraction is None:
        return
    place = ", ".join(f"stock.{name}" for name in stocks)
    lacking = [word for key, word in (("calcium", "calcium"), ("ph", "pH")) if key not in found]
    if lacking:
        if added.keys() & {"P", "S"}:
            yield _not_judged(place, " and ".join(lacking))
        return
    made = solution(found, added, _mixed_ec(stocks.values(), fraction, water_ec(found)))
    yield from _falls(place, f"1:{1 / fraction:.0f}", made, added)


def _falls(place: str, ratio: str, made: Solution, added: Mapping[str, float]) -> Iterator[Remark]:
    """Tell what falls out of one solution because of what the stock brings."""
    holds = f"with this water at {ratio} the solution holds {made.calcium:.0f} mg/L calcium"
    if "S" in added or "Ca" in added:
        index = gypsum_index(made)
        if index > 0:
            what = f"{holds} and {made.sulfate:.0f} mg/L sulfate: gypsum falls out, {10**index:.1f} times saturation"
            yield _clash(place, "act", what, "inject calcium and sulfate at other times, or weaker")
    clear = phosphate_ph(made)
    if ("P" in added or "Ca" in added) and made.ph > clear:
        soon = mixed_ph(made)
        what = (
            f"{holds} and {made.phosphorus:.0f} mg/L phosphorus: calcium phosphate falls out above pH {clear:.1f}; the water "
            f"has pH {made.ph:.1f}, the solution about {soon:.1f} at first (phosphorus as MKP or MAP) and more as it stands"
        )
        mend = f"inject phosphate weaker or as an acid product, and flush; {LICENSED}"
        yield _clash(place, "act" if soon > clear + PH_DOUBT else "watch", what, mend)
    clear = lime_ph(made)
    if "Ca" in added and made.ph > clear + LIME_MARGIN:
        what = f"{holds} and {made.bicarbonate:.0f} mg/L bicarbonate: lime falls out above pH {clear:.1f}"
        yield _clash(
            place,
            "watch",
            what,
            f"flush with water alone after each injection, and watch the emitters; {LICENSED}",
        )


def _clash(place: str, severity: str, what: str, mend: str) -> Remark:
    mended = f"{mend}; try it first in a jar of this water at the ratio, for a day"
    return Remark(
        "water and stock must not meet", place, "act" if severity == "act" else "watch", what, mended, INDEX
    )


def _not_judged(place: str, lacking: str) -> Remark:
    return Remark(
        "water and stock not judged",
        place,
        "watch",
        f"the stock holds phosphate or sulfate, and the analysis does not say the water's {lacking}",
        "have it analysed too, or try stock and water in a jar at the ratio, for a day",
        INDEX,
    )


def _made_up(name: str, stock: Stock, found: Mapping[str, Found]) -> Iterator[Remark]:
    """Tell what the water brings into the tank in which the stock is made up."""
    calcium = found.get("calcium")
    if calcium is None or calcium.value < MUCH_CALCIUM:
        return
    for element in _added([stock], 1.0).keys() & SLUDGE.keys():
        what, mass = SLUDGE[element]
        yield Remark(
            "stock made up with hard water",
            f"stock.{name}",
            "watch",
            f"made up with this water ({calcium.value:.0f} mg/L calcium), up to {calcium.value * mass:.0f} mg/L of {what} can "
            "settle in the tank",
            "make it up with soft water, or try it in a jar first; draw from above the bottom, through a filter",
            "mass balance: all of the water's calcium",
        )


def _fraction(installation: Installation, injector: str) -> float | None:
    """Return the strongest solution that an injector makes, as far as it is described. [-]"""
    ratio = installation.injector[injector].ratio
    stocks = [stock for stock in installation.stock.values() if stock.injector == injector]
    strongest = [f for stock in stocks for f, _ in stock.dilutions if f > 0]
    return ratio if ratio is not None else max(strongest, default=None)


def _added(stocks: Iterable[Stock], fraction: float) -> dict[str, float]:
    """Return calcium, phosphorus and sulfur that stocks bring into the solution. [mg/L]"""
    found: dict[str, float] = {}
    for stock in stocks:
        stated, weighed = element_strengths(stock.nutrients), salts_strengths(stock.salts)
        for element in ("Ca", "P", "S"):
            strength = max(stated.get(element, 0.0), weighed.get(element, 0.0))
            if strength > 0 and fraction > 0:
                found[element] = found.get(element, 0.0) + delivered_concentration(strength, fraction)
    return found


def _mixed_ec(stocks: Iterable[Stock], fraction: float, water: float) -> float:
    """Return the EC of a solution as the stocks' curves tell it, the water's own where none does. [mS/cm]"""
    steps = [float(step_of(curve, fraction)) for stock in stocks if (curve := curve_of(stock)) is not None]
    return water + sum(step for step in steps if math.isfinite(step))


def water_ec(found: Mapping[str, Found]) -> float:
    """Return the water's EC, from its dissolved solids where it was not measured. [mS/cm]"""
    if "conductivity" in found:
        return found["conductivity"].value
    return found["dissolved_solids"].value / SOLIDS_OF_EC if "dissolved_solids" in found else 0.0


def solution(found: Mapping[str, Found], added: Mapping[str, float], ec: float) -> Solution:
    """Return the water with what was added to it."""

    def of(key: str) -> float:
        return found[key].value if key in found else 0.0

    return Solution(
        ph=of("ph"),
        calcium=of("calcium") + added.get("Ca", 0.0),
        bicarbonate=of("bicarbonate"),
        sulfate=of("sulfate") + SO4_OF_S * added.get("S", 0.0),
        phosphorus=added.get("P", 0.0),
        strength=STRENGTH_OF_EC * ec,
    )
