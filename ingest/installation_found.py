"""Typed values of a laboratory's sheet: text with a unit goes in, a float in the stored unit comes out."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from ingest.installation_types import check_plausible
from ingest.quantities import parse

_PPM = re.compile(r"\bppm$")


def parse_found(text: object, dimension: str) -> float:
    """Read what a laboratory's sheet says of one substance.

    Parameters
    ----------
    text : object
        A value with its unit. ``"<0.02 mg/L"``, which is less than the laboratory can tell, is taken as that
        limit, the worst that it can be. ppm in water are mg/L.
    dimension : str
        ``"concentration"`` or ``"bacteria count"``.

    Returns
    -------
    float
        The value. [mg/L], or [CFU/mL]

    Raises
    ------
    ValueError
        If it is no such value.

    Examples
    --------
    >>> parse_found("<0.02 mg/L", "concentration"), parse_found("56 ppm", "concentration")
    (0.02, 56.0)
    """
    if isinstance(text, str):
        text = text.strip().removeprefix("<").strip()
        text = _PPM.sub("mg/L", text) if dimension == "concentration" else text
    return parse(text, dimension)


def _found(dimension: str, example: str, high: float) -> Any:
    """Return the annotations of a field that holds what a laboratory found, believed up to `high`."""

    def read(text: object) -> float:
        return check_plausible(parse_found(text, dimension), 0.0, high, dimension)

    schema = {"type": "string", "description": f"a {dimension} with its unit", "examples": [example]}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


# The ends are far beyond any irrigation water: they catch slips of a unit or a point, and judge nothing. No source.
Solids = _found("concentration", "320 mg/L", 100_000.0)
Major = _found("concentration", "56 mg/L", 20_000.0)
Trace = _found("concentration", "0.05 mg/L", 1_000.0)
Count = _found("bacteria count", "1200 CFU/mL", 1e9)
