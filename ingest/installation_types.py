"""Typed values of the installation file: text with a unit goes in, a float in the stored unit comes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from ingest.quantities import DIMENSIONS, parse
from ingest.ratio import parse_fraction


class Table(BaseModel):
    """A table of the file: unknown keys are errors, values are immutable."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        validate_default=False,
        arbitrary_types_allowed=True,
        use_attribute_docstrings=True,
    )


Slug = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,62}$")]
"""A table's name: a letter, then letters, digits, ``_`` and ``-``."""


def check_plausible(value: float, low: float, high: float, dimension: str) -> float:
    """Return a value that a drip system can have.

    Parameters
    ----------
    value : float
        In the dimension's stored unit.
    low, high : float
        Ends of what is believed. [stored unit]
    dimension : str
        A key of `ingest.quantities.DIMENSIONS`.

    Returns
    -------
    float
        The same value.

    Raises
    ------
    ValueError
        If it lies outside, because then a unit or a decimal point has slipped.

    Examples
    --------
    >>> check_plausible(16.0, 0.5, 1000.0, "diameter")
    16.0
    """
    if low <= value <= high:
        return value
    stored = DIMENSIONS[dimension][0]
    unit = "" if stored == "1" else f" {stored}"
    msg = f"that is {value:.6g}{unit}; expected {low:g} to {high:g}{unit}. Has a unit or a point slipped?"
    raise ValueError(msg)


def _valued(dimension: str, example: str, low: float, high: float) -> Any:
    """Return the annotations of a field that holds a value of one dimension, believed between two ends."""

    def read(text: object) -> float:
        return check_plausible(parse(text, dimension), low, high, dimension)

    schema = {"type": "string", "description": f"a {dimension} with its unit", "examples": [example]}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


# The ends are far beyond any drip system: they catch slips of a unit or a point, and judge nothing.
# From memory of pipe, pump and meter catalogues; no single source.
Flow = _valued("flow", "2 L/h", 0.0, 1e6)
Volume = _valued("volume", "60 L", 0.0, 1e6)
Pressure = _valued("pressure", "320 kPa", 0.0, 2500.0)
Conductivity = _valued("conductivity", "0.48 mS/cm", 0.0, 1000.0)
Temperature = _valued("temperature", "25 °C", -40.0, 100.0)
Length = _valued("length", "60 m", 0.001, 20_000.0)
Height = _valued("length", "0.5 m", -500.0, 500.0)
Diameter = _valued("diameter", "16 mm", 0.5, 1000.0)
Area = _valued("area", "140 m2", 0.01, 1e7)
Duration = _valued("time", "10 s", 0.0, 1e7)
WaterDepth = _valued("water depth", "6 L/m2", 0.0, 1000.0)
Strength = _valued("strength", "42 g/L", 0.0, 2000.0)
Share = _valued("share", "5 %", 0.0, 1.0)
Slope = _valued("share", "1 %", -1.0, 1.0)
Coefficient = _valued("temperature coefficient", "1.9 %/K", 0.0, 0.05)
Fraction = Annotated[
    float,
    BeforeValidator(parse_fraction),
    WithJsonSchema({"type": "string", "description": "a ratio", "examples": ["1:100", "1 to 100 of water"]}),
]


def _coefficient(value: object) -> float | str:
    """Read a temperature coefficient, or the name of a curve."""
    if value == "natural water":
        return "natural water"
    return check_plausible(parse(value, "temperature coefficient"), 0.0, 0.05, "temperature coefficient")


TemperatureCoefficient = Annotated[
    float | str,
    BeforeValidator(_coefficient),
    WithJsonSchema(
        {
            "type": "string",
            "description": "change of EC for a kelvin at 25 °C, or the standard curve of natural waters",
            "examples": ["1.91 %/K", "natural water"],
        }
    ),
]
"""How EC follows temperature. [1/K]"""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What the maker promises of a sensor, as limits of error.

    Attributes
    ----------
    share : float
        Part proportional to the reading. [-]
    absolute : float
        Part that does not depend on the reading. [the sensor's stored unit]
    """

    share: float = 0.0
    absolute: float = 0.0

    def limit(self, value: float) -> float:
        """Return the limit of error at one reading. [stored unit]

        Examples
        --------
        >>> Accuracy(share=0.02).limit(500.0)
        10.0
        """
        return abs(value) * self.share + self.absolute


def parse_accuracy(text: object, dimension: str) -> Accuracy:
    """Read a sensor's accuracy.

    Parameters
    ----------
    text : object
        ``"2 %"`` of the reading, ``"0.5 % of 600 kPa"`` of a full scale, ``"0.02 mS/cm"``, or a sum
        of these such as ``"1 % + 0.01 mS/cm"``.
    dimension : str
        The sensor's quantity.

    Returns
    -------
    Accuracy
        Its two parts.

    Raises
    ------
    ValueError
        If it is none of these.

    Examples
    --------
    >>> parse_accuracy("0.5 % of 600 kPa", "pressure")
    Accuracy(share=0.0, absolute=3.0)
    """
    if not isinstance(text, str):
        msg = 'expected an accuracy, like "2 %" of the reading or "0.5 % of 600 kPa"'
        raise ValueError(msg)  # noqa: TRY004 - pydantic collects ValueError
    share = absolute = 0.0
    for term in text.split("+"):
        percent, of, scale = term.partition(" of ")
        if of:
            absolute += parse(percent.strip(), "share") * parse(scale.strip(), dimension)
        elif term.strip().endswith("%"):
            share += parse(term.strip(), "share")
        else:
            absolute += parse(term.strip(), dimension)
    if share < 0 or absolute < 0:
        msg = 'expected an accuracy that is not negative, like "2 %"'
        raise ValueError(msg)
    return Accuracy(share, absolute)
