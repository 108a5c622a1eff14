"""Units as devices write them, and the scale and offset that bring each to a sensor's own unit.

Text from a device never reaches the units library: it is looked up in tables that are made from the
installation beforehand, so that no payload can make the lookup slow.
"""

from __future__ import annotations

from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from ingest.quantities import QUANTITIES, convert

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Sensor

SENML_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "m": "m",
        "mm": "mm",
        "cm": "cm",
        "km": "km",
        "kg": "kg",
        "g": "g",
        "Cel": "degC",
        "K": "kelvin",
        "Pa": "Pa",
        "hPa": "hPa",
        "S/m": "S/m",
        "m3": "m3",
        "l": "L",
        "m3/s": "m3/s",
        "l/s": "L/s",
        "kg/m3": "kg/m3",
        "g/l": "g/L",
        "mg/l": "mg/L",
        "ug/l": "ug/L",
        "ug/m3": "ug/m3",
        "/": "1",
        "%": "1",
        "/100": "percent",
    }
)
"""Names in the SenML units registries that can belong to a quantity here, and their usual spelling.

RFC 8428 section 12.1 (primary; ``%`` is a ratio of 0 to 1 there, as ``/``) and RFC 8798 section 3
(secondary, such as ``hPa``); ``mg/l``, ``ug/l`` and ``g/l`` were registered later (second-hand copy of
the registry). Secondary names are taken in a pack of any version: no primary name looks like them.
"""

TRADE_UNITS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "flow": ("L/h", "l/h", "L/min", "l/min", "m3/h", "gal/h", "gal/min", "gph", "gpm"),
        "volume": ("L", "gal", "mL"),
        "pressure": ("kPa", "bar", "mbar", "psi"),
        "conductivity": ("mS/cm", "dS/m", "uS/cm", "µS/cm"),
        "temperature": ("°C", "degC", "°F", "degF"),
        "level": ("in", "ft"),
        "mass": ("lb",),
        "valve state": ("1",),
        "concentration": ("mg/L", "g/L"),
    }
)
"""Usual spellings that no SenML registry has, by quantity; from memory of makers' data sheets."""

SIGNALS = MappingProxyType({"mA": (1.0, 0.0), "A": (1000.0, 0.0), "mV": (0.001, 0.0), "V": (1.0, 0.0)})
"""Electrical units of a transmitter's signal: scale to mA or V, and no offset."""

COUNTS = frozenset({"count", "pulse", "pulses"})
"""Units of a pulse counter's register; ``count`` is the SenML one."""

SECONDS_AN_HOUR = 3600.0
"""Definition of the hour. [s/h]"""

FAR = 1e6
"""Where a conversion is sampled to find its scale: far from zero, so that an offset does not eat digits."""


@cache
def _factors(spelling: str, stored: str) -> tuple[float, float] | None:
    """Return scale and offset from a known spelling to a stored unit; None for another dimension."""
    try:
        zero, many = convert(0.0, spelling, stored), convert(FAR, spelling, stored)
    except ValueError:
        return None
    return float(f"{(many - zero) / FAR:.14g}"), float(f"{zero:.14g}")


@cache
def quantity_units(quantity: str) -> Mapping[str, tuple[float, float]]:
    """Return the units in which a device may send a quantity.

    Parameters
    ----------
    quantity : str
        A key of `ingest.quantities.QUANTITIES`.

    Returns
    -------
    mapping of str to (float, float)
        Unit as sent to scale and offset: stored = sent * scale + offset.

    References
    ----------
    RFC 8428 section 12.1; RFC 8798 section 3.

    Examples
    --------
    >>> quantity_units("conductivity")["S/m"]
    (10.0, 0.0)
    """
    stored = QUANTITIES[quantity].unit
    sent = {name: name for name in TRADE_UNITS.get(quantity, ())} | {stored: stored} | dict(SENML_UNITS)
    found = {name: _factors(spelling, stored) for name, spelling in sent.items()}
    return MappingProxyType({name: factors for name, factors in found.items() if factors is not None})


def stored_value(value: float, unit: str, quantity: str) -> float:
    """Return a value as a device sends it in the stored unit of its quantity.

    Parameters
    ----------
    value : float
        As sent. [`unit`]
    unit : str
        A key of `quantity_units`.
    quantity : str
        A key of `ingest.quantities.QUANTITIES`.

    Returns
    -------
    float
        The value. [stored unit]

    Raises
    ------
    ValueError
        If the unit is not one of the quantity's.

    Examples
    --------
    >>> stored_value(0.131, "S/m", "conductivity")
    1.31
    """
    factors = quantity_units(quantity).get(unit)
    if factors is None:
        msg = f"{unit!r} is not a unit of {quantity}"
        raise ValueError(msg)
    return value * factors[0] + factors[1]


def sensor_units(sensor: Sensor) -> dict[str, tuple[float, float]]:
    """Return the units in which one sensor may send, its own first.

    Parameters
    ----------
    sensor : Sensor
        As described in the installation file.

    Returns
    -------
    dict of str to (float, float)
        Unit as sent to scale and offset. They lead to the stored unit; for a signal (``mA``, ``V``) to
        mA or V, and for a pulse counter to counts.
    """
    if sensor.pulses_per_litre is not None:
        return dict.fromkeys([sensor.unit, *sorted(COUNTS)], (1.0, 0.0))
    if sensor.unit in SIGNALS:
        same = ("mA", "A") if sensor.unit.endswith("A") else ("mV", "V")
        return {unit: SIGNALS[unit] for unit in same}
    own = _factors(sensor.unit, QUANTITIES[sensor.quantity].unit) or (1.0, 0.0)
    sums = _sum_units() if sensor.quantity == "volume" else {}
    return {**quantity_units(sensor.quantity), **sums, sensor.unit: own}


def sum_unit(unit: str) -> str:
    """Return the unit of a SenML sum, the integral over seconds of values in `unit`.

    Examples
    --------
    >>> sum_unit("m3/s")
    'm3/s s'
    """
    return f"{unit} s"


@cache
def _sum_units() -> Mapping[str, tuple[float, float]]:
    """Return the units of a sum over a flow, and their scale to litres."""
    flows = quantity_units("flow")
    return {
        sum_unit(unit): (float(f"{scale / SECONDS_AN_HOUR:.14g}"), 0.0) for unit, (scale, _) in flows.items()
    }
