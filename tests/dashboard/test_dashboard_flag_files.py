"""The flag of every reading as a file a day: opened by any Parquet reader, the same bytes twice, honest about its status."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pyarrow.parquet as pq
from typer.testing import CliRunner

from ingest import upkeep
from ingest.store import read_readings
from tests.support.archives import NOON, SITE, pack, small_installation, store
from tricklebook import app

if TYPE_CHECKING:
    from pathlib import Path

TEXT = """
name = "Home"
timezone = "UTC"
supply = { kind = "well", backflow_preventer = "none" }
zone.a = {}
sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { senml = "ec" } }
sensor.flow = { quantity = "flow", point = "mixed", unit = "L/h", source = { senml = "flow" } }
"""


def _flags(folder: Path, out: str) -> str:
    """Run the command as a person does and return what it prints."""
    described = folder / "installation.toml"
    described.write_text(TEXT, "utf-8")
    arguments = ["flags", "--installation", described, "--archive", folder / "archive", "--out", folder / out]
    done = CliRunner().invoke(app, [str(one) for one in arguments], catch_exceptions=False)
    assert done.exit_code == 0
    return done.stdout


def test_every_reading_has_its_flag_in_a_file_of_its_day(tmp_path: Path) -> None:
    """Each reading stands once with flag and test; open days are provisional, closed ones final and the same bytes twice."""
    archive = tmp_path / "archive"
    for day in range(2):
        begin = NOON + 86_400.0 * day
        store(archive, [pack(*(("ec", begin + 10.0 * n, 3.0 if n == 5 else 0.5) for n in range(20)))])
    said = _flags(tmp_path, "open")
    upkeep.upkeep(archive, SITE, everything=True, limit=10)
    closed = _flags(tmp_path, "closed")
    _flags(tmp_path, "again")
    file = "site=home/date=2024-03-04/flags.parquet"
    frame = pd.read_parquet(tmp_path / "closed" / file, partitioning=None)
    stored = read_readings(archive, small_installation(), end=pd.Timestamp("2024-03-05", tz="UTC"))

    assert (
        "2024-03-04 (UTC), provisional\n  ec  17 good, waits for the next readings 2 (flag 2), spike 1 (flag 3)\n"
        in said
    )
    assert "2024-03-05 (UTC), final\n  ec  19 good, spike 1 (flag 3)\n" in closed
    assert list(frame) == ["time", "sensor", "value", "quality", "test"]
    assert frame[["time", "value"]].to_numpy().tolist() == stored[["time", "value"]].to_numpy().tolist()
    assert frame.loc[frame["quality"] == 3, ["value", "test"]].to_numpy().tolist() == [[3.0, "spike"]]
    assert pq.read_schema(tmp_path / "open" / file).metadata[b"status"] == b"provisional"
    assert pq.read_schema(tmp_path / "closed" / file).metadata[b"status"] == b"final"
    assert (
        b"1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing"
        in pq.read_schema(tmp_path / "closed" / file).metadata[b"flags"]
    )
    assert (tmp_path / "closed" / file).read_bytes() == (tmp_path / "again" / file).read_bytes()
