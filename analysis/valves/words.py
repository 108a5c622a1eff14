"""What is said of valves and their sensors: what was seen, how sure it is, what to check first, what waiting costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.amounts import amount
from analysis.diagnosis.words import PRESSURE
from analysis.results import Finding
from analysis.table import clock
from analysis.valves.book import litres
from analysis.valves.events import DRAIN_S, GONE
from ingest.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.valves.book import Event
    from analysis.view import SeasonView

NOT_CLOSING = (
    "dirt, a torn diaphragm or a broken spring in the zone's valve",
    "a manual bleed screw left open, or a solenoid that sticks",
    "a controller or relay that still gives it current",
    "a valve sensor that is not true to the valve",
)
"""Why a valve lets water past. Common practice of the trade, from memory."""

NOT_OPENING = (
    "the solenoid: no current, a cut cable, a burnt coil",
    "the valve's flow screw turned down, its diaphragm stuck, its port plugged",
    "a hand valve in the zone's main left shut",
    "a valve sensor or a meter that is not true",
)
"""Why an open valve brings no water."""

LOST = (
    "the supply: a pump that did not start, a main valve left shut, an empty tank or well",
    "a filter that is wholly plugged, or a regulator that has shut",
    "a master valve that did not open",
)
"""Why no zone can get water."""

LEAKING = (
    "a valve that does not close, of any of the zones",
    "a leak between the meter and the valves",
    "water that somebody draws behind the meter, or a filter that flushes without end",
    "a valve sensor that says closed while its zone is watered",
)
"""Why a shared meter goes on with every zone closed."""

VALVE_SENSOR = (
    "the valve sensor's switch, magnet or lever, or its cable",
    "valve sensors that were swapped, in the cabinet or in installation.toml",
    "a valve that is opened by hand, past the controller that the sensor hears",
)
"""Why a valve sensor says other than the water."""


def _finding(
    season: SeasonView,
    kind: str,
    row: Sequence[Event],
    sensor: str,
    severity: Literal["watch", "act"],
    *,
    evidence: str,
    causes: tuple[str, ...],
    advice: str,
) -> Finding:
    """Return a finding of a row of events."""
    quantity = season.installation.sensor[row[-1].sensors[-1]].quantity
    return Finding(
        kind=kind,
        zone=row[-1].zone,
        sensor=sensor,
        start=row[0].start,
        end=row[-1].end,
        severity=severity,
        value=float(np.median([event.level for event in row])),
        unit="kPa" if quantity == "pressure" else QUANTITIES["flow"].unit,
        evidence=evidence,
        likely_causes=causes,
        advice=advice,
    )


def past(season: SeasonView, row: Sequence[Event], *, usual: float | None, held: int, grave: bool) -> Finding:
    """Return the finding of a valve that does not close."""
    last, water = row[-1], row[-1].sensors[-1]
    by_pressure = season.installation.sensor[water].quantity == "pressure"
    said = f"the valve sensor {last.sensors[0]} said closed" if len(last.sensors) > 1 else "the run had ended"
    share = f" ({last.level / usual:.0%} of the zone's usual flow)" if usual and not by_pressure else ""
    level = (
        f"stood at {amount(last.level, 'kPa')}" if by_pressure else f"read {amount(last.level, 'L/h')}{share}"
    )
    often = f"; so {len(row)} times, and {held} closings in between held" if len(row) > 1 else ""
    sure = (
        "pressure alone does not prove that water flows"
        if by_pressure
        else "that water passed is as sure as the meter; the valve is the likely cause, its sensor or, where it is small, "
        "the meter's zero the other"
    )
    lost = "" if by_pressure else f" About {amount(litres(row), 'L')} have run so already."
    return _finding(
        season,
        "valve fault",
        row,
        water,
        "act" if grave and not by_pressure else "watch",
        evidence=(
            f"{said}, and from {DRAIN_S / 60:.0f} min after that on {water} {level} for {clock(_seconds(last))}{often}; {sure}"
        ),
        causes=NOT_CLOSING,
        advice=(
            "See whether emitters of the zone drip now; then work the valve by hand, and clean its seat and diaphragm. "
            f"{PRESSURE} Waiting wets one zone without a plan, and draws feed that belongs to others.{lost}"
        ),
    )


def dry(season: SeasonView, row: Sequence[Event]) -> Finding:
    """Return the finding of a valve that does not open."""
    last = row[-1]
    often = f"; so {len(row)} times in a row" if len(row) > 1 else ""
    return _finding(
        season,
        "valve fault",
        row,
        last.sensors[-1],
        "act",
        evidence=(
            f"the valve sensor {last.sensors[0]} said open for {clock(_seconds(last))} and {last.sensors[-1]} showed "
            f"{_level(season, last)}, while the supply's pressure stood at the head{often}; that no water came is sure "
            "where two sensors agree, the valve is the likely cause, a dead meter the other"
        ),
        causes=NOT_OPENING,
        advice=(
            "Listen and feel at the zone's valve while it should be open, then measure its coil's current; mains wiring "
            f"is licensed work. {PRESSURE} Waiting leaves the zone without water and feed from run to run."
        ),
    )


def no_water(season: SeasonView, row: Sequence[Event]) -> Finding:
    """Return the finding of an open valve without water where the supply may be the reason."""
    last = row[-1]
    gone = last.name == GONE
    supply = (
        "the supply's pressure was gone at the head"
        if gone
        else "no pressure sensor of the head tells whether the supply was there"
    )
    often = f"; so {len(row)} times in a row" if len(row) > 1 else ""
    return _finding(
        season,
        "no water",
        row,
        last.sensors[-1],
        "act" if len(row) > 1 else "watch",
        evidence=(
            f"the valve sensor {last.sensors[0]} said open for {clock(_seconds(last))}, {last.sensors[-1]} showed "
            f"{_level(season, last)}, and {supply}{often}"
        ),
        causes=LOST if gone else (*LOST, *NOT_OPENING),
        advice=(
            "Look at the pump, the main valve and the pressure at the head while the zone should run. A pressure sensor "
            "at the head tells a lost supply from a valve. Waiting leaves every zone of this head without water."
            if gone
            else "Look at the pressure at the head while the zone should run: with it the valve is the reason, without "
            "it the supply. A pressure sensor there would tell. Waiting leaves the zone without water and feed."
        ),
    )


def at_rest(season: SeasonView, row: Sequence[Event], *, usual: float | None) -> Finding:
    """Return the finding of flow through a shared meter with every zone closed."""
    last, meter = row[-1], row[-1].sensors[-1]
    share = f" ({last.level / usual:.0%} of the smallest zone's usual flow)" if usual else ""
    often = f"; so {len(row)} times" if len(row) > 1 else ""
    grave = len(row) > 1 or (usual is not None and last.level >= GRAVE_SHARE * usual)
    return _finding(
        season,
        "flow at rest",
        row,
        meter,
        "act" if grave else "watch",
        evidence=(
            f"every zone behind {meter} was closed, and it read {amount(last.level, 'L/h')}{share} for {clock(_seconds(last))}"
            f"{often}; that water flows is as sure as the meter, where it goes these sensors do not decide: a meter or a "
            "pressure sensor in each zone would"
        ),
        causes=LEAKING,
        advice=(
            "Shut the hand valves of the zones one after the other, and see at which the meter stops; if at none, look "
            f"along the main. {PRESSURE} Waiting costs about {amount(last.level, 'L')} for every hour at rest; "
            f"{amount(litres(row), 'L')} have run so already."
        ),
    )


GRAVE_SHARE = 0.1
"""Share of the smallest zone's flow from which flow at rest is to be acted on the first time. [-] No source."""


def said_closed(season: SeasonView, row: Sequence[Event]) -> Finding:
    """Return the finding of a valve sensor that says closed while its zone is watered."""
    valve, water = row[-1].sensors
    return _untrue(
        season,
        row,
        f"{water} saw the zone watered {len(row)} times in a row, begun and ended while {valve} said closed all along",
    )


def said_open(season: SeasonView, row: Sequence[Event]) -> Finding:
    """Return the finding of a valve sensor that says open while its zone's water stops."""
    valve, water = row[-1].sensors
    return _untrue(
        season,
        row,
        f"{water} saw the zone's water stop {len(row)} times, for {clock(_seconds(row[-1]))} the last time, while {valve} "
        "said open and the supply's pressure stood at the head",
    )


def swapped(season: SeasonView, row: Sequence[Event], other: str | None) -> Finding:
    """Return the finding of a valve sensor that says open while another zone gets the water."""
    valve, water = row[-1].sensors
    return _untrue(
        season,
        row,
        f"{len(row)} times {valve} said open, {water} saw no water, and zone {other} had water with its own valve said "
        "closed",
    )


def _untrue(season: SeasonView, row: Sequence[Event], said: str) -> Finding:
    return _finding(
        season,
        "sensor fault",
        row,
        row[-1].sensors[0],
        "act",
        evidence=(
            f"{said}; the water is seen by a sensor of its own, so the valve sensor is very likely the one that is wrong"
        ),
        causes=VALVE_SENSOR,
        advice=(
            "Open and close the valve once by hand and see what the sensor says; compare cable and name with "
            "installation.toml. Until then runs that rest on it, and findings about this valve, say nothing sure; a "
            "valve that truly sticks would not be seen."
        ),
    )


def _level(season: SeasonView, event: Event) -> str:
    unit = "kPa" if season.installation.sensor[event.sensors[-1]].quantity == "pressure" else "L/h"
    return amount(event.level, unit)


def _seconds(event: Event) -> float:
    return 3600.0 * event.hours
