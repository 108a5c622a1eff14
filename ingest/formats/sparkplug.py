"""Sparkplug B: births teach names and aliases, data use them, deaths and gaps are told.

What was learned is explicit, so that a journal that is read again from its middle gives the same readings.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from google.protobuf.message import DecodeError

from ingest.formats.sparkplug_payload import Payload, metric_value
from ingest.readings import Quality
from ingest.records import Place, shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.formats.batch import Batch

NAMESPACE = "spBv1.0"
"""First level of every topic; Sparkplug 3.0.0 section 4.1.1."""

SEQUENCE = 256
"""Sequence numbers run from 0 to one below this; Sparkplug 3.0.0 section 6.4.6."""

QUALITIES = {0: Quality.BAD, 500: Quality.SUSPECT}
"""Codes of the ``Quality`` property that take trust away; Sparkplug 3.0.0 section 6.4.9.1."""

_DEPTH = 4
_READINGS = frozenset({"NBIRTH", "DBIRTH", "NDATA", "DDATA"})
_DEATHS = frozenset({"NDEATH", "DDEATH"})


@dataclass(slots=True)
class Born:
    """What one birth announced.

    Attributes
    ----------
    types : dict of str to int
        Metric to data type.
    aliases : dict of int to str
        Alias to metric.
    """

    types: dict[str, int] = field(default_factory=dict)
    aliases: dict[int, str] = field(default_factory=dict)


@dataclass(slots=True)
class EdgeNode:
    """What is known of one edge node.

    Attributes
    ----------
    seq : int or None
        Last sequence number.
    session : int or None
        Number of the birth, which its death repeats.
    born : dict of str to Born
        Device to its birth; the empty name is the node itself.
    """

    seq: int | None = None
    session: int | None = None
    born: dict[str, Born] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Heard:
    """One message: where it stands in its batch, who sent it, and what it holds."""

    batch: Batch
    item: int
    node: str
    device: str
    payload: Any

    @property
    def who(self) -> str:
        """The sender, for a person."""
        return str(Place(*self.where)).rstrip()

    @property
    def where(self) -> tuple[str, ...]:
        """The sender, as the beginning of a place."""
        return ("", self.node, " device ", self.device, " ") if self.device else ("", self.node, " ")

    def note(self, reason: str, detail: str) -> None:
        """Tell something that is worth knowing."""
        self.batch.notices.add(reason, detail, self.item)

    def session(self) -> int | None:
        """Return the number of a birth, which its death repeats."""
        numbers = (int(m.long_value or m.int_value) for m in self.payload.metrics if m.name == "bdSeq")
        return next(numbers, None)


class Sparkplug:
    """Reads the Sparkplug messages of the edge nodes that an installation names.

    Parameters
    ----------
    sensors : mapping of (str, str, str) to int
        Edge node ("group/node"), device (empty for the node) and metric to the sensor's code.
    memory : str
        What `memory` returned before, to go on from there.
    """

    def __init__(self, sensors: Mapping[tuple[str, str, str], int], memory: str = "") -> None:
        self._sensors = dict(sensors)
        self._devices = {(node, device) for node, device, _ in sensors}
        self._nodes = {node: EdgeNode() for node, _ in self._devices}
        for node, kept in json.loads(memory or "{}").items():
            if node in self._nodes:
                self._nodes[node] = _remembered(kept)

    def memory(self) -> str:
        """Return what was learned, as JSON; the same messages give the same text."""
        return json.dumps(
            {
                node: {
                    "seq": known.seq,
                    "session": known.session,
                    "born": {
                        device: {"types": born.types, "aliases": list(born.aliases.items())}
                        for device, born in known.born.items()
                    },
                }
                for node, known in self._nodes.items()
                if known.born or known.seq is not None
            },
            sort_keys=True,
        )

    def read(self, batch: Batch, item: int) -> None:
        """Read one message.

        Parameters
        ----------
        batch : Batch
            Takes readings, rejects and notices.
        item : int
            Index of the message.
        """
        message = batch.messages[item]
        levels = message.topic.split("/")
        kind = levels[2] if len(levels) >= _DEPTH else ""
        if kind not in _READINGS | _DEATHS:
            return  # commands and host states carry no readings
        node, device = f"{levels[1]}/{levels[3]}", "/".join(levels[4:])
        known = self._nodes.get(node)
        if known is None:
            batch.rejects.add("unknown topic", f"no sensor has source edge_node = {shown(node)}", item)
            return
        try:
            payload = Payload.FromString(message.payload)
        except DecodeError:
            detail = f"topic {shown(message.topic)}: no Sparkplug payload; it begins {shown(message.payload)}"
            batch.rejects.add("syntax", detail, item)
            return
        self._take(kind, known, _Heard(batch, item, node, device, payload))

    def _take(self, kind: str, known: EdgeNode, heard: _Heard) -> None:
        """Do what a message's kind asks for."""
        if kind == "NDEATH":
            _die(known, heard)
            return
        _count(known, heard, birth=kind == "NBIRTH")
        if kind == "NBIRTH":
            known.born.clear()
            known.session = heard.session()
        if (heard.node, heard.device) not in self._devices:
            return  # counted, but no sensor is there
        if kind == "DDEATH":
            known.born.pop(heard.device, None)
            heard.note("death", f"{heard.who} has left")
            return
        if kind in ("NBIRTH", "DBIRTH"):
            known.born[heard.device] = self._learned(heard)
        self._add(known.born.get(heard.device), heard)

    def _learned(self, heard: _Heard) -> Born:
        """Learn names and aliases from a birth, and tell metrics that it lacks."""
        born = Born()
        for metric in heard.payload.metrics:
            born.types[metric.name] = metric.datatype
            if metric.HasField("alias"):
                born.aliases[metric.alias] = metric.name
        for node, device, name in self._sensors:
            if (node, device) == (heard.node, heard.device) and name not in born.types:
                heard.note("missing metric", f"the birth of {heard.who} has no metric {shown(name)}")
        return born

    def _add(self, born: Born | None, heard: _Heard) -> None:
        """Add the metrics that sensors read."""
        born = born or Born()
        for metric in heard.payload.metrics:
            name = metric.name if metric.HasField("name") else born.aliases.get(metric.alias)
            if name is None:
                detail = f"{heard.who}: no birth announced alias {metric.alias}"
                heard.batch.rejects.add("alias", detail, heard.item)
                continue
            code = self._sensors.get((heard.node, heard.device, name))
            if code is None:
                continue
            place = Place(*heard.where, name)
            value = metric_value(metric, metric.datatype or born.types.get(name, 0))
            if value is None:
                heard.batch.rejects.add("no value", f"{place}: no single value", heard.item)
                continue
            heard.batch.add(
                code,
                value,
                message=heard.item,
                place=place,
                time_us=_time_us(metric, heard.payload),
                quality=_quality(metric),
            )


def _remembered(kept: dict[str, Any]) -> EdgeNode:
    """Return an edge node from its JSON."""
    born = {
        device: Born(row["types"], {int(alias): name for alias, name in row["aliases"]})
        for device, row in kept["born"].items()
    }
    return EdgeNode(kept["seq"], kept["session"], born)


def _die(known: EdgeNode, heard: _Heard) -> None:
    """Forget an edge node that has left, and tell it; the death of an earlier session is none."""
    session = heard.session()
    if None not in (session, known.session) and session != known.session:
        return
    known.born.clear()
    known.seq = None
    heard.note("death", f"{heard.who} has left")


def _count(known: EdgeNode, heard: _Heard, *, birth: bool) -> None:
    """Tell messages that are missing before this one; one that comes again is none of them."""
    if not heard.payload.HasField("seq"):
        return
    seq, last = int(heard.payload.seq), known.seq
    if last is not None and not birth and seq not in (last, (last + 1) % SEQUENCE):
        heard.note("sequence", f"{shown(heard.node)}: message {(last + 1) % SEQUENCE} was due, {seq} came")
    known.seq = seq


def _time_us(metric: Any, payload: Any) -> float | None:
    """Return when a metric was measured: its own time, or the message's. [µs since 1970, UTC]"""
    for holder in (metric, payload):
        if holder.HasField("timestamp"):
            return float(holder.timestamp) * 1e3
    return None


def _quality(metric: Any) -> Quality:
    """Return what the edge node itself thinks of a value."""
    if not metric.HasField("properties"):
        return Quality.NOT_EVALUATED
    for key, value in zip(metric.properties.keys, metric.properties.values, strict=False):
        if key == "Quality":
            return QUALITIES.get(value.int_value, Quality.NOT_EVALUATED)
    return Quality.NOT_EVALUATED
