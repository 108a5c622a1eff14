"""The digest of a day's readings tells every change of a sensor and the hour, and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.incremental.digests import HOURS, hourly, of_sensors
from tests.support.plain import MIDNIGHT

if TYPE_CHECKING:
    from collections.abc import Callable


def _readings(values: list[float], sensors: list[str]) -> pd.DataFrame:
    """Return readings, one an hour."""
    times = pd.date_range(MIDNIGHT, periods=len(values), freq="1h").as_unit("us")
    names = pd.Categorical(sensors)
    rows = {"time": times, "sensor": names, "value": values, "quality": np.int8(1), "received": times}
    return pd.DataFrame(rows)


def _digest(frame: pd.DataFrame) -> bytes:
    found = hourly(frame, MIDNIGHT.value // 1000)
    return of_sensors(found, ["a", "b"]).tobytes()


def test_digest_does_not_mind_the_order() -> None:
    """The same readings in another order have the same digest; so have 0 and -0, which are equal."""
    frame = _readings([1.0, 2.0, 0.0, 4.0], ["a", "b", "a", "b"])

    assert _digest(frame.iloc[::-1]) == _digest(frame)
    assert _digest(frame.assign(value=[1.0, 2.0, -0.0, 4.0])) == _digest(frame)


@pytest.mark.parametrize(
    "change",
    [
        lambda f: f.assign(value=[1.0, 2.0, np.nextafter(3.0, 4.0), 4.0]),
        lambda f: f.assign(quality=np.array([1, 1, 1, 3], np.int8)),
        lambda f: f.assign(time=f["time"] + pd.Timedelta("1us")),
        lambda f: f.assign(received=f["received"] + pd.Timedelta("1us")),
        lambda f: f.assign(sensor=pd.Categorical(["b", "a", "a", "b"])),
        lambda f: f.iloc[:3],
        lambda f: f.assign(value=[2.0, 1.0, 3.0, 4.0]),
    ],
    ids=["last bit", "quality", "time", "receipt", "sensors swapped", "one less", "values swapped"],
)
def test_digest_tells_every_change(change: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    """One bit of one reading, its time, its flag or its sensor makes another digest."""
    frame = _readings([1.0, 2.0, 3.0, 4.0], ["a", "b", "a", "b"])

    assert _digest(change(frame)) != _digest(frame)


def test_digest_tells_the_hour() -> None:
    """Only the hour of a reading that changed has another digest."""
    frame = _readings([1.0, 2.0, 3.0, 4.0], ["a", "a", "a", "a"])
    one, other = (
        hourly(f, MIDNIGHT.value // 1000)["a"] for f in (frame, frame.assign(value=[1.0, 2.0, 9.0, 4.0]))
    )

    assert one.shape == (HOURS, 2)
    assert np.flatnonzero((one != other).any(axis=1)).tolist() == [2]
