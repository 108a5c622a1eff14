"""SenML JSON, fast: many packs in one call of the decoder, straight into columns.

A pack with anything unusual in it (text or truth values, sums, base fields after the first record, a
label, name or unit that is not known) is left to the careful path of `senml_records`. Both paths give
the same readings; a property-based test holds them to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, Literal

import msgspec
import numpy as np

from ingest.formats.batch import Block
from ingest.formats.senml import RELATIVE_BELOW
from ingest.formats.senml_records import SenmlNames, loads_json, read_pack

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.formats.batch import Batch

AT_ONCE = 512
"""Messages decoded in one call, so that one broken payload costs little."""


class _Record(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    """The labels that the fast path knows; any other, and any other version, makes decoding fail."""

    n: str = ""
    v: float = float("nan")
    t: float = 0.0
    u: str | None = None
    bn: str = ""
    bt: float = 0.0
    bu: str | None = None
    bv: float = 0.0
    bver: Literal[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 26] = 10


_LINES = msgspec.json.Decoder(list[list[_Record]])
_ONE = msgspec.json.Decoder(list[_Record])


@dataclass(slots=True)
class _Taken:
    """What the fast path has read so far: one entry a message, and one a record."""

    messages: list[int] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    base_times: list[float] = field(default_factory=list)
    base_values: list[float] = field(default_factory=list)
    entries: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    times: list[float] = field(default_factory=list)

    def add(self, item: int, pack: list[_Record], names: SenmlNames) -> bool:
        """Take one pack, or return False where a name or a unit of it is not known."""
        head = pack[0]
        table = names.table(head.bn, head.bu)
        if table is None:
            return False
        try:
            self.entries += [table[r.n, r.u] for r in pack]
        except KeyError:
            return False
        self.values += [r.v for r in pack]
        self.times += [r.t for r in pack]
        self.messages.append(item)
        self.counts.append(len(pack))
        self.base_times.append(head.bt)
        self.base_values.append(head.bv)
        return True


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
    taken = _Taken()
    careful: list[int] = []
    for start in range(0, len(items), AT_ONCE):
        usual, unusual = _usual(items[start : start + AT_ONCE], batch)
        careful += unusual
        for item, pack in zip(usual, _packs([batch.messages[i].payload for i in usual]), strict=True):
            if not pack or not taken.add(item, pack, names):
                careful.append(item)
    if taken.messages:
        careful += _to_block(batch, taken, names)
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


def _packs(payloads: list[bytes]) -> Sequence[list[_Record] | None]:
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


def _pack(payload: bytes) -> list[_Record] | None:
    """Return one pack, or None where it is broken."""
    try:
        return _ONE.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None


def _to_block(batch: Batch, taken: _Taken, names: SenmlNames) -> list[int]:
    """Add the columns of the packs that were taken; return the messages with a record that has no value."""
    counts = np.array(taken.counts)
    message = np.repeat(np.array(taken.messages, np.int32), counts)
    code, scale, offset = (column[taken.entries] for column in names.columns())
    value = np.array(taken.values) + np.repeat(taken.base_values, counts)
    time_s = np.repeat(taken.base_times, counts) + np.array(taken.times)
    received = np.repeat([float(batch.messages[item].received_us) for item in taken.messages], counts)
    time_us = np.rint(time_s * 1e6) + np.where(time_s < RELATIVE_BELOW, received, 0.0)
    working = value * scale + offset
    bad = ~(np.isfinite(value) & np.isfinite(time_us) & np.isfinite(working))
    careful = np.unique(message[bad])
    keep = ~np.isin(message, careful)
    batch.blocks.append(Block(code[keep], working[keep], time_us[keep], message[keep]))
    return [int(item) for item in careful]
