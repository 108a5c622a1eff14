"""The measured salt injections of the NEON data package, as the SenML packs that devices would have sent.

How the published series is made from the tables:

- Logger rows are put in the order of ``measurementNumber``; rows without EC are left out. The logger measures
  every 10 s. Stamps of whole minutes are refined to ``t0 + 10 s x measurementNumber``, with the latest
  t0 for which no refined time is later than a minute after its stamp; stamps with seconds stay.
- EC is the table's specific conductance by its non-linear compensation (``fullRangeSpCondNonlinear``).
- Hand readings and bottles carry no time but the event's (``startDate``), so they are given one: those
  of the background one minute apart, ending ten minutes before the event's start; those of the plateau
  one minute apart from a time on that the caller names, at which the logger stood at its plateau.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parents[3] / "shared" / "datasets" / "neon_salt_injection"
"""Where the data lie beside the checkout."""

WHY_SKIPPED = "the measured NEON data are not beside this checkout (../shared/datasets/neon_salt_injection)"

LOGGER_STEP = pd.Timedelta("10s")
"""Time between the logger's measurements, from the package's readme."""

MICRO_SIEMENS_PER_CM = 1e-4
"""One uS/cm in S/m, the registry's unit."""

MILLIGRAM_PER_LITRE = 1e-3
"""One mg/L in kg/m3, the registry's unit."""

PACK = 60
"""Records in one pack: ten minutes of logger readings."""


@dataclass(frozen=True, slots=True)
class Event:
    """One injection in the data package.

    Attributes
    ----------
    site, folder, prefix : str
        The site's code, its folder, and the prefix of its tables.
    date : str
        The day, as in the sample names.
    plateau : str
        When hand readings and bottles of the plateau are said to have been taken. [UTC]
    """

    site: str
    folder: str
    prefix: str
    date: str
    plateau: str


LECO = Event("LECO", "LECO_2015-12", "sbd", "20151207", "2015-12-07T19:00Z")
GUIL = Event("GUIL", "GUIL_2016-07", "rea", "20160722", "2016-07-22T14:50Z")


def _table(event: Event, name: str) -> pd.DataFrame:
    """Read one table of the package, rows of this event only."""
    path = next((FOLDER / event.folder).glob(f"*{event.prefix}_{name}.*.csv"))
    table = pd.read_csv(path)
    day = f"{event.date[:4]}-{event.date[4:6]}-{event.date[6:]}"
    return table[table["startDate"].str.startswith(day)]


def logger(event: Event, station: int) -> pd.Series:
    """Return one logger's EC by refined time. [uS/cm at 25 °C]"""
    rows = _table(event, "conductivityFieldData")
    rows = rows[rows["hoboSampleID"] == f"{event.site}_S{station}_{event.date}"]
    rows = rows.dropna(subset="fullRangeSpCondNonlinear").sort_values("measurementNumber")
    stamps = pd.to_datetime(rows["dateTimeLogger"], utc=True, format="ISO8601")
    offset = rows["measurementNumber"] * LOGGER_STEP
    if (stamps.dt.second == 0).all():
        stamps = (stamps - offset).max() + offset
    return pd.Series(rows["fullRangeSpCondNonlinear"].to_numpy(), pd.DatetimeIndex(stamps))


def hand(event: Event, station: int) -> pd.Series:
    """Return the hand meter's EC at one station, background then plateau. [uS/cm at 25 °C]"""
    before = _at_station(_table(event, "backgroundFieldSaltData"), station)
    after = _at_station(_table(event, "plateauMeasurementFieldData"), station)
    named = [f"specificConductanceRep{n}" for n in range(1, 6)]
    ends = [row[[c for c in named if c in row.columns]].iloc[0].dropna().tolist() for row in (before, after)]
    return _timed(event, before["startDate"].iloc[0], *ends)


def bottles(event: Event, station: int) -> pd.Series:
    """Return the laboratory's chloride at one station, background then plateau. [mg/L]"""
    lab = _table(event, "externalLabDataSalt").set_index("saltSampleID")["finalConcentration"]
    taken = _at_station(_table(event, "plateauSampleFieldData"), station)["saltTracerSampleID"]
    before = _at_station(_table(event, "backgroundFieldSaltData"), station)
    background = lab[before["saltBackgroundSampleID"]].tolist()
    return _timed(event, before["startDate"].iloc[0], background, lab[sorted(taken)].tolist())


def _at_station(table: pd.DataFrame, station: int) -> pd.DataFrame:
    """Return the rows of one station."""
    return table[table["namedLocation"].str.endswith(f"station.{station:02d}")]


def _timed(event: Event, start: str, before: list[float], after: list[float]) -> pd.Series:
    """Give readings without a time of their own one, as the module's docstring says."""
    minute = pd.Timedelta("1min")
    first = pd.Timestamp(start) - pd.Timedelta("10min")
    then = [first - minute * n for n in range(len(before))][::-1]
    later = [pd.Timestamp(event.plateau) + minute * n for n in range(len(after))]
    return pd.Series([*before, *after], pd.DatetimeIndex([*then, *later]))


def series(event: Event) -> dict[str, tuple[pd.Series, str]]:
    """Return every series of an event by the last part of its SenML name, with its registry unit."""
    stations = sorted({int(n) for n in _stations_with_logger(event)})
    found = {f"s{n}:ec": (logger(event, n) * MICRO_SIEMENS_PER_CM, "S/m") for n in stations}
    for n in range(1, 5):
        found[f"s{n}:hand"] = (hand(event, n) * MICRO_SIEMENS_PER_CM, "S/m")
        found[f"s{n}:cl"] = (bottles(event, n) * MILLIGRAM_PER_LITRE, "kg/m3")
    return found


def _stations_with_logger(event: Event) -> list[str]:
    """Return the stations whose logger's readings are in the package."""
    names = _table(event, "conductivityFieldData")["namedLocation"]
    return sorted({name.rsplit(".", 1)[1] for name in names})


def packs(event: Event) -> list[tuple[str, bytes]]:
    """Return the topic and the payload of every message, in the order in which devices would send."""
    messages = []
    for name, (values, unit) in series(event).items():
        for first in range(0, len(values), PACK):
            part = values.iloc[first : first + PACK]
            pack: list[dict[str, float | str]] = [
                {"t": round(time.timestamp(), 3), "v": float(f"{value:.9g}")}
                for time, value in zip(pd.DatetimeIndex(part.index), part, strict=True)
            ]
            pack[0] |= {"bn": f"urn:dev:ow:{event.site.lower()}:{name}", "bu": unit}
            messages.append((part.index[-1], name, json.dumps(pack).encode()))
    return [(f"neon/{event.site.lower()}/{name}", payload) for _, name, payload in sorted(messages)]
