"""Open findings at the broker: one retained message for each, taken away when it is over. Nothing is obeyed.

Topics, below the prefix and the installation's name: ``finding/MARK``, ``status`` (with a last will), ``heartbeat``.
"""

from __future__ import annotations

import json
import logging
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest import failpoints
from ingest.address import tls_context

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from ingest.address import Address

log = logging.getLogger(__name__)

RETRY_S = (1, 10)
"""Shortest and longest wait before connecting again. [s]"""

GOODBYE_S = 2.0
"""How long the good-bye may take. [s]"""


@dataclass(frozen=True, slots=True)
class Card:
    """One finding as it stands at the board.

    Attributes
    ----------
    key : str
        Changes when the card must be shown anew: with its episode, severity or state.
    content : dict
        What JSON can carry.
    """

    key: str
    content: Mapping[str, Any]


class Board:
    """Keeps the retained messages of one broker as they should be.

    Parameters
    ----------
    address : Address
        The broker.
    base : str
        What the topics begin with.
    before : callable
        Is told a card's key before it is published; returns whether it may have been published before.
    """

    def __init__(self, address: Address, base: str, before: Callable[[str], bool]) -> None:
        self.base = base
        self.connected = False
        self.problem = "not connected yet"
        self._before = before
        self._lock = threading.RLock()
        self._wanted: dict[str, Card] = {}
        self._there: dict[str, str] = {}
        self._ready = False
        self._question: int | None = None
        self._client = client = Client(
            CallbackAPIVersion.VERSION2, address.client_id, protocol=MQTTProtocolVersion.MQTTv311
        )
        context = tls_context(address)
        if context is not None:
            client.tls_set_context(context)
        if address.user is not None:
            client.username_pw_set(address.user, address.password)
        client.will_set(f"{base}/status", _json({"state": "lost"}), qos=1, retain=True)
        client.reconnect_delay_set(*RETRY_S)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe, client.on_message = self._on_subscribe, self._on_message
        client.on_publish = self._on_publish
        client.connect_async(address.host, address.port, keepalive=address.keepalive_s)

    def start(self) -> None:
        """Begin to connect, and keep at it."""
        self._client.loop_start()

    def stop(self) -> None:
        """Say that the watching has ended on purpose; what is shown stays."""
        if self.connected:
            farewell = self._client.publish(
                f"{self.base}/status", _json({"state": "ended"}), qos=1, retain=True
            )
            with suppress(RuntimeError):  # the connection broke meanwhile; then the last will speaks
                farewell.wait_for_publish(GOODBYE_S)
        self._leave()

    def _leave(self) -> None:
        """Disconnect, and let go of the client, so that its sockets are closed with it."""
        client = self._client
        client.disconnect()
        client.loop_stop()
        client.on_connect = client.on_disconnect = client.on_connect_fail = None
        client.on_subscribe = client.on_message = client.on_publish = None

    def show(self, cards: Mapping[str, Card]) -> None:
        """Show these cards and no other; what the broker has already is left alone.

        Parameters
        ----------
        cards : mapping of str to Card
            By mark of the case.
        """
        with self._lock:
            self._wanted = dict(cards)
            if self._ready:
                self._put_right()

    def beat(self, content: Mapping[str, Any]) -> None:
        """Show a sign of life; without a connection there is none, which is what its absence means."""
        if self.connected:
            self._client.publish(f"{self.base}/heartbeat", _json(content), qos=0, retain=True)

    def try_out(self, content: Mapping[str, Any], patience_s: float) -> str:
        """Connect, publish one message under ``test``, and leave; return why not, or nothing where it was taken.

        No last will is left, so that nobody thinks that the notices have ended.
        """
        greeted = threading.Event()

        def greet(_client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
            self.problem = f"the broker refused: {reason.getName().lower()}" if reason.is_failure else ""
            greeted.set()

        self._client.will_clear()
        self._client.on_connect = greet
        self._client.loop_start()
        try:
            if not greeted.wait(patience_s) or self.problem:
                return self.problem
            sent = self._client.publish(f"{self.base}/test", _json(content), qos=1)
            with suppress(RuntimeError):  # the connection broke; it says so below
                sent.wait_for_publish(patience_s)
                return "" if sent.is_published() else "the broker did not acknowledge in time"
            return self.problem
        finally:
            self._leave()

    def _put_right(self) -> None:
        """Publish what differs from what the broker has."""
        for mark in [mark for mark in self._there if mark not in self._wanted]:
            self._client.publish(f"{self.base}/finding/{mark}", b"", qos=1, retain=True)
            del self._there[mark]
        for mark, card in self._wanted.items():
            if self._there.get(mark) == card.key:
                continue
            content = {**card.content, "key": card.key, "repeated": self._before(card.key)}
            self._client.publish(f"{self.base}/finding/{mark}", _json(content), qos=1, retain=True)
            self._there[mark] = card.key

    def _on_connect(
        self, client: Client, _data: Any, _flags: ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        with self._lock:
            self._there, self._ready = {}, False
        if reason.is_failure:
            self.problem = f"the broker refused the connection: {reason.getName().lower()}"
            return
        self.connected, self.problem = True, ""
        client.publish(f"{self.base}/status", _json({"state": "watching"}), qos=1, retain=True)
        client.subscribe(f"{self.base}/finding/+", qos=1)
        # Brokers answer in order: what they keep of the first comes before the answer to the second. One that
        # does not gets a card again, which then says that it is repeated.
        self._question = client.subscribe(f"{self.base}/none", qos=0)[1]

    def _on_subscribe(self, _client: Client, _data: Any, mid: int, _reasons: Any, _properties: Any) -> None:
        with self._lock:
            if mid == self._question:
                self._ready = True
                self._put_right()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        if not message.retain or not message.payload:
            return  # an echo of what was published here
        with self._lock:
            self._there[message.topic.rpartition("/")[2]] = _key(message.payload)
            if self._ready:
                self._put_right()

    def _on_publish(self, _client: Client, _data: Any, _mid: int, _reason: Any, _properties: Any) -> None:
        failpoints.reach("notices.shown")

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        self.problem = "there is no way to the broker, or it shows a certificate that is not accepted"

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        with self._lock:
            self._ready = False
        self.connected = False
        self.problem = f"the connection ended: {reason.getName().lower()}"
        log.info("board: %s", self.problem)


def _json(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, ensure_ascii=False).encode()


def _key(payload: bytes | bytearray) -> str:
    """Return the key of a card as the broker has it; empty where it is none of ours."""
    try:
        return str(json.loads(payload)["key"])
    except (ValueError, KeyError, TypeError):
        return ""
