"""The protobuf message of Sparkplug B, from its published field numbers; only what readings need."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

if TYPE_CHECKING:
    from collections.abc import Iterable

_FIELD = descriptor_pb2.FieldDescriptorProto
_PACKAGE = "sparkplug_b"

# name, number, type; "*" marks a repeated field, "." a message, "|" a member of the value's choice.
# Eclipse Sparkplug Specification 3.0.0 (2022), section 6.4. What is not listed is passed over unread.
_MESSAGES: dict[str, tuple[tuple[str, int, str], ...]] = {
    "PropertyValue": (("type", 1, "uint32"), ("is_null", 2, "bool"), ("int_value", 3, "uint32")),
    "PropertySet": (("keys", 1, "string*"), ("values", 2, "PropertyValue.*")),
    "Metric": (
        ("name", 1, "string"),
        ("alias", 2, "uint64"),
        ("timestamp", 3, "uint64"),
        ("datatype", 4, "uint32"),
        ("is_historical", 5, "bool"),
        ("is_transient", 6, "bool"),
        ("is_null", 7, "bool"),
        ("properties", 9, "PropertySet."),
        ("int_value", 10, "uint32|"),
        ("long_value", 11, "uint64|"),
        ("float_value", 12, "float|"),
        ("double_value", 13, "double|"),
        ("boolean_value", 14, "bool|"),
        ("string_value", 15, "string|"),
        ("bytes_value", 16, "bytes|"),
    ),
    "Payload": (("timestamp", 1, "uint64"), ("metrics", 2, "Metric.*"), ("seq", 3, "uint64")),
}


def _describe(name: str, fields: Iterable[tuple[str, int, str]]) -> descriptor_pb2.DescriptorProto:
    """Return the descriptor of one message."""
    described = descriptor_pb2.DescriptorProto(name=name)
    for field, number, kind in fields:
        row = described.field.add(name=field, number=number)
        row.label = _FIELD.LABEL_REPEATED if kind.endswith("*") else _FIELD.LABEL_OPTIONAL
        plain = kind.rstrip("*|")
        if plain.endswith("."):
            row.type = _FIELD.TYPE_MESSAGE
            row.type_name = f".{_PACKAGE}.{plain.rstrip('.')}"
        else:
            row.type = _FIELD.Type.Value(f"TYPE_{plain.upper()}")
        if kind.endswith("|"):
            if not described.oneof_decl:
                described.oneof_decl.add(name="value")
            row.oneof_index = 0
    return described


def _payload_class() -> Any:
    """Return the class of the payload."""
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_b.proto", package=_PACKAGE, syntax="proto2")
    file.message_type.extend(_describe(name, fields) for name, fields in _MESSAGES.items())
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


Payload: Any = _payload_class()
"""Class of the message: ``Payload.FromString(bytes)`` reads one."""

INT8, INT16, INT32, INT64 = 1, 2, 3, 4
FLOAT, DOUBLE, BOOLEAN = 9, 10, 11
"""Data types of metrics that need care; Sparkplug 3.0.0 section 6.4.16."""

_SIGNED_BITS = {INT8: 8, INT16: 16, INT32: 32, INT64: 64}


def metric_value(metric: Any, datatype: int) -> float | bool | str | None:
    """Return a metric's value.

    Parameters
    ----------
    metric : Any
        One metric of a `Payload`.
    datatype : int
        Its data type, from itself or from its birth; 0 where neither says.

    Returns
    -------
    float, bool, str or None
        None where it has none, or one that is no single value.

    References
    ----------
    Eclipse Sparkplug Specification 3.0.0 (2022), section 6.4.16: signed whole numbers are sent as their
    two's complement in an unsigned field.

    Examples
    --------
    >>> metric_value(Payload(metrics=[{"int_value": 2**32 - 5}]).metrics[0], INT32)
    -5
    """
    kind = metric.WhichOneof("value")
    if kind is None or metric.is_null:
        return None
    value = getattr(metric, kind)
    bits = _SIGNED_BITS.get(datatype)
    if bits is not None and kind in ("int_value", "long_value"):
        value &= (1 << bits) - 1
        return int(value - (1 << bits) if value >> (bits - 1) else value)
    if isinstance(value, bytes):
        return value.hex()
    if kind == "float_value":
        return float(str(np.float32(value)))  # 1.31 as it was meant, not the double nearest to its bits
    found: float | bool | str = value
    return found
