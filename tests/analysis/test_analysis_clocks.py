"""Clocks that jump, run fast or slow, or are set to another time zone; and sound ones on a poor network."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.archive import analyse_archive
from analysis.clocks.delays import levels
from analysis.pipeline import analyse
from benchmarks.clocks import Wrong, site
from tests.support.plain import MIDNIGHT, day, frame, installation, on, sensor, series, write_archive, zone

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.results import Finding
    from ingest.installation import Installation


def _kinds(found: tuple[Finding, ...]) -> list[tuple[str | None, str]]:
    return [(f.sensor, f.severity) for f in found]


@pytest.mark.parametrize("seed", range(3))
def test_sound_clocks_on_a_poor_network_are_silent(seed: int) -> None:
    """Slow evenings, hours of held up messages and deliveries after a silence are no fault of a clock."""
    assert site(seed, 60) == ()


@pytest.mark.parametrize("size", [60.0, -60.0, 3600.0, -3600.0])
def test_clock_that_jumps_is_told_with_size_and_day(size: float) -> None:
    """A jump of a minute or an hour is told of the one device, by its size, from the hours in which it came."""
    (found,) = site(3, 12, Wrong(jump=size))

    assert (found.kind, found.sensor, found.severity) == ("clock fault", "one", "act")
    assert found.value == pytest.approx(size, abs=5.0)
    assert abs(found.start - (pd.Timestamp("2026-05-01", tz="UTC") + pd.Timedelta(days=5.4))) < pd.Timedelta(
        "3h"
    )


@pytest.mark.parametrize("rate", [1.5, -1.5])
def test_clock_that_runs_off_is_told_by_its_rate(rate: float) -> None:
    """A second and a half a day shows within two weeks, by rate and side."""
    (found,) = site(4, 20, Wrong(rate=rate))

    assert (found.kind, found.sensor) == ("clock fault", "one")
    assert f"{'fast' if rate > 0 else 'slow'} by 1." in found.evidence


def test_all_clocks_at_once_are_one_clock() -> None:
    """Where every device jumps alike the machine that receives them is named, and no device."""
    (found,) = site(5, 12, Wrong(jump=60.0, everywhere=True))

    assert found.sensor is None
    assert found.likely_causes[0] == "the clock of the machine on which the ingester runs"


def test_small_jump_is_within_the_network() -> None:
    """Five seconds are what a network may make."""
    assert site(6, 12, Wrong(jump=-5.0)) == ()


def test_loaded_readings_tell_nothing_of_a_clock() -> None:
    """Readings of a file came in long after their time, all at once; those stamped on receipt have no clock."""
    times = pd.date_range(MIDNIGHT, periods=2000, freq="30s")
    loaded = pd.Series(86400.0 - np.arange(2000) * 30.0, times)

    assert list(levels(loaded)) == []
    assert list(levels(pd.Series(0.0, times))) == []


def _garden() -> tuple[Installation, pd.DataFrame]:
    """Return a zone whose meter is 90 s ahead from the second day on, with receipts."""
    times = day(48.0)
    system = installation(
        zone("a"),
        sensor("flow", "flow", "source", "L/h"),
        sensor("pressure", "pressure", "mixed", "kPa"),
    )
    watered = on(times, 6.0, 7.0) + on(times, 30.0, 31.0)
    readings = frame(
        {"flow": series(1000.0 * watered, times), "pressure": series(250.0 - 50.0 * watered, times)}
    )
    received = readings["time"] + pd.Timedelta("1s")
    ahead = (readings["sensor"] == "flow") & (readings["time"] >= MIDNIGHT + pd.Timedelta("24h"))
    readings["time"] = readings["time"] + pd.to_timedelta(np.where(ahead, 90.0, 0.0), unit="s")
    return system, readings.assign(received=received)


def test_receipt_reaches_the_analysis() -> None:
    """Receipt travels with the readings through the pipeline to the finding."""
    system, readings = _garden()
    said = analyse(system, readings, MIDNIGHT, MIDNIGHT + pd.Timedelta("48h")).findings

    assert [f.sensor for f in said if f.kind == "clock fault"] == ["flow"]


def test_receipt_is_read_from_the_archive(tmp_path: Path) -> None:
    """Receipt is stored with each reading, and an archive says of clocks what its readings do."""
    system, readings = _garden()
    write_archive(tmp_path, system, readings)

    assert [f.sensor for f in analyse_archive(tmp_path, system).findings if f.kind == "clock fault"] == [
        "flow"
    ]
