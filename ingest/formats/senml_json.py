"""SenML JSON, fast: many packs in one call of the decoder, straight into columns.

A pack with anything unusual in it (text or truth values, sums, base fields after the first record, a
label, name or unit that is not known) is left to the careful path of `senml_records`. Both paths give
the same readings; a property-based test holds them to it.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import msgspec

from ingest.formats.senml_columns import Record, Taken
from ingest.formats.senml_records import SenmlNames, read_pack
from ingest.formats.text import loads_json

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.formats.batch import Batch

AT_ONCE = 128
"""Messages decoded in one call: one broken payload costs little, and records stay in the cache. Measured."""


_LINES = msgspec.json.Decoder(list[list[Record]])
_ONE = msgspec.json.Decoder(list[Record])


def read(batch: Batch, items: Sequence[int], names: SenmlNames) -> None:
    """Read the SenML JSON messages of a batch.

    Parameters
    ----------
    batch : Batch
        Takes readings and rejects.
    items : sequence of int
        Indices of the messages.
    names : SenmlNames
        The names that these messages may carry.
    """
    taken = Taken()
    careful: list[int] = []
    for start in range(0, len(items), AT_ONCE):
        usual, unusual = _usual(items[start : start + AT_ONCE], batch)
        careful += unusual
        for item, pack in zip(usual, _packs([batch.messages[i].payload for i in usual]), strict=True):
            if not pack or not taken.add(item, pack, names):
                careful.append(item)
    careful += taken.put(batch, names)
    for item in careful:
        read_pack(batch, item, loads_json, names)


def _usual(items: Sequence[int], batch: Batch) -> tuple[list[int], list[int]]:
    """Return the messages that the fast path may try, and the others."""
    usual, unusual = [], []
    for item in items:
        message = batch.messages[item]
        payload = message.payload
        base_fields_later = payload.rfind(b'"b') > payload.find(b"}") or b"\\" in payload
        if message.retained or base_fields_later:
            unusual.append(item)
        else:
            usual.append(item)
    return usual, unusual


def _packs(payloads: list[bytes]) -> Sequence[list[Record] | None]:
    """Return each pack, None where it is broken; all in one call while none is.

    Each payload stands on a line of its own inside a list of its own. No payload can run into the next:
    between two lies ``]`` newline ``[``, which no JSON value holds. A payload that closes its list early
    shows as a line too many, or as more than one pack in a line.
    """
    try:
        lines = _LINES.decode_lines(b"[" + b"]\n[".join(payloads) + b"]") if payloads else []
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return [_pack(payload) for payload in payloads]
    if len(lines) == len(payloads) and all(len(line) == 1 for line in lines):
        return list(chain.from_iterable(lines))
    return [_pack(payload) for payload in payloads]


def _pack(payload: bytes) -> list[Record] | None:
    """Return one pack, or None where it is broken."""
    try:
        return _ONE.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
