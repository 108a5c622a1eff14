"""The connection to the broker: session, subscriptions, last will, state. The one module with paho."""

from __future__ import annotations

import json
from enum import Enum
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.address import SESSION_EXPIRY_S
from ingest.link import Link
from ingest.packets import V5, V311
from ingest.tail import DROPPED_TOPIC, OWN_TOPICS

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable, Sequence

    from paho.mqtt.client import ConnectFlags, DisconnectFlags
    from paho.mqtt.reasoncodes import ReasonCode

    from ingest.address import Address
    from ingest.packets import Packet

RECEIVE_MAXIMUM = 2000
"""Messages on their way at a time: more than come while one commit takes. Computed, MQTT 5 only."""

_REFUSED = 0x80
_TAKEN_OVER = 0x8E
_WRONG_VERSION = frozenset({0x84, 0x01})
_ALREADY_THERE = 1


class Stage(Enum):
    """How far a connection has come."""

    CLOSED = "closed"
    GREETING = "waiting for the broker's answer"
    SUBSCRIBING = "waiting for the subscriptions"
    READY = "receiving"


class _LinkedClient(Client):
    """A client whose socket keeps PUBLISH packets to itself."""

    def __init__(self, level: int, client_id: str, is_stored: Callable[[Packet], bool]) -> None:
        five = level == V5
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id,
            clean_session=None if five else False,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.link: Link | None = None
        self._level = level
        self._is_stored = is_stored

    def _create_socket(self) -> Any:
        inner: Any = super()._create_socket()
        self.link = Link(inner, self._level, self._is_stored)
        return self.link


class Connection:
    """One attempt to be connected, from the first byte to the last; then it is thrown away.

    Parameters
    ----------
    address : Address
        Where and as whom.
    is_stored : callable
        Tells whether a packet that was sent again is in the journal.
    context : ssl.SSLContext, optional
        TLS settings.
    watch_drops : bool
        Whether to ask for the broker's own count of messages that it dropped, where it keeps one.

    Attributes
    ----------
    stage : Stage
        How far it has come.
    session_present : bool
        Whether the broker knew the session.
    was_ready : bool
        Whether it came as far as receiving.
    problem : str
        Why it ended, for a person; empty where it did not.
    wrong_version, taken_over : bool
        Whether it ended because the broker does not speak this version, or because another client came
        with the same identifier.
    unanswered : bool
        Whether the broker closed it instead of answering the greeting, as some do that do not speak this
        version.
    """

    def __init__(
        self,
        address: Address,
        is_stored: Callable[[Packet], bool],
        *,
        context: ssl.SSLContext | None = None,
        watch_drops: bool = True,
    ) -> None:
        self.stage = Stage.CLOSED
        self.session_present = self.was_ready = False
        self.problem = ""
        self.wrong_version = self.taken_over = self.unanswered = False
        self._address = address
        self._level = level = address.level
        self._state_topic = f"{OWN_TOPICS}{address.client_id}"
        self._subscription: int | None = None
        self._watch_drops = watch_drops
        self._question: int | None = None
        self._client = client = _LinkedClient(level, address.client_id, is_stored)
        if context is not None:
            client.tls_set_context(context)
        if address.user is not None:
            client.username_pw_set(address.user, address.password)
        client.will_set(self._state_topic, json.dumps({"state": "lost"}), qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe

    @property
    def link(self) -> Link:
        """The socket.

        Raises
        ------
        ConnectionError
            If there is none any more.
        """
        if self._client.link is None or self._client.socket() is None:
            raise ConnectionError(self.problem)
        return self._client.link

    def open(self) -> None:
        """Connect and send the greeting.

        Raises
        ------
        OSError
            If there is no way to the broker, or it shows the wrong certificate.
        """
        self.stage = Stage.GREETING
        address = self._address
        if self._level == V311:
            self._client.connect(address.host, address.port, keepalive=address.keepalive_s)
            return
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # the library has no types here
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        self._client.connect(
            address.host,
            address.port,
            keepalive=address.keepalive_s,
            clean_start=False,
            properties=properties,
        )

    def attend(self) -> None:
        """Let the library read, write and keep the connection alive; call it at least every second."""
        link = self._client.link
        if link is not None and link.has_news:
            self._client.loop_read()
        if link is not None:
            link.flush()
        if self._client.want_write():
            self._client.loop_write()
        self._client.loop_misc()
        if self._client.socket() is None and self.stage is not Stage.CLOSED:
            self._end("the connection was closed")

    @property
    def wants_to_send(self) -> bool:
        """Whether something is waiting to be sent."""
        link = self._client.link
        return self._client.want_write() or (link is not None and link.is_waiting_to_send)

    def tell(self, state: dict[str, object]) -> None:
        """Publish the ingester's own state, kept by the broker for who asks later."""
        self._client.publish(self._state_topic, json.dumps(state), qos=0, retain=True)

    def forget(self, filters: Sequence[str]) -> None:
        """Unsubscribe from topic filters that the session has and the installation does not."""
        for topic in filters:
            self._client.unsubscribe(topic)

    def close(self, *, for_good: bool = False) -> None:
        """Say good-bye; the session stays with the broker, unless it is for good."""
        properties = None
        if for_good and self._level == V5:
            properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call] # as above
            properties.SessionExpiryInterval = 0
        self._client.disconnect(properties=properties)
        self._end("")

    def drop(self, problem: str) -> None:
        """End the connection without a good-bye, so that the last will is published."""
        self._end(problem)
        if self._client.link is not None:
            self._client.link.close()

    @property
    def choked(self) -> bool:
        """Whether it ended with the question for dropped messages unanswered; some brokers close on it."""
        return self.stage is Stage.CLOSED and self._question is not None

    def _end(self, problem: str) -> None:
        self.stage = Stage.CLOSED
        self.problem = self.problem or problem

    def _on_connect(
        self, _client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self.wrong_version = reason.value in _WRONG_VERSION
            self._end(f"the broker refused the connection: {reason.getName().lower()}")
            return
        self.session_present = flags.session_present
        filters = self._address.filters
        self.stage = Stage.SUBSCRIBING if filters else Stage.READY
        if not filters:
            return
        if self._level == V5:
            kept = SubscribeOptions(qos=1, retainHandling=_ALREADY_THERE)
            self._subscription = self._client.subscribe([(topic, kept) for topic in filters])[1]
        else:
            self._subscription = self._client.subscribe([(topic, 1) for topic in filters])[1]
        if self._watch_drops:
            self._question = self._client.subscribe(DROPPED_TOPIC, qos=0)[1]

    def _on_subscribe(
        self, _client: Client, _data: Any, mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        if mid == self._question:
            self._question = None
        if mid != self._subscription:
            return
        refused = [
            topic
            for topic, reason in zip(self._address.filters, reasons, strict=False)
            if reason.value >= _REFUSED
        ]
        if refused:
            self._end(f"the broker refused the subscription to {', '.join(refused)}")
        else:
            self.stage = Stage.READY
            self.was_ready = True

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        self.taken_over = self.taken_over or reason.value == _TAKEN_OVER
        self.unanswered = self.unanswered or self.stage is Stage.GREETING
        self._end(f"the connection ended: {reason.getName().lower()}")
