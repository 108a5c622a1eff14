"""Slips of the pen: values that are possible, but not where they stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.commissioning.items import Remark
from ingest.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Installation

LEAST_RATED_PRESSURE = 30.0
"""Emitters are rated at 50 kPa or more; 15 or 20 written for psi would be 103 or 138 kPa. [kPa] No source."""

LEAST_SUPPLY = 100.0
"""Drip needs about 100 kPa from its supply; 45 written for psi would be 310 kPa. [kPa] No source."""

MOST_SUPPLY = 1200.0
"""More than this is not a garden's supply. [kPa] No source."""

SAME_RATIO = 0.001
"""Ratios within this share are the same; the two meanings of 1:n are 1/(n+1) apart, 0.2 % at 1:500. [-]"""

STRONGEST_RATIO = 0.05
"""A ratio stronger than 1:20 is rare in fertigation. [-] No source."""

WEAKEST_RATIO = 0.0005
"""A ratio weaker than 1:2000 is rare in fertigation. [-] No source."""

HABIT = "usual values of the trade, no source"


def remarks(installation: Installation) -> list[Remark]:
    """Return values that look like slips of the unit or of the ratio.

    References
    ----------
    Limits of this module.
    """
    return [*_pressures(installation), *_ratios(installation), *_sensors(installation)]


def _psi(kilopascals: float) -> str:
    """Return what a number would be if its unit were psi."""
    return f"{convert(kilopascals, 'psi', 'kPa'):.0f} kPa"


def _pressures(installation: Installation) -> Iterator[Remark]:
    """Judge rated and supply pressures."""
    for name, zone in installation.zone.items():
        for group in zone.emitters:
            if group.at < LEAST_RATED_PRESSURE:
                yield Remark(
                    "slip of pressure unit",
                    f"zone.{name}.emitters",
                    "watch",
                    f"emitters rated at {group.at:.0f} kPa are unusual; {group.at:.0f} psi would be {_psi(group.at)}",
                    "check the unit on the emitter's sheet",
                    HABIT,
                )
    pressure = installation.supply.pressure
    if pressure is not None and not LEAST_SUPPLY <= pressure <= MOST_SUPPLY:
        yield Remark(
            "slip of pressure unit",
            "supply.pressure",
            "watch",
            f"a supply of {pressure:.0f} kPa is unusual; {pressure:.0f} psi would be {_psi(pressure)}",
            "check the unit on the gauge",
            HABIT,
        )


def _ratios(installation: Installation) -> Iterator[Remark]:
    """Judge the injectors' ratios, and targets against them."""
    for name, injector in installation.injector.items():
        ratio = injector.ratio
        if ratio is not None and not WEAKEST_RATIO <= ratio <= STRONGEST_RATIO:
            yield Remark(
                "ratio unusual",
                f"injector.{name}.ratio",
                "watch",
                f"1:{1 / ratio:.4g} is unusual for fertilizer; 1:n here means 1 part in n parts of solution",
                'check it; "1 to n of water" is the other meaning',
                HABIT,
            )
    for name, zone in installation.zone.items():
        key = installation.injector_of(name)
        ratio = None if key is None else installation.injector[key].ratio
        wanted = None if zone.target is None else zone.target.ratio
        if ratio is None or wanted is None or key is None:
            continue
        off, tolerance = abs(wanted / ratio - 1.0), installation.injector[key].ratio_tolerance
        if off > SAME_RATIO:
            yield Remark(
                "target ratio differs",
                f"zone.{name}.target.ratio",
                "act" if off > tolerance else "watch",
                f"the zone wants f = {wanted:.5f}, its injector {key} is set to f = {ratio:.5f}, {off:.1%} apart",
                "write both in the same way: 1:100 is 1 part in 100 parts of solution, "
                '"1 to 100 of water" is 1 part added to 100 parts of water',
                "University of Maryland Extension FS-1121 (2020) for the first meaning",
            )


def _sensors(installation: Installation) -> Iterator[Remark]:
    """Judge sensors whose range cannot hold what they will see."""
    supply = installation.supply.pressure
    for name, sensor in installation.sensor.items():
        if sensor.quantity == "pressure" and sensor.point == "supply" and sensor.range and supply is not None:
            low, high = sensor.range
            if not low <= supply <= high:
                yield Remark(
                    "sensor range too small",
                    f"sensor.{name}.range",
                    "act",
                    f"it reads {low:.0f} to {high:.0f} kPa, but the supply has {supply:.0f} kPa",
                    "a sensor for the whole pressure, or the right unit",
                    HABIT,
                )
