"""The fast and the careful path of SenML give the same readings, whatever the pack."""

from __future__ import annotations

import json
from typing import Any

import cbor2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.conversion import Converter
from ingest.formats.batch import Batch
from ingest.formats.senml_cbor import LABELS, loads
from ingest.formats.senml_records import SenmlNames, read_pack
from ingest.formats.text import loads_json
from ingest.records import Decoded, Message
from ingest.routing import Router
from tests.support.bench import DEVICE, NOW_S, bench, message

BENCH = bench()
ROUTER = Router(BENCH)
CONVERTER = Converter(BENCH)
NAMES = SenmlNames(
    {
        (sensor.source.senml, sensor.source.field or "v"): code
        for code, sensor in enumerate(BENCH.sensor.values())
        if sensor.source.senml is not None and sensor.source.topic is None
    },
    CONVERTER.sensors,
)

NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=32) | st.integers(-(10**6), 10**6)
TIMES = st.sampled_from([0, -5, -0.25, NOW_S, NOW_S - 86_400, 2**28, 2**28 - 1, 1e12])
BASES = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from([DEVICE, DEVICE[:8], "", "else:"]),
        "bt": TIMES,
        "bu": st.sampled_from(["L/h", "m3/s", "kPa", "count"]),
        "bv": NUMBERS,
        "bver": st.sampled_from([5, 10, 26, 11]),
    },
)
RECORDS = st.fixed_dictionaries(
    {},
    optional={
        "n": st.sampled_from(["flow", "pulses", DEVICE + "flow", "nothing", ""]),
        "u": st.sampled_from(["L/h", "l/s", "kPa", "count"]),
        "v": NUMBERS | st.sampled_from([1e308, -1e308]),
        "t": TIMES,
        "s": NUMBERS,
        "vb": st.booleans(),
        "vs": st.just("x"),
        "ut": st.just(60),
        "note": st.just("ignored"),
        "odd_": st.just(1),
    },
)
USUAL = st.fixed_dictionaries(
    {"n": st.sampled_from(["flow", "pulses"]), "v": NUMBERS}, optional={"t": TIMES, "u": st.just("L/h")}
)


@st.composite
def packs(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Draw a pack: base fields first, mostly usual records, sometimes odd ones or base fields later."""
    later = st.one_of(USUAL, USUAL, RECORDS, st.builds(dict.__or__, BASES, USUAL))
    return [draw(BASES) | draw(USUAL), *draw(st.lists(later, max_size=5))]


def carefully(sent: Message, *, cbor: bool) -> Decoded:
    """Return what the careful path alone makes of one message."""
    batch = Batch([sent], CONVERTER)
    read_pack(batch, 0, loads if cbor else loads_json, NAMES)
    return batch.finish()


def content(decoded: Decoded) -> list[Any]:
    """Return everything that a message gave, comparable to the last digit."""
    columns: list[np.ndarray] = [decoded.code, decoded.time_us, decoded.quality]
    return [*(c.tolist() for c in columns), decoded.value.tolist(), decoded.rejects]


def numbered(pack: list[dict[str, Any]]) -> bytes:
    """Return a pack as CBOR, with numbers for labels."""
    numbers = {label: number for number, label in LABELS.items()}
    return cbor2.dumps([{numbers.get(label, label): value for label, value in row.items()} for row in pack])


@settings(max_examples=300)
@given(pack=packs(), spaced=st.booleans())
def test_json_paths_agree(pack: list[dict[str, Any]], *, spaced: bool) -> None:
    """A JSON pack gives the same readings and rejects through the router as record by record."""
    sent = message(json.dumps(pack, indent=1 if spaced else None).encode())

    assert content(ROUTER.decode([sent])) == content(carefully(sent, cbor=False))


@settings(max_examples=200)
@given(pack=packs())
def test_cbor_paths_agree(pack: list[dict[str, Any]]) -> None:
    """A CBOR pack gives the same readings and rejects through the router as record by record."""
    sent = message(numbered(pack))

    assert content(ROUTER.decode([sent])) == content(carefully(sent, cbor=True))


@settings(max_examples=100)
@given(pack=packs())
def test_json_and_cbor_say_the_same(pack: list[dict[str, Any]]) -> None:
    """A pack means the same in JSON and in CBOR."""
    text, binary = ROUTER.decode([message(pack)]), ROUTER.decode([message(numbered(pack))])

    assert content(text)[:4] == content(binary)[:4]
    assert [r.reason for r in text.rejects] == [r.reason for r in binary.rejects]


@settings(max_examples=100)
@given(sent=st.lists(st.one_of(packs().map(message), st.binary(max_size=40).map(message)), max_size=8))
def test_batch_is_the_sum_of_its_messages(sent: list[Message]) -> None:
    """Messages decoded together give what each gives alone, in their order."""
    together = ROUTER.decode(sent)
    alone = [ROUTER.decode([one]) for one in sent]

    assert together.value.tolist() == [value for one in alone for value in one.value.tolist()]
    assert together.sensor == [name for one in alone for name in one.sensor]
    assert [(r.reason, r.detail) for r in together.rejects] == [
        (r.reason, r.detail) for one in alone for r in one.rejects
    ]


@settings(max_examples=200)
@given(
    payload=st.binary(max_size=200) | st.text(max_size=100).map(str.encode),
    topic=st.sampled_from(
        [
            "bench/a",
            "bench/plain/x",
            "bench/json",
            "spBv1.0/bench/DDATA/node1/plc",
            "spBv1.0/bench/NBIRTH/node1",
        ]
    ),
)
def test_any_bytes_end_in_readings_or_rejects(payload: bytes, topic: str) -> None:
    """No payload on any topic raises or stores what is no number; on a described topic each is told."""
    decoded = ROUTER.decode([message(payload, topic)])

    assert np.isfinite(decoded.value).all()
    if topic in ("bench/plain/x", "bench/json"):
        assert len(decoded) + len(decoded.rejects) == 1
