"""What people measured by hand: calibrations, dilution series, catch tests; checked as the files are."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from analysis.uniformity.read import CatchTest, from_csv, typed
from dashboard.entries import moment, text
from dashboard.in_file import sensor_table
from ingest.installation import Sensor, Stock
from ingest.quantities import DIMENSIONS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from ingest.installation import Installation

LONGEST_TEST = 20_000
"""Letters of a catch test: some hundred emitters with their pressures. [-]"""

_TABLE = re.compile(r"^\s*[A-Za-z ]+[\[(]")
"""How the header of a table begins: a column and its unit in brackets."""


def calibration(form: Mapping[str, object], installation: Installation, now: pd.Timestamp) -> dict[str, Any]:
    """Return a calibration, checked as the installation file is, with the lines that the file needs.

    Raises
    ------
    ValueError
        If the sensor is none, or the pairs will not do.
    """
    name = text(form, "sensor", 80)
    if name not in installation.sensor:
        msg = f"there is no sensor {name!r}"
        raise ValueError(msg)
    pairs = [_pair(line) for line in _lines(form, "pairs")]
    day = _day(text(form, "when", 40), now.tz_convert(installation.tz).date())
    described = installation.sensor[name]
    lines = f"calibration = [{', '.join([*_kept(described, day), _written(day, pairs)])}]"
    _checked(Sensor, sensor_table(described), lines)
    return {"sensor": name, "from": day.isoformat(), "pairs": pairs, "file": f"[sensor.{name}]\n{lines}"}


def _day(written: str, today: date) -> date:
    """Return a day as people write it; empty for today."""
    try:
        day = date.fromisoformat(written) if written else today
    except ValueError as error:
        msg = f"{written!r} is no day; write it like 2026-11-25"
        raise ValueError(msg) from error
    if day > today:
        msg = f"{written!r} lies in the future"
        raise ValueError(msg)
    return day


def _pair(line: str) -> tuple[str, str]:
    """Return a raw reading and a true value, as they are written into the file."""
    raw, true, *unit = [*re.split(r"[;\s]+", line.strip(), maxsplit=2), ""][:3]
    number, value = (_numbers(part, 1, "a raw reading and the true value")[0] for part in (raw, true))
    words = "".join(unit)
    if not words:
        return f"{number:.10g}", f"{value:.10g}"
    if not re.fullmatch(r"[^\"\\\x00-\x1f]{1,20}", words):
        msg = f"{line!r}: expected a raw reading and the true value, with its unit where it has another one"
        raise ValueError(msg)
    return f"{number:.10g}", f'"{value:.10g} {words}"'


def _kept(described: Sensor, day: date) -> list[str]:
    """Return the calibrations that the file has already, but for one of the same day."""
    unit = DIMENSIONS[described.quantity][0]
    return [
        _written(c.valid_from, [(f"{raw:.10g}", f'"{true:.10g} {unit}"') for raw, true in c.points])
        for c in described.calibration
        if c.valid_from != day
    ]


def _written(day: date, pairs: list[tuple[str, str]]) -> str:
    rows = ", ".join(f"[{raw}, {true}]" for raw, true in pairs)
    return f"{{ from = {day}, points = [{rows}] }}"


def dilutions(form: Mapping[str, object], installation: Installation) -> dict[str, Any]:
    """Return a dilution series, checked as the installation file is, with the lines that the file needs.

    Raises
    ------
    ValueError
        If the stock is none, or the series will not do.
    """
    name = text(form, "stock", 80)
    if name not in installation.stock:
        msg = f"there is no stock {name!r}"
        raise ValueError(msg)
    rows = []
    for line in _lines(form, "series"):
        ratio, _, value = line.rpartition(" ")
        (number,) = _numbers(value, 1, "a dilution and its EC")
        rows.append(f'["{ratio.strip()}", "{number:g} mS/cm"]')
    lines = f"dilutions = [{', '.join(rows)}]"
    _checked(Stock, {"injector": installation.stock[name].injector}, lines)
    return {"stock": name, "file": f"[stock.{name}]\n{lines}"}


def catch_test(form: Mapping[str, object], installation: Installation, now: pd.Timestamp) -> dict[str, Any]:
    """Return a catch test: the flow of each emitter, and its pressure where that was measured.

    Parameters
    ----------
    form : mapping
        ``zone``, ``when``, ``caught`` and, for millilitres without a unit, ``minutes``.
    installation : Installation
        The system.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    dict
        ``zone``, ``time`` of the test, when it was ``written`` down, ``flow_l_h`` and ``pressure_kpa``.

    Raises
    ------
    ValueError, UserError
        If the zone or the time is none, or what was caught cannot be read or judged.
    """
    from analysis.uniformity.catch import causes, uniformity  # noqa: PLC0415 - statistics take 40 MB, and few test

    zone = text(form, "zone", 80)
    if zone not in installation.zone:
        msg = f"there is no zone {zone!r}"
        raise ValueError(msg)
    tested = moment(text(form, "when", 40), installation, now)
    read = _caught(text(form, "caught", LONGEST_TEST), text(form, "minutes", 20))
    uniformity(read.flows)
    if read.pressures is not None:
        causes(read.flows, read.pressures, exponent=exponent_of(installation, zone))
    return {
        "zone": zone,
        "time": tested.isoformat(),
        "written": now.isoformat(),
        "flow_l_h": list(read.flows),
        **({} if read.pressures is None else {"pressure_kpa": list(read.pressures)}),
    }


def exponent_of(installation: Installation, zone: str) -> float:
    """Return the exponent of a zone's emitters, the most numerous kind's; a turbulent emitter's where none is told."""
    groups = sorted(installation.zone[zone].emitters, key=lambda group: group.count)
    return float(groups[-1].exponent) if groups else TURBULENT


TURBULENT = 0.5
"""Exponent of an orifice. [-] First principles."""


def _caught(written: str, minutes: str) -> CatchTest:
    """Return a catch test as people write it: a table, flows with their unit, or millilitres and minutes."""
    if not written:
        msg = "caught: nothing is filled in"
        raise ValueError(msg)
    if _TABLE.match(written):
        return from_csv(written)
    if re.search(r"[A-Za-z]", written):
        return typed(written)
    (time,) = _numbers(minutes, 1, "minutes of catching")
    caught = [
        value for line in written.splitlines() if line.strip() for value in _numbers(line, 0, "millilitres")
    ]
    if not 0 < time <= LONGEST_MIN:
        msg = f"minutes: expected a number above 0 and up to {LONGEST_MIN}"
        raise ValueError(msg)
    return CatchTest(tuple(ml / time * 0.06 for ml in caught))  # mL/min times 60 over 1000 is L/h


LONGEST_MIN = 24 * 60
"""Nobody catches for longer than a day. [min]"""


def _lines(form: Mapping[str, object], key: str) -> list[str]:
    lines = [line.strip() for line in text(form, key).splitlines() if line.strip()]
    if not lines:
        msg = f"{key}: nothing is filled in"
        raise ValueError(msg)
    return lines


def _numbers(line: str, count: int, what: str) -> list[float]:
    """Return the numbers of a line; `count` of them, or any where it is 0."""
    try:
        values = [float(part.replace(",", ".")) for part in re.split(r"[;\s]+", line.strip()) if part]
    except ValueError:
        values = []
    if not values or (count and len(values) != count) or not all(abs(v) < 1e12 for v in values):  # noqa: PLR2004 - refuses infinity
        msg = f"{line!r}: expected {what} as numbers"
        raise ValueError(msg)
    return values


def _checked(model: Any, table: dict[str, Any], lines: str) -> None:
    """Check lines of the installation file by its own model."""
    try:
        model.model_validate(table | tomllib.loads(lines))
    except tomllib.TOMLDecodeError as error:
        msg = f"this cannot be written into the file: {error}"
        raise ValueError(msg) from error
    except ValidationError as error:
        first = error.errors()[0]
        msg = f"{first['msg']} (found {first['input']!r})"
        raise ValueError(msg) from error
