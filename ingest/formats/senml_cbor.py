"""SenML CBOR, RFC 8428 section 6: numbers for labels, and nothing of CBOR that a pack does not need.

As with JSON, a pack with anything unusual in it is left to the careful path.
"""

from __future__ import annotations

from decimal import Decimal
from io import BytesIO
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NoReturn

import cbor2
import msgspec

from ingest.formats.senml_columns import Record, Taken
from ingest.formats.senml_records import read_pack

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ingest.formats.batch import Batch
    from ingest.formats.senml_records import SenmlNames

LABELS: Mapping[int, str] = MappingProxyType(
    {
        -1: "bver",
        -2: "bn",
        -3: "bt",
        -4: "bu",
        -5: "bv",
        -6: "bs",
        0: "n",
        1: "u",
        2: "v",
        3: "vs",
        4: "vb",
        5: "s",
        6: "t",
        7: "ut",
        8: "vd",
    }
)
"""Number to label; RFC 8428 table 4."""

MAX_DEPTH = 6
"""Deepest nesting: list, record, decimal fraction, and room for values that are ignored. Computed."""

SELF_DESCRIBED = b"\xd9\xd9\xf7"
"""Mark with which CBOR may name itself; RFC 8949 section 3.4.6."""

FIRST_BYTES = frozenset((*range(0x80, 0xA0), SELF_DESCRIBED[0]))
"""A list, or the mark: with which a pack can begin. No JSON does."""

_PLAIN_TAGS = (0, 1, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000)

MAX_EXPONENT = 400
MAX_MANTISSA = 1 << 64
"""Largest parts of a decimal fraction. Computed: beyond what a float can hold."""


def _refused(_value: object, _immutable: object) -> NoReturn:
    """Refuse a tag that no pack needs: shared values, patterns, dates, addresses and their like."""
    msg = "SenML does not use this tag"
    raise ValueError(msg)


def _decimal(value: object, _immutable: object) -> Decimal:
    """Read a decimal fraction of a believable size; RFC 8949 section 3.4.4."""
    match value:
        case [int(exponent), int(mantissa)] if (
            abs(exponent) <= MAX_EXPONENT and abs(mantissa) <= MAX_MANTISSA
        ):
            return Decimal(mantissa).scaleb(exponent)
        case _:
            msg = "no decimal fraction, or one beyond any measured value"
            raise ValueError(msg)


_TAGS: dict[int, Callable[[Any, bool], object]] = {**dict.fromkeys(_PLAIN_TAGS, _refused), 4: _decimal}


def loads(payload: bytes) -> object:
    """Decode one CBOR pack, labels as text.

    Parameters
    ----------
    payload : bytes
        The pack.

    Returns
    -------
    object
        A list of mappings where it is a pack.

    Raises
    ------
    ValueError
        If it is no CBOR, nested too deep, or has bytes after its end.

    References
    ----------
    RFC 8428 section 6 and table 4.

    Examples
    --------
    >>> loads(bytes.fromhex("81a200616102f94000"))
    [{'n': 'a', 'v': 2.0}]
    """
    file = BytesIO(payload.removeprefix(SELF_DESCRIBED))
    decoder = cbor2.CBORDecoder(file, max_depth=MAX_DEPTH, semantic_decoders=_TAGS)
    try:
        pack = decoder.decode()
    except cbor2.CBORError as error:
        msg = f"broken CBOR: {error}"
        raise ValueError(msg) from error
    if rest := len(file.read()):
        msg = f"{rest} bytes after the end of the CBOR"
        raise ValueError(msg)
    if not isinstance(pack, list):
        return pack
    return [
        {LABELS.get(label, label): value for label, value in record.items()}
        if isinstance(record, dict)
        else record
        for record in pack
    ]


def read(batch: Batch, items: Sequence[int], names: SenmlNames) -> None:
    """Read the SenML CBOR messages of a batch.

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
    for item in items:
        pack = None if batch.messages[item].retained else _usual(batch.messages[item].payload)
        if not pack or not taken.add(item, pack, names):
            careful.append(item)
    careful += taken.put(batch, names)
    for item in careful:
        read_pack(batch, item, loads, names)


def _usual(payload: bytes) -> list[Record] | None:
    """Return a pack in which nothing unusual stands, else None."""
    try:
        pack = loads(payload)
        later = pack[1:] if isinstance(pack, list) else ()
        if any(label.startswith("b") for record in later for label in record):
            return None
        return msgspec.convert(pack, list[Record])
    except (ValueError, TypeError, AttributeError, RecursionError):
        return None
