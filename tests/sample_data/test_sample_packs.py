"""What the devices send is what the ingester's own decoder reads back."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ingest.records import Message
from ingest.routing import Router
from sample_data.packs import packs
from sample_data.sensing import readings
from tests.sample_data.conftest import ANCHOR

if TYPE_CHECKING:
    from sample_data.plant import Plant

START, END = ANCHOR - 3600, ANCHOR + 1800


def test_decoded_packs_are_the_readings(plant: Plant) -> None:
    """Decoding every pack gives every reading once, in stored units, and rejects nothing."""
    messages = [Message(pack.topic, pack.payload, END * 1_000_000) for pack in packs(plant, START, END)]
    decoded = Router(plant.installation).decode(messages)
    names = np.array(decoded.names)[decoded.code]

    assert not decoded.rejects
    for name in plant.installation.sensor:
        times, values = readings(plant, name, START, END)
        mine = names == name
        order = np.argsort(decoded.time_us[mine])
        assert np.array_equal(decoded.time_us[mine][order], times * 1_000_000)
        assert decoded.value[mine][order] == pytest.approx(values, abs=1e-5)


def test_packs_fit_a_small_broker(plant: Plant) -> None:
    """No pack of a full memory is larger than 20,000 bytes, which the smallest usual limit still takes."""
    sizes = [len(pack.payload) for pack in packs(plant, START, END)]

    assert 10_000 < max(sizes) < 20_000


def test_live_pack_has_one_record_a_sensor(plant: Plant) -> None:
    """A pack of one moment carries base name and base time, and no relative times."""
    first = next(iter(packs(plant, ANCHOR, ANCHOR + 10)))
    records = json.loads(first.payload)

    assert records[0]["bn"] == "urn:dev:mac:02005e0000530a01:"
    assert ANCHOR <= records[0]["bt"] < ANCHOR + 10
    assert not any("t" in record for record in records)
