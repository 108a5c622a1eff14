"""How values are written for people: metric or US units, decimals, ratios, durations and local times.

Values stay in the stored units everywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.amounts import US_UNITS
from dashboard.texts import say
from ingest.quantities import DIMENSIONS, convert

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import pandas as pd
    from numpy.typing import NDArray

    from analysis.results import Finding

Units = Literal["metric", "us"]

UNITS: dict[str, Units] = {"metric": "metric", "us": "us"}
"""What a reader may choose."""

_DECIMALS = {
    "L/h": 0, "gal/min": 2, "kPa": 0, "psi": 1, "mS/cm": 2, "°C": 1, "°F": 1, "mm": 0, "in": 1,
    "L": 1, "gal": 1, "kg": 2, "lb": 2, "g": 1, "oz": 2, "mg/L": 1, "1": 2, "%": 1,
    "g/m2": 2, "oz/ft2": 4, "m": 1, "ft": 1, "m2": 0, "ft2": 0,
}  # fmt: skip
"""Decimals that a meter of the trade carries, by unit."""

_WRITTEN = {"m2": "m²", "ft2": "ft²", "g/m2": "g/m²", "oz/ft2": "oz/ft²"}
"""Units that are written otherwise than they are spelled."""

NO_VALUE = "\N{EN DASH}"
"""Stands where there is no number."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Turns a stored value into a shown one.

    Attributes
    ----------
    unit : str
        As shown.
    factor, offset : float
        shown = stored * factor + offset
    decimals : int
        Decimals shown. [-]
    """

    unit: str
    factor: float
    offset: float
    decimals: int

    def shown(self, values: NDArray[np.float64]) -> NDArray[np.float32]:
        """Return stored values in the shown unit, as precise as a screen needs."""
        return (values * self.factor + self.offset).astype(np.float32)

    def text(self, value: float | None, *, unit: bool = True) -> str:
        """Return the value as people read it."""
        if value is None or value != value:  # noqa: PLR0124 - NaN is not itself
            return NO_VALUE
        shown = value * self.factor + self.offset
        number = f"{shown:,.{self.decimals}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
        number = number.replace("-", "\N{MINUS SIGN}")
        if not unit or self.unit == "1":
            return number
        return f"{number}\N{NO-BREAK SPACE}{self.unit}"


@cache
def scale(unit: str, units: Units) -> Scale:
    r"""Return how a stored unit is shown.

    Parameters
    ----------
    unit : str
        The stored unit.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Scale
        The shown unit, and how to get there.

    Examples
    --------
    >>> scale("kPa", "us").text(241.32)
    '35.0\xa0psi'
    """
    shown = US_UNITS.get(unit, unit) if units == "us" else unit
    if shown == unit:
        return Scale(_WRITTEN.get(unit, unit), 1.0, 0.0, _DECIMALS.get(unit, 2))
    offset = convert(0.0, unit, shown)
    return Scale(_WRITTEN.get(shown, shown), convert(1.0, unit, shown) - offset, offset, _DECIMALS[shown])


def quantity_scale(quantity: str, units: Units) -> Scale:
    """Return how a quantity's values are shown; as `scale`, by the quantity's name."""
    return scale(DIMENSIONS[quantity][0], units)


def share(value: float | None, decimals: int = 2) -> str:
    r"""Return a share as per cent.

    Examples
    --------
    >>> share(0.0123)
    '1.23\xa0%'
    """
    return NO_VALUE if value is None else f"{100 * value:.{decimals}f}\N{NO-BREAK SPACE}%"


def ratio(fraction: float | None) -> str:
    """Return a volume fraction as 1 part of stock in n parts of delivered solution.

    Examples
    --------
    >>> ratio(0.0098)
    '1:102'
    """
    if fraction is None or fraction <= 0:
        return NO_VALUE
    parts = 1 / fraction
    return f"1:{parts:.1f}" if parts < 20 else f"1:{parts:.0f}"  # noqa: PLR2004 - three figures are enough


def duration(seconds: float | None) -> str:
    """Return a duration in the largest units that matter.

    Examples
    --------
    >>> duration(754)
    '12 min 34 s'
    """
    if seconds is None:
        return NO_VALUE
    sign = "\N{MINUS SIGN}" if seconds < 0 else ""
    whole = round(abs(seconds))
    minutes, rest = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (rest, "s")]
    first = next((i for i, (number, _) in enumerate(parts) if number), len(parts) - 1)
    shown = [f"{number} {word}" for number, word in parts[first : first + 2] if number]
    return sign + (" ".join(shown) or "0 s")


def day(moment: pd.Timestamp, tz: ZoneInfo) -> str:
    """Return the local date, such as ``Wed 25 Nov 2026``."""
    local = moment.tz_convert(tz)
    weekday, month = (
        say("calendar.weekdays").split()[local.weekday()],
        say("calendar.months").split()[local.month - 1],
    )
    return f"{weekday} {local.day} {month} {local.year}"


def clock(moment: pd.Timestamp, tz: ZoneInfo, *, seconds: bool = False) -> str:
    """Return the local time of day, such as ``14:02``."""
    return moment.tz_convert(tz).strftime("%H:%M:%S" if seconds else "%H:%M")


def when(moment: pd.Timestamp | None, tz: ZoneInfo, now: pd.Timestamp) -> str:
    """Return a local time as short as it can be told without doubt: today's without the date."""
    if moment is None:
        return NO_VALUE
    local, today = moment.tz_convert(tz), now.tz_convert(tz)
    if local.date() == today.date():
        return say("time.today", clock=clock(moment, tz))
    if (today.date() - local.date()).days == 1:
        return say("time.yesterday", clock=clock(moment, tz))
    return f"{day(moment, tz)}, {clock(moment, tz)}"


def zone_name(moment: pd.Timestamp, tz: ZoneInfo) -> str:
    """Return the site's time zone with its offset at a moment, such as ``Europe/Lisbon (UTC+0)``."""
    offset = moment.tz_convert(tz).utcoffset()
    minutes = int(offset.total_seconds() // 60) if offset is not None else 0
    sign, minutes = ("\N{MINUS SIGN}" if minutes < 0 else "+"), abs(minutes)
    text = f"UTC{sign}{minutes // 60}" + (f":{minutes % 60:02d}" if minutes % 60 else "")
    return f"{tz.key} ({text})"


def finding_place(finding: Finding) -> str:
    """Return where a finding was seen."""
    places = [say("finding.where_zone", zone=finding.zone) if finding.zone else say("finding.where_head")]
    if finding.sensor:
        places.append(say("finding.where_sensor", sensor=finding.sensor))
    return ", ".join(places)
