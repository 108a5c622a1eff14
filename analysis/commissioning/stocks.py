"""Stocks as described: what dissolves, what must not meet, and whether EC will be able to tell the ratio."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.commissioning.items import Fact, Remark
from analysis.dilution import curve_of, step_of
from analysis.recipe import OXIDE_SHARE, delivered_concentration
from analysis.salts import SALTS, clashes, share_of_solubility

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ingest.installation import Installation, Stock

NEARLY_FULL = 0.8
"""Share of the solubility from which a mixture is called nearly full; common practice, no source. [-]"""

COLD_STOCK = 10.0
"""Temperature taken where the file does not say how cold the tank gets; no source. [°C]"""

LABEL_MISMATCH = 0.05
"""Nutrients stated and nutrients of the salts may differ by this; rounding of labels, no source. [-]"""

HEAVIEST = 600.0
"""More grams of salts than this in a litre is taken for a slip of the unit; no source. [g/L]"""

BRACKET = 1.5
"""The curve should reach this much beyond the set ratio on either side, so that it is never extrapolated. [-]"""

SAMPLE_ML = 1000.0
"""Volume of each dilution in the bench recipe. [mL]"""

SERIES = (0.25, 0.5, 1.0, 2.0)
"""Strengths of the bench recipe, in parts of the set ratio; nodes a factor of two apart keep the inversion
within 0.3 % (analysis.dilution)."""

SOLUBILITY = "solubility of each salt alone, general chemistry tables, from memory"
TABLE = "compatibility table of the fertigation bulletins, from memory; the label decides"
CURVE = "EC is read through the stock's own dilution curve and never extrapolated (analysis.dilution)"
BALANCE = "mass balance C1 V1 = C2 V2"


def element_strengths(values: Mapping[str, float]) -> dict[str, float]:
    """Return strengths by element, label oxides turned into elements.

    Parameters
    ----------
    values : mapping of str to float
        Element or oxide to strength. [g/L]

    Returns
    -------
    dict of str to float
        Element to strength. [g/L]

    References
    ----------
    `analysis.recipe.OXIDE_SHARE`.

    Examples
    --------
    >>> {k: round(v, 1) for k, v in element_strengths({"K2O": 30.0, "N": 42.0}).items()}
    {'K': 24.9, 'N': 42.0}
    """
    found: dict[str, float] = {}
    for name, strength in values.items():
        element, share = OXIDE_SHARE.get(name, (name, 1.0))
        found[element] = found.get(element, 0.0) + strength * share
    return found


def salts_strengths(salts: Mapping[str, float]) -> dict[str, float]:
    """Return the elements that weighed salts bring, for those salts that the table knows.

    Parameters
    ----------
    salts : mapping of str to float
        Salt to its mass in a litre. [g/L]

    Returns
    -------
    dict of str to float
        Element to strength. [g/L]

    References
    ----------
    Shares of `analysis.salts.SALTS`.

    Examples
    --------
    >>> {k: round(v, 1) for k, v in salts_strengths({"potassium nitrate": 100.0}).items()}
    {'N': 13.9, 'K': 38.7}
    """
    found: dict[str, float] = {}
    for name, grams in salts.items():
        for element, share in SALTS[name].share.items() if name in SALTS else ():
            found[element] = found.get(element, 0.0) + grams * share
    return found


def facts(installation: Installation) -> list[Fact]:
    """Return what each stock makes at its injector's ratio, and the dilutions to prepare.

    References
    ----------
    Named in each fact.
    """
    found: list[Fact] = []
    for name, stock in installation.stock.items():
        ratio = installation.injector[stock.injector].ratio
        place = f"stock.{name}"
        if ratio is None:
            continue
        for nutrient, strength in stock.nutrients.items():
            made = delivered_concentration(strength, ratio)
            found.append(Fact(place, f"{nutrient} in the solution", made, "concentration", BALANCE))
        curve = curve_of(stock)
        if curve is not None:
            expected = curve.water + float(step_of(curve, ratio))
            found.append(Fact(place, "expected EC of the solution", expected, "conductivity", CURVE))
        found += [
            Fact(
                place, f"stock for {SAMPLE_ML:.0f} mL at 1:{1 / f:.0f}", SAMPLE_ML * f, "millilitres", BALANCE
            )
            for f in bench_series(ratio)
        ]
    return [fact for fact in found if fact.value == fact.value]


def bench_series(ratio: float) -> list[float]:
    """Return the volume fractions to prepare by hand for a dilution curve round a ratio.

    Parameters
    ----------
    ratio : float
        Volume fraction that the injector is set to. [-]

    Returns
    -------
    list of float
        Volume fractions, rising; each is made with the source water. [-]

    References
    ----------
    `analysis.dilution`: nodes a factor of two apart, bracketing the range.

    Examples
    --------
    >>> [round(1 / f) for f in bench_series(0.01)]
    [400, 200, 100, 50]
    """
    return [part * ratio for part in SERIES]


def remarks(installation: Installation) -> list[Remark]:
    """Return what is wrong with the stocks.

    Parameters
    ----------
    installation : Installation
        The system as described.

    Returns
    -------
    list of Remark
        Stock by stock.

    References
    ----------
    Named in each remark.
    """
    found: list[Remark] = []
    for name, stock in installation.stock.items():
        found += [
            *_weight(name, stock),
            *_solubility(name, stock),
            *_clashes(name, stock),
            *_label(name, stock),
            *_curve(installation, name, stock),
        ]
    return found


def _weight(name: str, stock: Stock) -> Iterator[Remark]:
    """Judge whether the strengths can be true."""
    total = max(sum(stock.salts.values()), sum(stock.nutrients.values()))
    if total > HEAVIEST:
        yield Remark(
            "stock too strong to be true",
            f"stock.{name}",
            "act",
            f"{total:.0f} g/L are more than water holds of most salts",
            "check the unit: g/L, not mg/L or g in the whole tank",
            SOLUBILITY,
        )


def _solubility(name: str, stock: Stock) -> Iterator[Remark]:
    """Judge whether the salts stay dissolved in the coldest night."""
    cold = COLD_STOCK if stock.coldest is None else min(max(stock.coldest, 0.0), 40.0)
    known = {salt: grams for salt, grams in stock.salts.items() if salt in SALTS}
    for salt in stock.salts.keys() - known.keys():
        yield Remark(
            "salt not known",
            f"stock.{name}.salts",
            "watch",
            f"{salt} is not in the table, so its solubility and company were not checked",
            f"use the trade name if it is one of: {', '.join(SALTS)}; else ask the maker's sheet",
            SOLUBILITY,
        )
    for salt, share in share_of_solubility(known, cold).items():
        if share > NEARLY_FULL:
            full = share > 1.0
            yield Remark(
                "salt falls out" if full else "stock nearly full",
                f"stock.{name}.salts",
                "act" if full else "watch",
                f"{stock.salts[salt]:.0f} g/L {salt} is {share:.0%} of what water holds at {cold:.0f} °C",
                f"keep it below {stock.salts[salt] * NEARLY_FULL / share:.0f} g/L, or the tank warmer, and inject more of a "
                "weaker stock",
                SOLUBILITY,
            )


def _clashes(name: str, stock: Stock) -> Iterator[Remark]:
    """Judge what must not meet in one tank."""
    for first, second, clash in clashes(stock.salts):
        yield Remark(
            "parts that must not meet",
            f"stock.{name}.salts",
            "stop" if clash.severity == "stop" else "watch",
            f"{first} and {second} in one stock: {clash.what}",
            clash.mend,
            TABLE,
        )


def _label(name: str, stock: Stock) -> Iterator[Remark]:
    """Judge the stated nutrients against the weighed salts."""
    if not stock.salts or any(salt not in SALTS for salt in stock.salts):
        return
    stated, weighed = element_strengths(stock.nutrients), salts_strengths(stock.salts)
    for element, strength in stated.items():
        made = weighed.get(element, 0.0)
        if abs(made - strength) > LABEL_MISMATCH * max(strength, made):
            yield Remark(
                "nutrients and salts disagree",
                f"stock.{name}.nutrients",
                "act",
                f"{strength:.3g} g/L {element} is stated; the salts as weighed make {made:.3g} g/L",
                "correct the strength or the weights; every dose rests on them",
                "shares of the salts, computed from their formulas",
            )


def _curve(installation: Installation, name: str, stock: Stock) -> Iterator[Remark]:
    """Judge whether EC will be able to tell the ratio."""
    ratio, place = installation.injector[stock.injector].ratio, f"stock.{name}.dilutions"
    if not stock.conducting or ratio is None:
        return
    curve = curve_of(stock)
    series = ", ".join(f"1:{1 / f:.0f}" for f in bench_series(ratio))
    if curve is None:
        yield Remark(
            "no dilution curve",
            place,
            "watch",
            "there is no dilution curve, so EC cannot tell the ratio",
            f"make {series} by hand in the source water, measure the water and each at 25 °C, and write them down",
            CURVE,
        )
    elif not curve.fractions[0] <= ratio / BRACKET or not curve.fractions[-1] >= ratio * BRACKET:
        yield Remark(
            "dilution curve too short",
            place,
            "watch",
            f"the dilutions reach from 1:{1 / curve.fractions[0]:.0f} to 1:{1 / curve.fractions[-1]:.0f}, "
            f"the ratio is 1:{1 / ratio:.0f}; outside them EC gives no answer",
            f"make {series} as well",
            CURVE,
        )
