"""What people did to a system, as they wrote it down, and which baselines it ends."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from analysis.diagnosis.relations import Relation

SERVICE_KINDS: Mapping[str, str] = MappingProxyType(
    {
        "commissioned": "the whole system was set up or accepted anew",
        "acid flush": "acid was run through the lines",
        "chlorine flush": "chlorine was run through the lines",
        "lines flushed": "lateral ends were opened and flushed",
        "emitters replaced": "emitters or laterals were replaced",
        "filter cleaned": "a filter was cleaned or backwashed by hand",
        "filter replaced": "a filter or its element was replaced",
        "regulator set": "a pressure regulator was set, cleaned or replaced",
        "valve serviced": "a valve was cleaned, set or replaced",
        "leak repaired": "a leak was closed",
        "pipes changed": "pipes, emitters' number or layout changed",
        "sensor calibrated": "a sensor was calibrated or cleaned",
        "sensor replaced": "a sensor was replaced or moved",
        "preventer tested": "a licensed tester tested the backflow preventer and it passed; name the tester in the note",
        "preventer test failed": "a licensed tester tested the backflow preventer and it did not pass; say what failed",
        "backflow cleared": "a person looked into a backflow finding and closed it",
        "note": "anything else worth remembering",
    }
)
"""What can be entered, and what it means."""

EMITTER_SERVICES = frozenset({"acid flush", "chlorine flush", "lines flushed", "emitters replaced"})
"""Services whose effect on the emitters is tested."""

NEW_EMITTERS = frozenset({"commissioned", "emitters replaced", "pipes changed"})
"""Services after which the emitters count as new: loss is reckoned from here."""


@dataclass(frozen=True, slots=True)
class Service:
    """One entry of the service log.

    Attributes
    ----------
    time : pandas.Timestamp
        When it was done. [UTC]
    person : str
        Who says so.
    kind : str
        A key of `SERVICE_KINDS`.
    zone, sensor : str or None
        Where; None for the head, or for all zones.
    note : str
        What else there is to say.
    """

    time: pd.Timestamp
    person: str
    kind: str
    zone: str | None = None
    sensor: str | None = None
    note: str = ""


def ends_baseline(service: Service, zone: str, relation: Relation) -> bool:
    """Return whether a service makes a relation's baseline a thing of the past.

    Parameters
    ----------
    service : Service
        The entry.
    zone : str
        The zone whose relation it is.
    relation : Relation
        The relation.

    Returns
    -------
    bool
        True where the relation must be learned anew.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from analysis.diagnosis.relations import Relation
    >>> loss = Relation("loss", ("filter",), ("p1", "p2"), np.zeros(1), {})
    >>> cleaned = Service(pd.Timestamp("2026-05-01", tz="UTC"), "A. Weller", "filter cleaned")
    >>> ends_baseline(cleaned, "bench1", loss)
    True
    """
    if service.zone not in (None, zone):
        return False
    if service.kind in ("sensor calibrated", "sensor replaced"):
        return service.sensor in relation.sensors
    pipes = {"main", "laterals", "valve"}.intersection(relation.elements)
    return {
        "commissioned": True,
        "pipes changed": True,
        "acid flush": relation.kind == "flow",
        "chlorine flush": relation.kind == "flow",
        "lines flushed": relation.kind == "flow" or "laterals" in relation.elements,
        "emitters replaced": relation.kind == "flow" or "laterals" in relation.elements,
        "filter cleaned": "filter" in relation.elements and relation.kind == "loss",
        "filter replaced": "filter" in relation.elements and relation.kind == "loss",
        "regulator set": relation.kind == "regulated",
        "valve serviced": bool(pipes) and relation.kind == "loss",
        "leak repaired": relation.kind in ("flow", "meters") or bool(pipes),
    }.get(service.kind, False)
