"""A small installation, messages for it, and archives made of them."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from ingest.installation import Installation
from ingest.journal import JournalWriter
from ingest.rounds import Rounds

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SITE = "home"
NOON = int(datetime(2024, 3, 4, 12, tzinfo=UTC).timestamp())
"""An instant of a day that is long over. [s since 1970, UTC]"""

DAY_S = 86_400


def small_installation() -> Installation:
    """Return an installation with a flow meter and a conductivity cell."""
    return Installation.model_validate(
        tomllib.loads(
            """
            name = "Home"
            timezone = "UTC"
            supply = { kind = "well", backflow_preventer = "none" }
            zone.a = {}
            sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { senml = "ec" } }
            sensor.flow = { quantity = "flow", point = "mixed", unit = "L/h", source = { senml = "flow" } }
            """
        )
    )


def pack(*readings: tuple[str, float, float]) -> tuple[str, bytes]:
    """Return a message with readings: sensor, instant [s since 1970, UTC] and value [mS/cm or L/h]."""
    units = {"ec": "mS/cm", "flow": "L/h"}
    records = [{"n": name, "u": units[name], "t": when, "v": value} for name, when, value in readings]
    return "garden/head", json.dumps(records).encode()


def write(
    archive: Path,
    messages: Iterable[tuple[str, bytes]],
    *,
    received_s: float | None = None,
    writer: str = SITE,
) -> None:
    """Append messages to a journal."""
    received = None if received_s is None else int(received_s * 1e6)
    with JournalWriter(archive, writer, SITE, reserve_bytes=0) as journal:
        journal.append(messages, received_us=received)


def store(archive: Path, messages: Iterable[tuple[str, bytes]], *, received_s: float | None = None) -> None:
    """Append messages to a journal and archive them, one round."""
    write(archive, messages, received_s=received_s)
    Rounds(archive, small_installation()).run()


def parts(archive: Path, kind: str = "readings") -> list[Path]:
    """Return an archive's files of a kind."""
    return sorted((archive / kind).rglob("part-*.parquet"))
