"""Plain values on a topic, and fields of JSON by their path, as the installation file describes them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.formats.text import loads_json, text_of
from ingest.records import Place, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.formats.batch import Batch

MAX_TEXT = 400
"""Longest text that is read as a number and its unit. Computed: any float fits."""

_NUMBER = re.compile(
    r"([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[-+]?\d+)?|[-+]?(?:nan|inf(?:inity)?))(?:\s*([^\s\d.,+-]\S*))?",
    re.IGNORECASE,
)
_STEP = re.compile(r"([^.\[\]]+)|\[(\d+)\]")

# Seconds, milli-, micro- or nanoseconds since 1970: each is told from the next by size, since 2000 to 5138
# in one of them is before 1974 in the next. Computed.
_SECONDS_BELOW, _MILLI_BELOW, _MICRO_BELOW = 1e11, 1e14, 1e17

Step = str | int
"""One step into a JSON document: a name or a list place."""


@dataclass(frozen=True, slots=True)
class Binding:
    """One sensor's place on a topic.

    Attributes
    ----------
    code : int
        The sensor.
    path : tuple of str and int, or None
        Way to the value in JSON; None where the payload is the value.
    time : tuple of str and int, or None
        Way to the time in JSON.
    told : str
        The way to the value, as a message tells it.
    """

    code: int
    path: tuple[Step, ...] | None
    time: tuple[Step, ...] | None
    told: str = ""


def binding(code: int, field: str | None, time: str | None) -> Binding:
    """Return a sensor's place on a topic from the words of the installation file.

    Examples
    --------
    >>> binding(3, "a.b[0]", None).path
    ('a', 'b', 0)
    """
    return Binding(code, steps(field), steps(time), "" if field is None else f" field {field}")


def steps(path: str | None) -> tuple[Step, ...] | None:
    """Return a path as steps.

    Examples
    --------
    >>> steps("a.b[0].c")
    ('a', 'b', 0, 'c')
    """
    if path is None:
        return None
    return tuple(name or int(place) for name, place in _STEP.findall(path))


def read(batch: Batch, item: int, bindings: Sequence[Binding]) -> None:
    """Read one message of a topic that the installation file describes.

    Parameters
    ----------
    batch : Batch
        Takes readings and rejects.
    item : int
        Index of the message.
    bindings : sequence of Binding
        The sensors on its topic.
    """
    message = batch.messages[item]
    try:
        text = text_of(message.payload).strip()
        document = loads_json(message.payload) if any(b.path is not None for b in bindings) else None
    except RecursionError:
        batch.rejects.add("too deep", f"topic {shown(message.topic)}: {shown(message.payload)}", item)
        return
    except ValueError as error:
        detail = f"topic {shown(message.topic)}: {error}; it begins {shown(message.payload)}"
        batch.rejects.add("syntax", detail, item)
        return
    for binding in bindings:
        place = Place("topic ", message.topic, binding.told)
        if binding.path is None:
            _add_text(batch, item, binding, text, place)
        else:
            _add_field(batch, item, binding, document, place)


def _add_field(batch: Batch, item: int, binding: Binding, document: object, place: Place) -> None:
    """Add the value at a path of a JSON document."""
    try:
        value = _reach(document, binding.path or ())
        time_us = None if binding.time is None else _time_us(_reach(document, binding.time))
    except LookupError as error:
        batch.rejects.add("no value", f"{place}: {error}", item)
        return
    except ValueError as error:
        batch.rejects.add("time", f"{place}: {error}", item)
        return
    if isinstance(value, str):
        _add_text(batch, item, binding, value, place, time_us)
    elif value is None:
        batch.rejects.add("no value", f"{place} is null", item)
    elif isinstance(value, (bool, int, float)):
        batch.add(binding.code, value, message=item, place=place, time_us=time_us)
    else:
        batch.rejects.add("not a number", f"{place}: {shown(value)}", item)


def _add_text(
    batch: Batch, item: int, binding: Binding, text: str, place: Place, time_us: float | None = None
) -> None:
    """Add a value that is written as text, with or without its unit."""
    match = _NUMBER.fullmatch(text.strip()) if len(text) <= MAX_TEXT else None
    if match is None:
        batch.add(binding.code, text, message=item, place=place, time_us=time_us)
    else:
        batch.add(binding.code, float(match[1]), message=item, place=place, unit=match[2], time_us=time_us)


def _reach(document: object, path: tuple[Step, ...]) -> object:
    """Return what stands at a path.

    Raises
    ------
    LookupError
        If nothing stands there.
    """
    for depth, step in enumerate(path):
        within = range(len(document)) if isinstance(document, list) else document
        if not isinstance(within, (range, dict)) or step not in within:
            msg = f"there is no {_spelled(path[: depth + 1])}"
            raise LookupError(msg)
        document = document[step]  # type: ignore[index]  # a dict or a list, by the line above
    return document


def _spelled(path: tuple[Step, ...]) -> str:
    """Return a path as it is written in the installation file."""
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).lstrip(".")


def _time_us(value: object) -> float:
    """Return a time that a device wrote. [µs since 1970, UTC]

    Raises
    ------
    ValueError
        If it is no time, or has no time zone.
    """
    if isinstance(value, str):
        return _stamp_us(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        msg = f"the time is {shown(value)}; expected seconds since 1970 or ISO 8601"
        raise ValueError(msg)  # noqa: TRY004 - the value is wrong, not the call
    try:
        number = float(value)
    except OverflowError:
        return float("inf")
    for below, scale in ((_SECONDS_BELOW, 1e6), (_MILLI_BELOW, 1e3), (_MICRO_BELOW, 1.0)):
        if abs(number) < below:
            return float(round(number * scale))
    return number / 1e3


def _stamp_us(text: str) -> float:
    """Return a written time. [µs since 1970, UTC]"""
    try:
        stamp = datetime.fromisoformat(text.strip())
    except ValueError:
        msg = f"the time is {shown(text)}; expected ISO 8601, like 2026-05-01T06:00:00Z"
        raise ValueError(msg) from None
    if stamp.tzinfo is None:
        msg = f"the time {shown(text)} has no time zone; expected one at its end, like Z or +01:00"
        raise ValueError(msg)
    return float(round(stamp.timestamp() * 1e6))
