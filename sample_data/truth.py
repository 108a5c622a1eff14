"""What really happened in the simulated history, for those who want to check the numbers on the page."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import brentq

from sample_data.plant import BYPASS, PECLET_END
from sample_data.schedule import CLOGGING_PER_DAY, DAY_S, SILENT_SENSOR, open_share, silent
from sample_data.transport import response

if TYPE_CHECKING:
    from sample_data.plant import Plant, WetRun

STEP_S = 2.0
"""Step of the sum over time. [s]"""


@dataclass(frozen=True, slots=True)
class TrueRun:
    """One run as it really was.

    Attributes
    ----------
    zone, start, end : str
        Zone, and when water flowed. [ISO 8601, UTC]
    planted : str
        What was planted to go wrong; empty for nothing.
    injection_start, injection_end : str or None
        When stock entered; None when none did. [ISO 8601, UTC]
    injection_fraction : float
        Volume fraction of stock, at the injection's first moment for a displacement tank. [-]
    stock_volume_l, water_volume_l, flow_l_h : float
        Stock that entered [L], solution delivered [L] and steady flow [L/h].
    dose_g : dict of str to float
        Nutrient to its mass. [g]
    travel_s : float
        Mean travel time to the last emitter. [s]
    clear_out_s : float or None
        From the injection's end until the last emitter's fraction has fallen to the zone's clear share of
        its highest, had the run gone on; None without injection. [s]
    cleared : bool
        Whether the run went on that long.
    left_in_pipes : float or None
        Share of the stock that had not left the emitters when the run ended; None where the line ran
        clean. [-]
    decay_volume_l, tank_left_l : float or None
        Water over which a displacement tank's strength falls to 1/e, and the stock that it still holds. [L]
    emitter_flow_loss : float
        What the zone's emitters have lost of their clean flow at a given pressure. [-]
    """

    zone: str
    start: str
    end: str
    planted: str
    injection_start: str | None
    injection_end: str | None
    injection_fraction: float
    stock_volume_l: float
    water_volume_l: float
    flow_l_h: float
    dose_g: dict[str, float]
    travel_s: float
    clear_out_s: float | None
    cleared: bool
    left_in_pipes: float | None
    decay_volume_l: float | None
    tank_left_l: float | None
    emitter_flow_loss: float


def iso(at: float) -> str:
    """Return a moment in ISO 8601, UTC.

    Examples
    --------
    >>> iso(0)
    '1970-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(at, UTC).isoformat().replace("+00:00", "Z")


def clear_out(run: WetRun, share: float) -> float | None:
    """Return how long after the injection the last emitter still gives more than a share of its highest.

    Parameters
    ----------
    run : WetRun
        The run; what earlier runs left in the line does not count.
    share : float
        Share of the highest fraction that the last emitter gave. [-]

    Returns
    -------
    float or None
        Time from the injection's end, had water gone on; None without injection. [s]
    """
    if run.fraction == 0.0:
        return None
    begin, end = run.injected
    mean = float(run.flow.travel[-1, -1])

    def strength(at: np.ndarray[Any, np.dtype[np.float64]] | float) -> np.ndarray[Any, np.dtype[np.float64]]:
        return response(at, begin_s=begin, end_s=end, mean_s=mean, peclet=PECLET_END, decay=run.decay)

    moments = np.arange(begin, end + 5.0 * mean)
    strengths = strength(moments)
    top = int(np.argmax(strengths))
    level = share * strengths[top]
    root = brentq(lambda at: float(strength(at)) - level, moments[top], moments[-1])
    return float(root) - end


def left_in_pipes(run: WetRun) -> float:
    """Return the share of a run's stock that no emitter had given when the run ended. [-]

    References
    ----------
    Each emitter's strength, summed over the run and over all emitters; a step of 2 s.
    """
    begin, end = run.injected
    now = np.arange(1.0, run.seconds, STEP_S)
    given = 0.0
    for travel, flow in zip(run.flow.travel.ravel(), run.flow.emitters.ravel(), strict=True):
        strength = response(
            now, begin_s=begin, end_s=end, mean_s=float(travel), peclet=PECLET_END, decay=run.decay
        )
        given += float(strength.sum()) * STEP_S * run.fraction * float(flow) / 3600.0
    return 1.0 - given / run.stock_l


def true_run(plant: Plant, run: WetRun) -> TrueRun:
    """Return the truth of one run."""
    installation, plan = plant.installation, run.plan
    stock = installation.stock_of(plan.zone)
    nutrients = stock.nutrients if stock else {}
    injector = installation.injector[installation.injector_of(plan.zone) or ""]
    cleared_s = clear_out(run, installation.zone[plan.zone].clear_share)
    cleared = cleared_s is not None and cleared_s <= plan.flush
    begin, end = plan.injection if run.fraction else (None, None)
    return TrueRun(
        zone=plan.zone,
        start=iso(plan.start),
        end=iso(plan.end),
        planted=plan.planted,
        injection_start=None if begin is None else iso(begin),
        injection_end=None if end is None else iso(end),
        injection_fraction=run.fraction,
        stock_volume_l=run.stock_l,
        water_volume_l=run.flow.flow * run.seconds / 3600.0,
        flow_l_h=run.flow.flow,
        dose_g={name: run.stock_l * strength for name, strength in nutrients.items()},
        travel_s=float(run.flow.travel[-1, -1]),
        clear_out_s=cleared_s,
        cleared=cleared,
        left_in_pipes=None if cleared or not run.fraction else left_in_pipes(run),
        decay_volume_l=None if run.decay == 0.0 else run.flow.flow / 3600.0 / run.decay,
        tank_left_l=None if run.decay == 0.0 else (injector.tank_volume or 0.0) - run.stock_l,
        emitter_flow_loss=1.0 - open_share(plant.scenario, installation.tz, plan.zone, plan.start),
    )


def truth(plant: Plant, *, until: int) -> dict[str, Any]:
    """Return everything that was planted and everything that came of it, ready for JSON.

    Parameters
    ----------
    plant : Plant
        The system and its history.
    until : int
        Runs that have ended by then. [s since 1970]

    Returns
    -------
    dict
        The scenario, the planted faults, and one entry for each run.
    """
    scenario = plant.scenario
    origin = scenario.origin(plant.installation.tz)
    begin, end = silent(scenario)
    return {
        "installation": plant.installation.name,
        "seed": scenario.seed,
        "from": iso(origin),
        "to": iso(until),
        "planted": [
            {"kind": run.plan.planted, "zone": run.plan.zone, "start": iso(run.plan.start)}
            for run in plant.runs
            if run.plan.planted and run.plan.end <= until
        ]
        + [
            {"kind": "silent sensor", "sensor": SILENT_SENSOR, "start": iso(begin), "end": iso(end)},
            {
                "kind": "emitter clogging",
                "zone": "bench2",
                "start": iso(origin + DAY_S),
                "loss_per_day": CLOGGING_PER_DAY,
            },
        ],
        "bypass_share": BYPASS,
        "runs": [asdict(true_run(plant, run)) for run in plant.runs if run.plan.end <= until],
    }
