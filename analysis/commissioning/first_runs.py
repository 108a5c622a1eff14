"""The first measured runs against what the description promises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.commissioning.pressures import Worked
from analysis.commissioning.zones import worked
from analysis.dilution import curve_of
from analysis.hydraulics.travel import travel_times
from ingest.description import rated_flow

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from analysis.results import Estimate, Results, Run
    from ingest.installation import Installation

MOST_RUNS = 3
"""Latest runs of each zone that are looked at. [-] No source."""

FLOW_TOLERANCE = 0.10
"""Zone flow against the computed one: emitters within 7 % of their rating (ISO 9261, from memory), pipes and
pressure for the rest. [-]"""

PRESSURE_TOLERANCE = 0.10
"""Zone pressures against the computed ones; common practice, no source. [-]"""

SUPPLY_TOLERANCE = 0.15
"""Supply at rest against the described one; supplies swing over the day. [-] No source."""

TRAVEL_TOLERANCE = 0.15
"""Travel time against the computed one: bores are known to a few per cent, and enter squared. [-] No source."""

WATER_TOLERANCE = 0.15
"""EC of the water against that of the dilutions' water; further off, the curve was made in another water. [-]"""

SETTLED = 0.5
"""The latter part of a run counts as settled. [-] No source."""

Verdict = Literal["agrees", "differs", "not measured"]


@dataclass(frozen=True, slots=True)
class Check:
    """One measured number against the computed one.

    Attributes
    ----------
    place : str
        Table of the file that it is about.
    what : str
        What was compared.
    measured : float or None
        Middle of the latest runs. [stored unit of `dimension`]
    computed : float
        What the description promises. [the same]
    tolerance : float
        Largest deviation that still agrees, as a share of `computed`. [-]
    dimension : str
        A key of `ingest.quantities.DIMENSIONS`.
    verdict : {"agrees", "differs", "not measured"}
        What comes of it.
    mend : str
        Where to look first, where it differs or is not measured.
    """

    place: str
    what: str
    measured: float | None
    computed: float
    tolerance: float
    dimension: str
    verdict: Verdict
    mend: str


def check(
    place: str,
    what: str,
    measured: float | None,
    computed: float,
    tolerance: float,
    dimension: str,
    mend: str,
) -> Check:
    """Return a check with its verdict.

    Parameters
    ----------
    place, what, dimension, mend : str
        As in `Check`.
    measured : float or None
        What was measured. [stored unit]
    computed : float
        What was expected. [stored unit]
    tolerance : float
        Share of `computed`. [-]

    Returns
    -------
    Check
        With its verdict; a number that is not finite counts as not measured.

    References
    ----------
    Tolerances of this module.

    Examples
    --------
    >>> check("zone.a", "flow", 840.0, 800.0, 0.1, "flow", "look").verdict
    'agrees'
    """
    verdict: Verdict
    if measured is None or not np.isfinite(measured):
        verdict, measured = "not measured", None
    else:
        verdict = "agrees" if abs(measured - computed) <= tolerance * abs(computed) else "differs"
    return Check(place, what, measured, computed, tolerance, dimension, verdict, mend)


def latest_runs(results: Results, zone: str) -> list[Run]:
    """Return a zone's latest runs, at most `MOST_RUNS`."""
    return [run for run in results.runs if run.zone == zone][-MOST_RUNS:]


def checks(installation: Installation, results: Results, series: Mapping[str, pd.Series]) -> list[Check]:
    """Compare the first runs with the description.

    Parameters
    ----------
    installation : Installation
        The system as described.
    results : Results
        The analysis of the first runs.
    series : mapping of str to pandas.Series
        Sensor to its readings round those runs, indexed by time (UTC), in stored units.

    Returns
    -------
    list of Check
        Zone by zone, then supply and water.

    References
    ----------
    `analysis.hydraulics.zones`, `analysis.hydraulics.travel`; tolerances of this module.
    """
    solved = worked(installation)
    found: list[Check] = []
    for zone in installation.zone:
        answer, runs = solved[zone], latest_runs(results, zone)
        computed = answer.state.flow if isinstance(answer, Worked) else rated_flow(installation.zone[zone])
        flows = [run.mean_flow_l_h for run in runs if run.mean_flow_l_h is not None]
        flow = float(np.median(flows)) if flows else None
        found.append(
            check(
                f"zone.{zone}",
                "flow",
                flow,
                computed,
                FLOW_TOLERANCE,
                "flow",
                "the regulator's setting, emitters' rating and count, clogged or broken lines, the meter's pulse value",
            )
        )
        if isinstance(answer, Worked):
            found += _pressures(installation, zone, answer, runs, series)
            found += _travel(zone, answer, results)
        found += _ratio(installation, zone, results)
    return [*found, *_supply(installation, results, series), *_water(installation, results, series)]


def _settled(series: pd.Series, runs: list[Run]) -> float | None:
    """Return the middle of a series over the settled part of some runs."""
    parts = [
        series[(series.index >= run.start + SETTLED * (run.end - run.start)) & (series.index < run.end)]
        for run in runs
    ]
    joined = np.concatenate([np.zeros(0), *(part.to_numpy(float) for part in parts)])
    return float(np.median(joined)) if joined.size else None


def _pressures(
    installation: Installation, zone: str, answer: Worked, runs: list[Run], series: Mapping[str, pd.Series]
) -> Iterator[Check]:
    """Compare the zone's pressures."""
    wanted = {"zone": answer.state.inlet_pressure, "lateral end": float(answer.state.pressure.min())}
    for point, computed in wanted.items():
        for sensor in installation.sensors_of(zone, "pressure", point):
            measured = _settled(series[sensor], runs) if sensor in series else None
            yield check(
                f"zone.{zone}", f"pressure, {point} ({sensor})", measured, computed, PRESSURE_TOLERANCE, "pressure",
                "the regulator's setting, a valve half closed, a bore or an elevation in the file, the sensor's unit",
            )  # fmt: skip


def _estimates(results: Results, zone: str, quantity: str, word: str) -> list[Estimate]:
    """Return the latest estimates of one kind whose method has a word in it."""
    found = [
        e
        for e in results.estimates
        if (e.quantity, e.zone, e.status) == (quantity, zone, "ok")
        and e.run_start is not None
        and word in e.method
    ]
    return found[-MOST_RUNS:]


def _travel(zone: str, answer: Worked, results: Results) -> Iterator[Check]:
    """Compare the travel time that EC saw with the pipes' own."""
    fronts = _estimates(results, zone, "travel time", "front")
    measured = float(np.median([e.value for e in fronts if e.value is not None])) if fronts else None
    computed = travel_times(answer.layout, answer.state).last
    yield check(
        f"zone.{zone}", "travel time to the far end", measured, computed, TRAVEL_TOLERANCE, "time",
        "bores and lengths in the file; an EC cell at the end of the farthest lateral, where none is",
    )  # fmt: skip


def _ratio(installation: Installation, zone: str, results: Results) -> Iterator[Check]:
    """Compare the injection ratio with the one that is set."""
    key = installation.injector_of(zone)
    injector = None if key is None else installation.injector[key]
    if injector is None or injector.ratio is None or injector.kind == "displacement tank":
        return
    found = _estimates(results, zone, "injection fraction", "")
    measured = float(np.median([e.value for e in found if e.value is not None])) if found else None
    yield check(
        f"zone.{zone}", "injection fraction", measured, injector.ratio, injector.ratio_tolerance, "share",
        "the injector's setting, its flow range, the stock's strength; a timed draw from a measuring cylinder decides",
    )  # fmt: skip


def _at_rest(series: pd.Series, results: Results) -> float | None:
    """Return the middle of a series while no zone runs, a minute's margin kept."""
    margin = pd.Timedelta(minutes=1)
    rest = np.ones(len(series), bool)
    for run in results.runs:
        rest &= (series.index < run.start - margin) | (series.index > run.end + margin)
    return float(np.median(series.to_numpy(float)[rest])) if rest.any() else None


def _supply(installation: Installation, results: Results, series: Mapping[str, pd.Series]) -> Iterator[Check]:
    """Compare the supply's pressure at rest."""
    described = installation.supply.pressure
    for name, sensor in installation.sensor.items():
        if described is not None and sensor.quantity == "pressure" and sensor.point == "supply":
            measured = _at_rest(series[name], results) if name in series else None
            yield check(
                "supply", f"pressure at rest ({name})", measured, described, SUPPLY_TOLERANCE, "pressure",
                "the supplier, a pump's switch, the sensor's unit; ratings were judged by the described pressure",
            )  # fmt: skip


def _water(installation: Installation, results: Results, series: Mapping[str, pd.Series]) -> Iterator[Check]:
    """Compare the source water's EC with that of the dilutions' water."""
    cells = [
        n
        for n, s in installation.sensor.items()
        if s.quantity == "conductivity" and s.point == "source" and s.compensated and n in series
    ]
    for name, stock in installation.stock.items():
        curve = curve_of(stock)
        if curve is None or not cells:
            continue
        yield check(
            f"stock.{name}", f"EC of the water ({cells[0]})", _at_rest(series[cells[0]], results), curve.water,
            WATER_TOLERANCE, "conductivity", "make the dilutions anew in the water that is injected into now",
        )  # fmt: skip
