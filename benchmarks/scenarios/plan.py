"""What is drawn of one virtual system before its sensors look, and how its stock travels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.signal import fftconvolve

from benchmarks.scenarios import chemistry
from benchmarks.scenarios.hydraulics import Layout, Solved, draw_layout, solve
from benchmarks.scenarios.residence import step_response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Kind = Literal["proportional pump", "displacement tank"]

LEAD_S = 300
"""Still water before the run. [s]"""

REST_S = 600
"""Still water after the run. [s]"""


@dataclass(slots=True)
class Plan:
    """Everything drawn for one system before its sensors look."""

    seed: int
    rng: np.random.Generator
    kind: Kind
    ideal: bool
    layout: Layout
    solved: Solved
    stock_name: str
    nominal: float
    temperature: float
    start: int
    inject: int
    stop: int
    end: int
    total: int


def draw(
    seed: int, kind: Kind, *, compensating: bool, transport: bool, ideal: bool, stock: str | None
) -> Plan:
    """Draw the system."""
    rng = np.random.default_rng([seed, 20260601])
    layout = draw_layout(rng, compensating=compensating)
    solved = solve(layout, transport=transport)
    names = list(chemistry.STOCKS)
    name = stock or names[int(rng.integers(len(names)))]
    nominal = 1.0 / float(rng.choice([50, 64, 100, 128, 150, 200, 300, 400]))
    return Plan(
        seed, rng, kind, ideal, layout, solved, name, nominal, float(rng.uniform(10.0, 30.0)), 0, 0, 0, 0, 0
    )


def set_times(plan: Plan, flush: str) -> None:
    """Choose when water and stock flow, by travel time where it is known."""
    rng, travel = plan.rng, max([120.0, *plan.solved.travel_s.values()])
    lead = int(rng.uniform(480, 900))
    inject = (
        int(rng.uniform(1200, 2400))
        if not plan.solved.travel_s
        else int(travel * rng.uniform(1.5, 2.2)) + 300
    )
    after = travel * (1.9 if flush == "full" else float(rng.uniform(0.9, 1.05)))
    plan.start = LEAD_S
    plan.inject = plan.start + lead
    plan.stop = plan.inject + inject
    plan.end = plan.stop + int(after) + (120 if flush == "full" else 0)
    if plan.kind == "displacement tank":
        plan.stop = plan.end = plan.inject + int(rng.uniform(1800, 3600))
    plan.total = plan.end + REST_S


def wander(plan: Plan, n: int) -> Array:
    """Return the slow wander of flow around 1: 0.5 % over ten minutes."""
    if plan.ideal:
        return np.ones(n)
    knots = plan.rng.normal(0.0, 0.005, n // 600 + 3)
    return 1.0 + np.interp(np.arange(n) / 600.0, np.arange(len(knots)), knots)


def injected(
    plan: Plan, flow: Array, injecting: NDArray[np.bool_], sag: float
) -> tuple[Array, dict[str, float]]:
    """Return the fraction at the injector each second, and the tank's truth."""
    if plan.kind == "proportional pump":
        actual = plan.nominal * float(np.exp(plan.rng.normal(0.0, 0.0 if plan.ideal else 0.04)))
        along = np.clip((np.arange(plan.total) - plan.inject) / max(1, plan.stop - plan.inject), 0.0, 1.0)
        return np.where(injecting, actual * (1.0 - sag * along), 0.0), {}
    run_l = float(flow[injecting].sum()) / 3600.0
    decay = run_l / float(plan.rng.uniform(0.8, 2.5))
    initial = float(plan.rng.uniform(0.02, 0.05))
    passed = np.cumsum(np.where(injecting, flow, 0.0)) / 3600.0
    strength = np.exp(-passed / decay)
    left = float(strength[np.flatnonzero(injecting)[-1]])
    tank = {"volume_l": initial * decay, "decay_l": decay, "initial": initial, "left": left}
    return np.where(injecting, initial * strength, 0.0), tank


def spread(fraction: Array, flow: Array, plan: Plan, place: str, relative_sd: float, shape: str) -> Array:
    """Return the fraction at a far place: spread on its way, standing still with the water."""
    moving = flow > 0
    arrived = _arrived(fraction[moving], flow[moving], plan, place, relative_sd, shape)
    arrived[arrived < 1e-9 * max(float(fraction.max()), 1e-12)] = 0.0
    result = np.zeros_like(fraction)
    result[moving] = arrived
    result[np.flatnonzero(moving)[-1] + 1 :] = arrived[-1]
    return result


def _arrived(fraction: Array, flow: Array, plan: Plan, place: str, relative_sd: float, shape: str) -> Array:
    """Return the fraction at a far place each second that water moves: it travels by volume, not by time."""
    passed = np.cumsum(flow) / plan.solved.flow  # seconds at EPANET's flow
    even = np.arange(1.0, passed[-1] + 1.0)
    response = step_response(
        np.concatenate([[0.0], even]),
        travel_s=plan.solved.travel_s[place],
        relative_sd=relative_sd,
        shape=shape,
    )
    inflow = np.interp(even, passed, fraction)
    arrived = np.maximum(fftconvolve(inflow, np.diff(response))[: len(even)], 0.0)
    return np.interp(passed, even, arrived)


def clear_times(
    plan: Plan, fraction: Array, flow: Array, relative_sd: float, shape: str
) -> dict[float, float]:
    """Return the clear-out times at the far end, had the water run on as it last ran."""
    step = float(fraction[plan.stop - 60 : plan.stop].mean())
    on = int(30.0 * plan.solved.travel_s["lateral end"])
    moved = np.concatenate([flow[plan.start : plan.end], np.full(on, flow[plan.end - 1])])
    entered = np.concatenate([fraction[plan.start : plan.end], np.zeros(on)])
    far = _arrived(entered, moved, plan, "lateral end", relative_sd, shape)
    excess = far[plan.stop - plan.start :] / step
    clear = {}
    for share in (0.10, 0.05, 0.02, 0.01):
        above = np.flatnonzero(excess > share)
        last = int(above[-1]) if len(above) else 0
        drop = excess[last] - excess[last + 1]
        clear[share] = last + float((excess[last] - share) / drop if drop > 0 else 0.0) + 1.0
    return clear
