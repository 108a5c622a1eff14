"""The quantities that are measured, one name and one stored unit each, and the conversions at the door.

Inside the project a value always has its quantity's stored unit; people write and read any usual unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from math import isfinite
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that a sensor measures.

    Attributes
    ----------
    name : str
        The trade's word, as written in ``installation.toml``.
    unit : str
        Stored unit, as shown to people.
    ucum : str
        The same unit as a UCUM code, for the Parquet schema.
    us_unit : str
        Unit shown when the installation or the page says ``us``.
    label : str
        Axis title without unit.
    """

    name: str
    unit: str
    ucum: str
    us_unit: str
    label: str


QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        q.name: q
        for q in (
            Quantity("flow", "L/h", "L/h", "gal/min", "Flow"),
            Quantity("volume", "L", "L", "gal", "Volume"),
            Quantity("pressure", "kPa", "kPa", "psi", "Pressure"),
            Quantity("conductivity", "mS/cm", "mS/cm", "mS/cm", "EC at 25 °C"),
            Quantity("temperature", "°C", "Cel", "°F", "Temperature"),
            Quantity("level", "mm", "mm", "in", "Level"),
            Quantity("mass", "kg", "kg", "lb", "Mass"),
            Quantity("valve state", "1", "1", "1", "Valve open"),
            Quantity("concentration", "mg/L", "mg/L", "mg/L", "Concentration"),
        )
    }
)
"""Every quantity that a sensor can have. A new one is one line here."""

DIMENSIONS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        **{q.name: (q.unit, q.us_unit) for q in QUANTITIES.values()},
        "length": ("m", "ft"),
        "diameter": ("mm", "in"),
        "area": ("m2", "ft2"),
        "time": ("s", "s"),
        "strength": ("g/L", "g/L"),
        "areal dose": ("g/m2", "oz/ft2"),
        "water depth": ("L/m2", "in"),
        "share": ("1", "1"),
        "temperature coefficient": ("1/K", "1/K"),
        "bacteria count": ("CFU/mL", "CFU/mL"),
    }
)
"""Dimension to (stored unit, US unit): the quantities, and those of the installation file."""

_NUMBER = re.compile(r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$", re.ASCII)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
_WORD = r"(?:[^\W\d][\w°]*|[°%][A-Za-z]*)"
_UNIT = re.compile(rf"(?:1|{_WORD})(?:(?: ?[*/·] ?| ){_WORD})*")
_LONGEST_UNIT = 40
_SPELLINGS = (
    ("°C", "degC"),
    ("°F", "degF"),
    ("µ", "u"),
    ("μ", "u"),
    ("²", "2"),
    ("³", "3"),
    ("gph", "gal/h"),
    ("gpm", "gal/min"),
    ("%", "percent"),
)


@cache
def _registry() -> Any:
    """Return the units registry, built once at first use because building it is slow."""
    import pint  # noqa: PLC0415 - a command that reads no units does not pay for the registry

    registry: Any = pint.UnitRegistry(cache_folder=None)
    registry.define("litre_per_hour = liter / hour = lph")
    registry.define("colony_forming_unit = count = CFU = cfu")
    return registry


@cache
def _factor(unit: str, stored: str) -> tuple[float, float]:
    """Return scale and offset that turn a value in `unit` into `stored`."""
    registry = _registry()

    def spell(text: str) -> str:
        for foreign, plain in _SPELLINGS:
            text = text.replace(foreign, plain)
        text = re.sub(r"\bL\b", "liter", text)
        return re.sub(r"\b(m|ft|cm|mm)([23])\b", r"\1**\2", text)

    zero = registry.Quantity(0.0, spell(unit)).to(spell(stored)).magnitude
    one = registry.Quantity(1.0, spell(unit)).to(spell(stored)).magnitude
    return float(one - zero), float(zero)


def _checked(unit: str) -> str:
    """Return a unit that is spelled like one: no powers of powers, which would keep the registry busy for ever.

    Raises
    ------
    ValueError
        If it is not.
    """
    if len(unit) > _LONGEST_UNIT or not _UNIT.fullmatch(unit):
        msg = f"{unit[:_LONGEST_UNIT]!r} is not spelled like a unit"
        raise ValueError(msg)
    return unit


def convert(value: float, unit: str, stored: str) -> float:
    """Convert one value between two units of the same dimension.

    Parameters
    ----------
    value : float
        The number. [`unit`]
    unit, stored : str
        Unit of the number, and the unit wanted; any usual spelling.

    Returns
    -------
    float
        The value. [`stored`]

    Raises
    ------
    ValueError
        If a unit is not known or the two have different dimensions.

    Examples
    --------
    >>> round(convert(35, "psi", "kPa"), 2)
    241.32
    >>> round(convert(2, "gal/h", "L/h"), 3)
    7.571
    >>> convert(50, "°F", "°C")
    10.0
    """
    try:
        scale, offset = _factor(_checked(unit), stored)
    except Exception as error:
        msg = f"{unit!r} is not a unit that can be turned into {stored}"
        raise ValueError(msg) from error
    return value * scale + offset


def _a(noun: str) -> str:
    """Return a noun with its article."""
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def parse(text: object, dimension: str) -> float:
    """Read a value with its unit as a person writes it.

    Parameters
    ----------
    text : object
        For example ``"35 psi"``; anything but a string is refused, because a bare number has no unit.
    dimension : str
        A key of `DIMENSIONS`.

    Returns
    -------
    float
        The value in the dimension's stored unit.

    Raises
    ------
    ValueError
        If there is no number, no unit, or a unit of another dimension.

    Examples
    --------
    >>> round(parse("35 psi", "pressure"), 2)
    241.32
    >>> parse("5 %", "share")
    0.05
    """
    stored, us_unit = DIMENSIONS[dimension]
    like = (
        'a share, like "5 %"'
        if dimension == "share"
        else f'{_a(dimension)} with its unit, like "10 {stored}"'
    )
    if us_unit != stored:
        like += f' or "10 {us_unit}"'
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        msg = f"the unit is missing; expected {like}"
        raise ValueError(msg)  # noqa: TRY004 - pydantic collects ValueError
    match = _NUMBER.match(text) if isinstance(text, str) else None
    if match is None:
        msg = f"expected {like}"
        raise ValueError(msg)
    if _THOUSANDS.fullmatch(match[1]):
        msg = f"{match[1]!r} may be thousands or decimals; write {match[1].replace(',', '')}, or a decimal point"
        raise ValueError(msg)
    number, unit = float(match[1].replace(",", ".")), match[2]
    if not isfinite(number):
        msg = f"{match[1]} is too large; expected {like}"
        raise ValueError(msg)
    if not unit and dimension != "share":
        msg = f"the unit is missing; expected {like}"
        raise ValueError(msg)
    try:
        return convert(number, unit or "1", stored)
    except ValueError as error:
        msg = f"{unit!r} is not a unit of {dimension}; expected {like}"
        raise ValueError(msg) from error
