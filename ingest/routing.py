"""From messages to readings: each topic to its format, each name to its sensor, each value to its unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.conversion import Converter
from ingest.formats import logger, senml_cbor, senml_json, values
from ingest.formats.batch import Batch
from ingest.formats.senml_records import SenmlNames
from ingest.formats.sparkplug import NAMESPACE, Sparkplug
from ingest.formats.topics import KEPT, Topics
from ingest.formats.values import Binding, binding
from ingest.records import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.installation import Installation
    from ingest.records import Decoded, Message

MAX_PAYLOAD = 1 << 20
"""A payload larger than this is refused unread; computed: a pack of some 50,000 readings. [B]"""


@dataclass(frozen=True, slots=True)
class Route:
    """What the messages of one topic hold.

    Attributes
    ----------
    bindings : tuple of Binding
        Sensors whose values stand there plain or as fields of JSON.
    names : SenmlNames or None
        SenML names that may stand there, where there are no bindings.
    """

    bindings: tuple[Binding, ...] = ()
    names: SenmlNames | None = None


class Router:
    """Decodes the messages of one installation.

    What comes out depends on the messages, their order and the memory alone, so that a journal can be
    decoded again, from its beginning or, with the memory of that place, from anywhere.

    Parameters
    ----------
    installation : Installation
        Says which topic and name belong to which sensor.
    memory : str
        What `memory` returned at the place from which to go on; only Sparkplug needs it.
    """

    def __init__(self, installation: Installation, memory: str = "") -> None:
        self._converter = Converter(installation)
        sources = [sensor.source for sensor in installation.sensor.values()]
        self._sources = sources
        self._anywhere = frozenset(
            code for code, source in enumerate(sources) if source.senml is not None and source.topic is None
        )
        self._topics = Topics(
            (source.topic, code) for code, source in enumerate(sources) if source.topic is not None
        )
        self._sparkplug = Sparkplug(
            {
                (source.edge_node or "", source.device or "", source.sparkplug): code
                for code, source in enumerate(sources)
                if source.sparkplug is not None
            },
            memory,
        )
        self._names: dict[frozenset[int], SenmlNames] = {}
        self._routes: dict[str, Route] = {}
        by_name = {(name, "v"): code for code, name in enumerate(installation.sensor)}
        self._files = Route(names=SenmlNames(by_name, self._converter.sensors))

    def memory(self) -> str:
        """Return what must be kept beside a place in the journal to decode from there, as JSON."""
        return self._sparkplug.memory()

    def decode(self, messages: Sequence[Message]) -> Decoded:
        """Decode a batch of messages.

        Parameters
        ----------
        messages : sequence of Message
            In the order of receipt.

        Returns
        -------
        Decoded
            Readings as columns, in the order of the messages, and what was not stored with its reason.
        """
        batch = Batch(messages, self._converter)
        packs: dict[int, tuple[SenmlNames, list[int], list[int]]] = {}
        for item, message in enumerate(messages):
            if len(message.payload) > MAX_PAYLOAD:
                detail = f"topic {shown(message.topic)}: {len(message.payload)} bytes; at most {MAX_PAYLOAD}"
                batch.rejects.add("too large", detail, item)
            elif message.topic.startswith(logger.TOPIC) and message.payload.startswith(b"{"):
                logger.read_refused(batch, item)
            elif message.topic.startswith(NAMESPACE):
                self._sparkplug.read(batch, item)
            elif (route := self._route(message.topic)).bindings:
                values.read(batch, item, route.bindings)
            elif route.names is None:
                detail = f"no sensor has source topic = {shown(message.topic)}"
                batch.rejects.add("unknown topic", detail, item)
            else:
                _, json, cbor = packs.setdefault(id(route.names), (route.names, [], []))
                (cbor if message.payload[:1] in _CBOR else json).append(item)
        for names, json, cbor in packs.values():
            senml_json.read(batch, json, names)
            senml_cbor.read(batch, cbor, names)
        return batch.finish()

    def _route(self, topic: str) -> Route:
        """Return what a topic's messages hold."""
        if topic.startswith(logger.TOPIC):
            return self._files
        found = self._routes.get(topic)
        if found is None:
            found = self._find(self._topics.codes(topic))
            if len(self._routes) >= KEPT:
                self._routes.clear()
            self._routes[topic] = found
        return found

    def _find(self, codes: tuple[int, ...]) -> Route:
        """Return what the messages hold that concern some sensors by their topic."""
        bindings = tuple(
            binding(code, source.field, source.time)
            for code, source in enumerate(self._sources)
            if code in codes and source.senml is None
        )
        if bindings:
            return Route(bindings)
        named = self._anywhere | frozenset(codes)
        if not named:
            return Route()
        if named not in self._names:
            sensors = {
                (source.senml, "s" if source.field == "s" else "v"): code
                for code, source in enumerate(self._sources)
                if code in named and source.senml is not None
            }
            self._names[named] = SenmlNames(sensors, self._converter.sensors)
        return Route(names=self._names[named])


_CBOR = frozenset(bytes([first]) for first in senml_cbor.FIRST_BYTES)
