"""A season of the invented field: a day's runs for weeks, a service that gained flow, a bench whose EC is low."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tests.dashboard import field

if TYPE_CHECKING:
    from collections.abc import Iterator

DAYS, SERVED_DAYS_AGO = 25, 12
"""Length of the season, and how long ago its lines were treated. [d]"""

INTERVAL_S = 60
LOST, LOW_EC = 0.07, 1.62
"""Share of bench1's flow that the service gave back [-], and what bench2 got instead of 2.05 mS/cm since yesterday."""


def installation_text() -> str:
    """Return the installation file; every sensor sends once a minute."""
    return field.installation_text().replace(
        f'interval = "{field.INTERVAL_S} s"', f'interval = "{INTERVAL_S} s"'
    )


def runs(now_s: float) -> list[tuple[float, str]]:
    """Return two runs of each bench a day, the last of them an hour ago."""
    last = now_s - 3600 - field.RUN_S
    starts = [(last - day * 86400 - k * 5400, k) for day in range(DAYS) for k in range(4)]
    return sorted((start, "bench2" if k % 2 else "bench1") for start, k in starts)


def readings(now_s: float) -> Iterator[pd.DataFrame]:
    """Return the season's readings, a day at a time."""
    rng = np.random.default_rng(11)
    known = runs(now_s)
    for day in range(DAYS, 0, -1):
        start = now_s - day * 86400
        times = np.arange(start, start + 86400, INTERVAL_S)
        near = [(at, zone) for at, zone in known if start - 86400 < at < start + 86400]
        stamps = pd.to_datetime((times * 1e6).astype(np.int64), unit="us", utc=True).as_unit("us")
        wander = 1.0 + 0.003 * rng.normal()
        parts = []
        for name in field.SENSORS:
            value = field.values(name, times, near)
            if name == "head_flow":
                value = value * np.where(_runs_of("bench1", near, times), wander, 1.0)
                if day > SERVED_DAYS_AGO:
                    value = value * np.where(_runs_of("bench1", near, times), 1.0 - LOST, 1.0)
            if name == "feed_ec" and day == 1:
                low = _runs_of("bench2", near, times) & (value > 1.0)
                value = np.where(low, value - 2.05 + LOW_EC, value)
            parts.append(
                pd.DataFrame(
                    {
                        "time": stamps,
                        "sensor": name,
                        "value": value,
                        "quality": np.int8(1),
                        "received": stamps,
                    }
                )
            )
        yield pd.concat(parts, ignore_index=True)


def _runs_of(zone: str, known: list[tuple[float, str]], times: np.ndarray) -> np.ndarray:
    on = np.zeros(len(times), bool)
    for start, watered in known:
        if watered == zone:
            on |= (times >= start) & (times < start + field.RUN_S)
    return on
