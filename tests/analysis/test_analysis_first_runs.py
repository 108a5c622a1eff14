"""The first measured runs against the description: what agrees, what differs, what was not measured."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.commissioning.example import garden
from analysis.commissioning.first_runs import Check, checks
from analysis.results import Estimate, Results, Run

ROOT = Path(__file__).parents[2]
START = pd.Timestamp("2026-05-01 06:00", tz="UTC")
SENSORS = {
    "flow": {"quantity": "flow", "point": "source", "unit": "L/h", "source": {"csv": "flow"}},
    "ec": {"quantity": "conductivity", "point": "source", "unit": "mS/cm", "source": {"csv": "ec"}},
    "zone_p": {
        "quantity": "pressure",
        "point": "zone",
        "zone": "bench1",
        "unit": "kPa",
        "source": {"csv": "a"},
    },
    "end_p": {
        "quantity": "pressure",
        "point": "lateral end",
        "zone": "bench1",
        "unit": "kPa",
        "source": {"csv": "b"},
    },
    "supply_p": {"quantity": "pressure", "point": "supply", "unit": "kPa", "source": {"csv": "c"}},
}


def _run_at(hours: float, flow: float) -> Run:
    """Return a run of bench1, half an hour long."""
    start = START + pd.Timedelta(hours=hours)
    return Run("bench1", start, start + pd.Timedelta(minutes=30), flow / 2, flow)


def _checks(
    *, flow: float = 870.0, end: float = 120.0, water: float = 0.48, fraction: float | None = 0.0101
) -> list[Check]:
    """Return the checks of three runs with some measured values."""
    runs = tuple(_run_at(2.0 * n, flow) for n in range(3))
    estimates = (
        ()
        if fraction is None
        else tuple(
            Estimate(
                "injection fraction",
                "bench1",
                r.start,
                fraction,
                "1",
                fraction * 0.98,
                fraction * 1.02,
                "m",
                ("flow",),
            )
            for r in runs
        )
    )
    index = pd.date_range(START - pd.Timedelta(hours=1), periods=6 * 360, freq="10s")
    running = np.zeros(len(index), bool)
    for run in runs:
        running |= (index >= run.start) & (index < run.end)
    series = {
        "ec": pd.Series(np.where(running, 5.0, water), index),
        "zone_p": pd.Series(np.where(running, 121.0, 0.0), index),
        "end_p": pd.Series(np.where(running, end, 0.0), index),
        "supply_p": pd.Series(np.where(running, 250.0, 318.0), index),
    }
    system = garden(sensor=SENSORS)
    return checks(system, Results("x", START, START, "s", runs, estimates, ()), series)


def test_runs_as_described_agree() -> None:
    """Every measured number of a sound garden agrees; travel is not measured without a far cell."""
    found = {check.what: check.verdict for check in _checks()}

    assert found == {
        "flow": "agrees",
        "pressure, zone (zone_p)": "agrees",
        "pressure, lateral end (end_p)": "agrees",
        "travel time to the far end": "not measured",
        "injection fraction": "agrees",
        "pressure at rest (supply_p)": "agrees",
        "EC of the water (ec)": "agrees",
    }


@pytest.mark.parametrize(
    ("planted", "what"),
    [
        ({"flow": 700.0}, "flow"),
        ({"end": 95.0}, "pressure, lateral end (end_p)"),
        ({"water": 0.75}, "EC of the water (ec)"),
        ({"fraction": 0.0085}, "injection fraction"),
    ],
)
def test_planted_difference_is_the_only_one(planted: dict[str, float], what: str) -> None:
    """A wrong meter, a half-closed lateral, another water and a weak injection each differ, alone, with a mend."""
    differing = [check for check in _checks(**planted) if check.verdict == "differs"]

    assert [check.what for check in differing] == [what]
    assert differing[0].mend


def test_missing_estimate_is_not_measured() -> None:
    """Without a ratio estimate nothing is claimed of the ratio."""
    [ratio] = [check for check in _checks(fraction=None) if check.what == "injection fraction"]

    assert (ratio.verdict, ratio.measured) == ("not measured", None)


SYSTEM = """
name = "Hollin Row"
timezone = "UTC"
[supply]
kind = "well"
backflow_preventer = "double check valve"
[zone.bed]
emitters = [{ count = 400, flow = "2 L/h" }]
[sensor.flow]
quantity = "flow"
point = "zone"
zone = "bed"
unit = "L/h"
accuracy = "2 %"
interval = "30 s"
source = { csv = "flow" }
"""


@pytest.mark.slow
def test_acceptance_is_signed_and_a_difference_needs_a_note(tmp_path: Path) -> None:
    """The command ends with 4 where the flow differs, accepts it only with a note, and logs who did."""
    (tmp_path / "installation.toml").write_text(SYSTEM, "utf-8")
    times = pd.date_range("2026-04-10", periods=2880, freq="30s")
    running = (times.hour == 6) & (times.minute < 40)
    flow = np.where(running, 640.0 + np.random.default_rng(3).normal(0, 2, len(times)), 0.0).round(1)
    pd.DataFrame({"time": times, "flow": flow}).to_csv(tmp_path / "logger.csv", index=False)
    options = ["--installation", "installation.toml", "--archive", "archive"]

    def command(*arguments: str) -> subprocess.CompletedProcess[str]:
        line = [sys.executable, str(ROOT / "tricklebook.py"), *arguments]
        return subprocess.run(line, cwd=tmp_path, capture_output=True, text=True, check=False)

    assert command("load", "logger.csv", *options, "--timezone", "UTC").returncode == 0

    told = command("commission", *options, "--json")
    refused = command("commission", *options, "--accept", "--person", "A. Weller")
    taken = command(
        "commission", *options, "--accept", "--person", "A. Weller", "--note", "20 % of the bed is capped"
    )

    assert told.returncode == 4
    assert [check["verdict"] for check in json.loads(told.stdout)] == ["differs"]
    assert refused.returncode == 2
    assert "accept it only with --note" in refused.stderr
    assert taken.returncode == 4
    logged = json.loads((tmp_path / "archive" / "service.jsonl").read_text("utf-8"))
    assert (logged["person"], logged["kind"]) == ("A. Weller", "commissioned")
    assert logged["note"].endswith("20 % of the bed is capped")
