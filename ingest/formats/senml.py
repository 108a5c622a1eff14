"""SenML packs, RFC 8428 with RFC 8798 and RFC 9100: base fields resolved, each bad record named.

This is the careful path, for any pack in the form of mappings from label to value; `senml_json` has the
fast one, for packs in which nothing unusual stands.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from ingest.records import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

RELATIVE_BELOW = 2.0**28
"""A time below this is relative to the moment of receipt; RFC 8428 section 4.5.3. [s]"""

VERSION = 10
"""Version of a pack that names none; RFC 8428 section 4.4."""

SECONDARY_UNITS = 1 << 4
"""The one feature beyond version 10 that is known here; RFC 9100 section 4."""

LABELS = frozenset(
    ("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"),
)
"""Labels of RFC 8428 section 4.3; others are ignored unless they end in ``_``."""

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""What a whole name looks like; RFC 8428 section 4.5.1."""


class PackError(ValueError):
    """Raised when nothing in a pack can be trusted; `reason` is a key of `ingest.records.REASONS`."""

    def __init__(self, detail: str, reason: str) -> None:
        self.reason = reason
        super().__init__(detail)


@dataclass(frozen=True, slots=True)
class Resolved:
    """One record, base fields included.

    Attributes
    ----------
    name : str
        The whole name.
    unit : str or None
        As sent.
    time_s : float
        Absolute, or relative to receipt where below `RELATIVE_BELOW`. [s]
    value : float, bool, str or None
        The value; text and bytes as text.
    total : float or None
        The sum: integral of the value over time.
    """

    name: str
    unit: str | None
    time_s: float
    value: float | bool | str | None
    total: float | None

    def absolute_s(self, received_s: float) -> float:
        """Return the time since 1970, given when the pack was received. [s]"""
        return self.time_s if self.time_s >= RELATIVE_BELOW else received_s + self.time_s


@dataclass(frozen=True, slots=True)
class Problem:
    """A record that cannot be used: reason, and detail for a person."""

    reason: str
    detail: str


@dataclass(frozen=True, slots=True)
class _Base:
    """Base fields in force."""

    name: str = ""
    time: float = 0.0
    unit: str | None = None
    value: float = 0.0
    total: float = 0.0


def resolve(pack: object) -> Iterator[Resolved | Problem]:
    """Yield every record of a pack, base fields applied, or what is wrong with it.

    Parameters
    ----------
    pack : object
        What a JSON or CBOR decoder returned, labels as text.

    Yields
    ------
    Resolved or Problem
        In the order of the pack. Records that hold base fields only are passed over.

    Raises
    ------
    PackError
        If it is no pack, has a version or a must-understand label that is not known, or broken base fields.

    References
    ----------
    RFC 8428 sections 4.1 to 4.6; RFC 9100 section 2.

    Examples
    --------
    >>> next(resolve([{"bn": "urn:dev:ow:10e2073a01080063:", "n": "t", "u": "Cel", "v": 23.1}])).value
    23.1
    """
    if not isinstance(pack, list):
        msg = f"a SenML pack is a list of records; this is {shown(pack)}"
        raise PackError(msg, "syntax")
    records = [record for record in pack if isinstance(record, dict)]
    _check_labels(records)
    base = _Base()
    for number, record in enumerate(pack):
        if not isinstance(record, dict):
            yield Problem("syntax", f"record {number}: expected an object, found {shown(record)}")
            continue
        base = _rebase(base, record, number)
        resolved = _record(base, record, number)
        if resolved is not None:
            yield resolved


def _check_labels(records: Sequence[Mapping[object, object]]) -> None:
    """Raise if a label must be understood and is not, or the version has features that are not known."""
    for number, record in enumerate(records):
        for label in record:
            if isinstance(label, str) and label.endswith("_"):
                msg = f"record {number}: label {shown(label)} must be understood and is not known here"
                raise PackError(msg, "must understand")
        version = record.get("bver", VERSION)
        if not known_version(version):
            msg = (
                f"record {number}: bver is {shown(version)}; known are 1 to 10 of RFC 8428, and 26 "
                "(10 with secondary units, RFC 9100)"
            )
            raise PackError(msg, "version")


def known_version(version: object) -> bool:
    """Return whether a pack of this version can be read.

    Examples
    --------
    >>> [known_version(v) for v in (5, 10, 26, 11, 42)]
    [True, True, True, False, False]
    """
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        return False
    return version <= VERSION or version == VERSION + SECONDARY_UNITS


def _number(value: object) -> float | None:
    """Return a number as float, infinite where it is too large for one; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float, Decimal)):
        return None
    try:
        return float(value)
    except OverflowError:
        return math.inf
    except ValueError:  # a signalling NaN
        return math.nan


def _rebase(base: _Base, record: Mapping[str, object], number: int) -> _Base:
    """Return the base fields in force from this record on."""
    changes: dict[str, Any] = {}
    for label, field in (("bn", "name"), ("bu", "unit")):
        if label in record:
            if not isinstance(record[label], str):
                msg = f"record {number}: {label} is {shown(record[label])}; expected text"
                raise PackError(msg, "name" if label == "bn" else "unit")
            changes[field] = record[label]
    for label, field in (("bt", "time"), ("bv", "value"), ("bs", "total")):
        if label in record:
            read = _number(record[label])
            if read is None or not math.isfinite(read):
                msg = f"record {number}: {label} is {shown(record[label])}; expected a finite number"
                raise PackError(msg, "time" if label == "bt" else "not a number")
            changes[field] = read
    return replace(base, **changes) if changes else base


def _record(base: _Base, record: Mapping[str, object], number: int) -> Resolved | Problem | None:
    """Return one record with the base applied, its problem, or None where it holds base fields only."""
    values = [label for label in ("v", "vs", "vb", "vd") if label in record]
    if not values and "s" not in record:
        if not record.keys() & {"n", "t", "u"}:
            return None
        return Problem("no value", f"record {number}: no v, vb, vs, vd or s")
    own = record.get("n", "")
    if not isinstance(own, str) or not NAME.fullmatch(base.name + own):
        return Problem("name", f"record {number}: the name is {shown(_joined(base.name, own))}; {_NAMES}")
    unit = record.get("u", base.unit)
    if unit is not None and not isinstance(unit, str):
        return Problem("unit", f"record {number}: u is {shown(unit)}; expected text")
    time = _number(record.get("t", 0))
    if time is None or not math.isfinite(base.time + time):
        return Problem("time", f"record {number}: t is {shown(record['t'])}; expected seconds as a number")
    blank = Resolved(base.name + own, unit, base.time + time, None, None)
    return _valued(base, record, values, blank, number)


_NAMES = "expected letters, digits and - : . / _, the first a letter or digit"


def _joined(base: str, own: object) -> object:
    """Return base and own name as one where that makes sense, for a message."""
    return base + own if isinstance(own, str) else own


def _valued(
    base: _Base, record: Mapping[str, object], values: list[str], blank: Resolved, number: int
) -> Resolved | Problem:
    """Return the record with its value and its sum."""
    if len(values) > 1:
        return Problem("syntax", f"record {number}: {' and '.join(values)} at once; expected one value")
    label = values[0] if values else ""
    value = _value(label, record.get(label), base.value)
    if label and value is None:
        return Problem("not a number", f"record {number}: {label} is {shown(record[label])}")
    if "s" not in record:
        return replace(blank, value=value)
    total = _number(record["s"])
    if total is None:
        return Problem("not a number", f"record {number}: s is {shown(record['s'])}; expected a number")
    return replace(blank, value=value, total=total + base.total)


def _value(label: str, found: object, base: float) -> float | bool | str | None:
    """Return the value under its label, or None where it is not of the label's type."""
    if label == "v":
        read = _number(found)
        return None if read is None else read + base
    if label == "vb":
        return found if isinstance(found, bool) else None
    if label in ("vs", "vd"):
        return found.hex() if isinstance(found, bytes) else found if isinstance(found, str) else None
    return None
