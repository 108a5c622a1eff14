"""Tables of the installation file for what a zone is built of: emitters, pipes, laterals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from ingest.installation_types import Diameter, Flow, Length, Pressure, Slope, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class Emitters(Table):
    """One group of like emitters in a zone."""

    count: Annotated[int, Field(gt=0)]
    """How many."""
    flow: Flow
    """Rated flow of one."""
    at: Pressure = 100.0
    """Pressure of the rated flow."""
    exponent: Annotated[float, Field(ge=0.0, le=1.0)] = 0.5
    """Exponent of the emitter law; 0 is fully pressure compensating."""


class Pipe(Table):
    """A length of pipe of one bore."""

    length: Length
    """How long."""
    diameter: Diameter
    """Inner diameter."""


class MainPipe(Pipe):
    """A length of pipe of one bore between the head and a zone's manifold."""

    shared: str | None = None
    """Name of this line, where another zone's water passes through it too: the same name in each of them."""


class Laterals(Pipe):
    """The like laterals of a zone, emitters at equal spacing."""

    count: Annotated[int, Field(gt=0)]
    """How many."""
    spacing: Length
    """Distance between emitters along a lateral."""
    slope: Slope = 0.0
    """Rise along the lateral, as a share of its length; falling is negative."""


def lines_of(mains: Mapping[str, Iterable[MainPipe]]) -> dict[str, tuple[tuple[float, float], ...]]:
    """Return the lines that zones share, each with its pieces from the head.

    Parameters
    ----------
    mains : mapping of str to iterable of MainPipe
        Zone to its pipes from the head to the manifold.

    Returns
    -------
    dict of str to tuple
        Name to the length [m] and inner diameter [mm] of each piece, in order.

    Raises
    ------
    ValueError
        If zones describe a line differently, or it does not begin at the head: then the stock that stays in
        it could not be followed from one zone to the other.

    Examples
    --------
    >>> shared = {"length": "50 m", "diameter": "40 mm", "shared": "north line"}
    >>> lines_of({zone: [MainPipe.model_validate(shared)] for zone in "ab"})
    {'north line': ((50.0, 40.0),)}
    """
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    by: dict[str, str] = {}
    for zone, main in mains.items():
        pieces: dict[str, list[tuple[float, float]]] = {}
        own = False
        for pipe in main:
            if pipe.shared and own:
                msg = (
                    f"zone.{zone}.main: the shared line {pipe.shared!r} must come before the zone's own pipes"
                )
                raise ValueError(msg)
            own = own or not pipe.shared
            if pipe.shared:
                pieces.setdefault(pipe.shared, []).append((pipe.length, pipe.diameter))
        for name, parts in pieces.items():
            if found.setdefault(name, tuple(parts)) != tuple(parts):
                msg = (
                    f"zone.{zone}.main: the shared line {name!r} has other lengths or diameters than in "
                    f"zone.{by[name]}; write the same pieces in both, or give this one a name of its own"
                )
                raise ValueError(msg)
            by.setdefault(name, zone)
    return found
