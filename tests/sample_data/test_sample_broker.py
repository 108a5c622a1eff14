"""Both brokers take a device's message with QoS 1 and hand it on, and listen on the loopback alone."""

from __future__ import annotations

from queue import Queue
from typing import TYPE_CHECKING

import psutil
import pytest

from ingest.errors import UserError
from sample_data import broker as broker_module
from sample_data.broker import Kind, broker_command
from sample_data.devices import connect
from sample_data.ports import HOST, answers, choose
from sample_data.processes import Family, wait_until

if TYPE_CHECKING:
    from pathlib import Path

    import paho.mqtt.client as mqtt

DEADLINE_S = 20.0


@pytest.mark.parametrize("kind", ["mosquitto", "embedded"])
def test_broker_hands_on_what_devices_publish(tmp_path: Path, kind: Kind) -> None:
    """A 20 kB message with QoS 1 comes through, and no port is open beyond the loopback."""
    port = choose(0, 0, option="--broker-port")
    heard: Queue[bytes] = Queue()
    subscribed: Queue[int] = Queue()

    def hear(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        heard.put(bytes(message.payload))

    with Family(tmp_path / "logs") as family:
        family.start(broker_command(tmp_path, port, kind))
        wait_until(lambda: answers(port), family=family, deadline_s=DEADLINE_S, what="the broker's answer")
        client = connect(HOST, port)
        client.on_message = hear
        client.on_subscribe = lambda *_: subscribed.put(1)
        wait_until(client.is_connected, family=family, deadline_s=DEADLINE_S, what="the connection")
        client.subscribe("quillfen/#", qos=1)
        subscribed.get(timeout=DEADLINE_S)
        client.publish("quillfen/one", b"x" * 20_000, qos=1)

        assert heard.get(timeout=DEADLINE_S) == b"x" * 20_000

        listening = psutil.Process(family.children["broker"].pid).net_connections("tcp")
        assert {one.laddr.ip for one in listening if one.status == psutil.CONN_LISTEN} == {HOST}
        client.disconnect()
        client.loop_stop()


def test_missing_broker_is_told_with_its_mend(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any broker, the error says how to get one."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(broker_module, "PLACES", ())

    with pytest.raises(UserError, match=r"no MQTT broker is installed.*tricklebook\[demo\]"):
        broker_command(tmp_path, 1883, "mosquitto")
