"""What a form may say: checked as the files are, before anything is written down."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

import pandas as pd
from pydantic import ValidationError

from analysis.service import SERVICE_KINDS, Service
from dashboard.casebook import LONGEST_NOTE
from dashboard.cases import Remark
from ingest.installation import Sensor, Stock

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Installation

LONGEST_NAME = 80
"""Letters of a name. [-]"""

_WHEN = re.compile(r"^(\d{4}-\d{2}-\d{2})(?:[ T](\d{1,2}:\d{2}))?$")


def text(form: Mapping[str, object], key: str, longest: int = LONGEST_NOTE) -> str:
    """Return a text of a form, without blanks around it.

    Raises
    ------
    ValueError
        If it is no text, or too long.
    """
    value = form.get(key, "")
    if not isinstance(value, str) or "\x00" in value:
        msg = f"{key}: expected text"
        raise ValueError(msg)
    if len(value) > longest:
        msg = f"{key} has {len(value)} letters; at most {longest} are kept"
        raise ValueError(msg)
    return value.strip()


def moment(written: str, installation: Installation, now: pd.Timestamp) -> pd.Timestamp:
    """Return a moment as people write it, in the site's time.

    Parameters
    ----------
    written : str
        Like ``2026-11-25 14:30``; empty for now.
    installation : Installation
        Whose time zone it is told in.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    pandas.Timestamp
        [UTC]

    Raises
    ------
    ValueError
        If it is no time, lies in the future, or falls into the hour that a clock change repeats or skips.
    """
    if not written:
        return now
    found = _WHEN.match(written)
    if found is None:
        msg = f"{written!r} is no time; write it like 2026-11-25 14:30"
        raise ValueError(msg)
    try:
        local = pd.Timestamp(f"{found[1]} {found[2] or '12:00'}")
        told = local.tz_localize(installation.timezone).tz_convert("UTC")
    except ValueError as error:
        msg = f"{written!r} is no time at the site; a clock change repeats or skips that hour, or there is no such day"
        raise ValueError(msg) from error
    if told > now + pd.Timedelta(minutes=5):
        msg = f"{written!r} lies in the future"
        raise ValueError(msg)
    return told


def remark(form: Mapping[str, object], person: str, now: pd.Timestamp) -> Remark:
    """Return what a person does to a finding; `dashboard.casebook.CaseBook.remark` checks the rest."""
    return Remark(text(form, "about", 40), now, person, text(form, "action", 20), text(form, "note"))


def service(
    form: Mapping[str, object], installation: Installation, person: str, now: pd.Timestamp
) -> Service:
    """Return an entry of the service log.

    Raises
    ------
    ValueError
        If the kind, zone, sensor or time is none, or nobody signs.
    """
    kind, zone, sensor = (text(form, key, 80) for key in ("kind", "zone", "sensor"))
    if kind not in SERVICE_KINDS:
        msg = "say what was done: choose one of the kinds"
        raise ValueError(msg)
    if zone and zone not in installation.zone:
        msg = f"there is no zone {zone!r}"
        raise ValueError(msg)
    if sensor and sensor not in installation.sensor:
        msg = f"there is no sensor {sensor!r}"
        raise ValueError(msg)
    if kind in {"sensor calibrated", "sensor replaced"} and not sensor:
        msg = f"{kind}: name the sensor"
        raise ValueError(msg)
    when = moment(text(form, "when", 40), installation, now)
    return Service(when, person, kind, zone or None, sensor or None, text(form, "note"))


def name_of(form: Mapping[str, object], signed: str) -> str:
    """Return who signs: who has logged in, or who the form names.

    Raises
    ------
    ValueError
        If nobody does.
    """
    name = signed or text(form, "person", LONGEST_NAME)
    if not name or not name.isprintable():
        msg = "the name of who does this is missing"
        raise ValueError(msg)
    return name


def calibration(form: Mapping[str, object], installation: Installation) -> dict[str, Any]:
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
    pairs = [_numbers(line, 2, "a raw reading and the true value") for line in _lines(form, "pairs")]
    day = text(form, "when", 40)[:10]
    rows = ", ".join(f"[{raw:g}, {true:g}]" for raw, true in pairs)
    lines = f"calibration = [{{ from = {day}, points = [{rows}] }}]"
    described = installation.sensor[name]
    checked = {"quantity": described.quantity, "point": described.point, "unit": described.unit}
    _checked(Sensor, {**checked, "zone": described.zone, "source": {"csv": "x"}}, lines)
    return {"sensor": name, "pairs": pairs, "file": f"[sensor.{name}]\n{lines}"}


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
        rows.append(f'["{ratio.strip()}", "{float(value.replace(",", ".")):g} mS/cm"]')
    lines = f"dilutions = [{', '.join(rows)}]"
    _checked(Stock, {"injector": installation.stock[name].injector}, lines)
    return {"stock": name, "file": f"[stock.{name}]\n{lines}"}


def catch_test(form: Mapping[str, object], installation: Installation) -> dict[str, Any]:
    """Return the catches of a test: litres an hour of each emitter.

    Raises
    ------
    ValueError
        If the zone is none, or a number will not do.
    """
    zone = text(form, "zone", 80)
    if zone not in installation.zone:
        msg = f"there is no zone {zone!r}"
        raise ValueError(msg)
    (minutes,) = _numbers(text(form, "minutes", 20), 1, "minutes")
    caught = [value for line in _lines(form, "caught") for value in _numbers(line, 0, "millilitres")]
    if not 0 < minutes <= 24 * 60 or len(caught) < FEWEST_CATCHES or min(caught) < 0:
        msg = f"expected minutes above 0 and at least {FEWEST_CATCHES} catches in mL, none below 0"
        raise ValueError(msg)
    return {
        "zone": zone,
        "minutes": minutes,
        "caught_ml": caught,
        "flow_l_h": [c * 0.06 / minutes for c in caught],
    }


FEWEST_CATCHES = 4
"""A quarter of the catches must be at least one. [-]"""


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
