"""The water as laboratories found it: what can clog emitters, and what it does with the stocks that it carries."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.commissioning import mixtures
from analysis.commissioning.items import Remark
from analysis.dilution import curve_of
from analysis.saturation import lime_ph
from analysis.water_report import (
    HARDNESS_OF_CALCIUM,
    HARDNESS_OF_MAGNESIUM,
    LICENSED,
    Found,
    amount,
    limits,
    newest,
    report,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date

    from ingest.installation import Installation

PLACE = "water.analysis"

DISAGREE = 0.15
"""Two ways to one number may differ by this. [-] Rounding and two laboratories, no source."""

SOLIDS_SPAN = (450.0, 900.0)
"""Dissolved solids for the EC, between which natural waters lie. [mg/L per mS/cm] From memory, wide."""


def remarks(installation: Installation, today: date) -> list[Remark]:
    """Return what the water can do to emitters and stocks.

    Parameters
    ----------
    installation : Installation
        The system as described.
    today : datetime.date
        The day, so that no sample comes from the future.

    Returns
    -------
    list of Remark
        Nothing for drinking water without an analysis.

    References
    ----------
    Named in each remark.

    Examples
    --------
    >>> from datetime import date
    >>> from analysis.commissioning.example import garden
    >>> made = remarks(garden(water__analysis=[{"sampled": "2026-02-01", "iron": "2 mg/L"}]), date(2026, 5, 1))
    >>> [(remark.kind, remark.severity) for remark in made]
    [('water can clog emitters', 'act')]
    """
    found = newest(installation.water)
    if not found:
        return list(_not_analysed(installation))
    return [
        *_hazards(installation),
        *_days(installation, today),
        *_agreement(installation, found),
        *_scale(found),
        *mixtures.remarks(installation, found),
    ]


def _not_analysed(installation: Installation) -> Iterator[Remark]:
    """Tell where nobody knows what a water brings."""
    if installation.supply.kind != "potable":
        yield Remark(
            "water not analysed",
            "water",
            "watch",
            f"there is no analysis of this {installation.supply.kind} water, so nobody knows what will clog the emitters",
            "have it analysed (pH, solids, iron, manganese, sulfide, calcium, bicarbonate, bacteria) and write it down",
            "common practice of the irrigation bulletins",
        )


def _hazards(installation: Installation) -> Iterator[Remark]:
    """Tell of every item that is worse than slight."""
    for item in report(installation.water):
        if item.hazard.verdict != "slight":
            yield Remark(
                "water can clog emitters",
                PLACE,
                "act" if item.hazard.verdict == "severe" else "watch",
                f"{item.hazard.factor} {amount(item)}, of {item.found.sampled}: {item.hazard.verdict} hazard, {limits(item)}",
                item.to_do,
                item.hazard.source,
            )


def _days(installation: Installation, today: date) -> Iterator[Remark]:
    """Tell of samples that are not taken yet."""
    for row in installation.water.analysis:
        if row.sampled > today:
            yield Remark(
                "sample from the future",
                PLACE,
                "act",
                f"sampled {row.sampled} lies after today, {today}",
                "correct the day; the newest sample counts",
                "calendar",
            )


def _agreement(installation: Installation, found: Mapping[str, Found]) -> Iterator[Remark]:
    """Tell where two numbers of the water cannot both be right."""
    alone = {
        key: one for key, one in found.items() if key not in ("hardness", "dissolved_solids") or not one.how
    }
    ec = alone.get("conductivity")
    solids = alone.get("dissolved_solids")
    if ec is not None and solids is not None and ec.value > 0:
        share = solids.value / ec.value
        if not SOLIDS_SPAN[0] <= share <= SOLIDS_SPAN[1]:
            yield _slip(
                f"{solids.value:.4g} mg/L dissolved solids are {share:.0f} for each mS/cm of EC; waters have "
                f"{SOLIDS_SPAN[0]:.0f} to {SOLIDS_SPAN[1]:.0f}",
                "check both values and their units",
            )
    for name, stock in installation.stock.items():
        curve = curve_of(stock)
        if ec is not None and curve is not None and abs(curve.water - ec.value) > DISAGREE * ec.value:
            yield _slip(
                f"EC {ec.value:.3g} mS/cm, but {curve.water:.3g} mS/cm in the dilutions of stock {name}",
                f"the water has changed or one is wrong: measure it, and make the dilutions of stock {name} again",
            )
    hardness, calcium, magnesium = (alone.get(key) for key in ("hardness", "calcium", "magnesium"))
    if hardness is not None and calcium is not None and magnesium is not None:
        made = HARDNESS_OF_CALCIUM * calcium.value + HARDNESS_OF_MAGNESIUM * magnesium.value
        if abs(made - hardness.value) > DISAGREE * max(made, hardness.value):
            yield _slip(
                f"hardness {hardness.value:.4g} mg/L as CaCO3, but calcium and magnesium make {made:.4g}",
                "check what the laboratory gives its hardness as",
            )


def _slip(what: str, mend: str) -> Remark:
    return Remark(
        "water analysis disagrees", PLACE, "watch", what, mend, "arithmetic; natural waters, from memory"
    )


def _scale(found: Mapping[str, Found]) -> Iterator[Remark]:
    """Tell where lime falls out of the water by itself."""
    if not {"ph", "calcium", "bicarbonate"} <= found.keys():
        return
    clear = lime_ph(mixtures.solution(found, {}, mixtures.water_ec(found)))
    if found["ph"].value > clear + mixtures.LIME_MARGIN:
        yield Remark(
            "lime falls out of the water",
            PLACE,
            "watch",
            f"at pH {found['ph'].value:.1f} lime falls out of this water above pH {clear:.1f}, the sooner the warmer the lines",
            f"watch the emitters at the lateral ends, and have the water judged for treatment; {LICENSED}",
            mixtures.INDEX,
        )
