"""Typed values of the installation file: text with a unit goes in, a float in the stored unit comes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from ingest.quantities import parse
from ingest.ratio import parse_fraction


def _valued(dimension: str, example: str) -> Any:
    """Return the annotations of a field that holds a value of one dimension."""

    def read(text: object) -> float:
        return parse(text, dimension)

    schema = {"type": "string", "description": f"a {dimension} with its unit", "examples": [example]}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


Flow = _valued("flow", "2 L/h")
Volume = _valued("volume", "60 L")
Pressure = _valued("pressure", "320 kPa")
Conductivity = _valued("conductivity", "0.48 mS/cm")
Temperature = _valued("temperature", "25 °C")
Length = _valued("length", "60 m")
Diameter = _valued("diameter", "16 mm")
Area = _valued("area", "140 m2")
Duration = _valued("time", "10 s")
Strength = _valued("strength", "42 g/L")
Share = _valued("share", "5 %")
Coefficient = _valued("temperature coefficient", "1.9 %/K")
Fraction = Annotated[
    float,
    BeforeValidator(parse_fraction),
    WithJsonSchema({"type": "string", "description": "a ratio", "examples": ["1:100", "1 to 100 of water"]}),
]


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
    return Accuracy(share, absolute)
