"""What a form may say: checked as the files are, before anything is written down."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pandas as pd

from analysis.service import SERVICE_KINDS, Service
from dashboard.casebook import LONGEST_NOTE
from dashboard.cases import Remark

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
    if found[2] is None and local.date() == now.tz_convert(installation.timezone).date():
        return min(told, now)
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
