"""Readings of the simulated garden as the archive hands them out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sample_data.sensing import readings

if TYPE_CHECKING:
    from sample_data.plant import Plant


def readings_of(plant: Plant, start: int, end: int) -> pd.DataFrame:
    """Return every reading of a plant between two instants [s since 1970], received as it was taken."""
    parts = []
    for name in sorted(plant.installation.sensor):
        times, values = readings(plant, name, start, end)
        stamps = pd.to_datetime(times * 1_000_000, unit="us", utc=True).as_unit("us")
        parts.append(pd.DataFrame({"time": stamps, "sensor": name, "value": values, "received": stamps}))
    frame = pd.concat(parts, ignore_index=True)
    return frame.assign(sensor=frame["sensor"].astype("category"), quality=np.int8(2))
