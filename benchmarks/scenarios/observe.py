"""A virtual system's sensors look at its truth."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from benchmarks.scenarios import describe
from benchmarks.scenarios.sensors import SPREAD, Device, count, sample

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from benchmarks.scenarios.chemistry import Table
    from benchmarks.scenarios.plan import Plan

    Array = NDArray[np.float64]

NEAR_S = 4
"""From the injector to the mixed cell. [s]"""


BLOCK = 60
"""Seeds that share the slices of a gain's distribution. [-]"""

LEVEL_SD = 1.0
"""Standard deviation of a level sensor's error. [mm] Assumed."""

TANK_AREA_SD = 0.01
"""Relative standard deviation of a tank's cross-section from what its owner states. [-] Assumed."""


def spread_evenly(seed: int, what: str) -> float:
    """Return a standard normal deviate that consecutive seeds spread evenly over its distribution.

    A few hundred independent draws of a gain can have a 95th percentile a tenth off its own distribution's,
    and gains decide these benchmarks. So each block of `BLOCK` seeds draws one gain from each of as many
    equally likely slices, in an order of its own for each thing that is drawn (Latin hypercube sampling).

    Parameters
    ----------
    seed : int
        The system's.
    what : str
        What is drawn.

    Returns
    -------
    float
        The deviate. [-]

    References
    ----------
    McKay, M.D., Beckman, R.J., Conover, W.J. (1979), Technometrics 21(2):239-245, from memory.

    Examples
    --------
    >>> drawn = [spread_evenly(seed, "x") for seed in range(360)]
    >>> abs(float(np.mean(drawn))) < 0.02, abs(float(np.std(drawn)) - 1.0) < 0.03
    (True, True)
    """
    block, place = divmod(seed, BLOCK)
    rng = np.random.default_rng([block, *hashlib.sha256(what.encode()).digest()[:8]])
    slices, within = rng.permutation(BLOCK), rng.uniform(size=BLOCK)
    return float(norm.ppf((slices[place] + within[place]) / BLOCK))


class Observer:
    """Collects sensor tables, readings and true gains of one system."""

    def __init__(self, plan: Plan, table: Table) -> None:
        self.plan = plan
        self.table = table
        self.tables: dict[str, dict[str, Any]] = {}
        self.gains: dict[str, float] = {}
        self._readings: dict[str, pd.Series] = {}
        rng, n = plan.rng, plan.total
        self._clock = {
            p: 0.0 if plan.ideal else float(rng.normal(0.0, SPREAD["clock"])) for p in ("head", "zone")
        }
        self._missing = 0.0 if plan.ideal else float(rng.choice([0.0, 0.005, 0.02]))
        self._gap = 0.0 if plan.ideal else float(rng.choice([0.0, 0.0, 60.0]))
        hours = np.arange(n) / 3600.0
        off = 0.0 if plan.ideal else 1.0
        self.temperature = plan.temperature + off * (
            float(rng.normal(0.0, 0.4)) * (hours - hours.mean()) + 0.1 * np.sin(hours * 9.0)
        )
        self.water = 1.0 + off * (
            float(rng.normal(0.0, 0.03))
            + float(rng.normal(0.0, 0.015)) * (hours - hours.mean())
            + 0.003 * np.sin(hours * 7.0 + float(rng.uniform(0.0, 6.0)))
        )

    def _gain(self, name: str, *kinds: str) -> float:
        """Draw a sensor's gain and write it down."""
        gain = 1.0
        if not self.plan.ideal:
            gain += sum(SPREAD[kind] * spread_evenly(self.plan.seed, f"{name} {kind}") for kind in kinds)
        self.gains[name] = gain
        return gain

    def _device(self, name: str, *kinds: str, noise: float, where: str = "head", **keys: float) -> Device:
        """Return a device with its drawn errors."""
        return Device(
            self._gain(name, *kinds),
            0.0 if self.plan.ideal else noise,
            clock_s=self._clock[where],
            missing=self._missing,
            gap_s=self._gap,
            **keys,
        )

    def waters(self, flow: Array, fraction: Array) -> None:
        """Let the meters, pressure gauges and valve look."""
        rng = self.plan.rng
        place = str(rng.choice(["source", "mixed"]))
        added = self.plan.kind == "proportional pump"  # a displacement tank takes in what it gives
        main = flow * (1.0 - fraction) if place == "source" and added else flow
        self._meter("main_meter", place, main, rng.choice([0.0, 1.0, 10.0]))
        if self.plan.kind == "proportional pump":
            self._meter("stock_meter", "stock", flow * fraction, rng.choice([0.0, 100.0, 1000.0]))
        on = (flow > 0).astype(float)
        solved, device = self.plan.solved, Device(1.0, 0.0, interval_s=10.0)
        self._add(
            "valve",
            sample(on, device, rng),
            describe.plain("valve state", "zone", "valve", "1", "1 %", zone="z1"),
        )
        for name, point, key in (
            ("head_pressure", "source", "head"),
            ("zone_pressure", "zone", "zone"),
            ("end_pressure", "lateral end", "lateral end"),
        ):
            gauge = self._device(name, noise=0.15, interval_s=10.0)
            zone = {} if point == "source" else {"zone": "z1"}
            table = describe.plain("pressure", point, name, "kPa", "0.5 % of 400 kPa", **zone)
            self._add(name, sample(on * solved.pressures[key], gauge, rng), table)

    def _meter(self, name: str, point: str, flow: Array, pulses_per_litre: float) -> None:
        """Let one water meter look, as a register or as flow."""
        device = self._device(name, "flow gain", "flow repeatability", noise=0.01)
        rng = self.plan.rng
        if pulses_per_litre:
            series = count(flow, device, rng, pulses_per_litre=float(pulses_per_litre))
        else:
            series = sample(flow, device, rng, relative=True)
        table = describe.meter(
            point,
            name,
            pulses_per_litre=float(pulses_per_litre) or None,
            full=4.0 * max(float(flow.max()), 1.0),
        )
        self._add(name, series, table)

    def stock_tank(self, flow: Array) -> float:
        """Let a level sensor look at the stock tank; return its cross-section: a fall of at most 0.25 m. [m2]

        It draws from a source of its own, so that the other sensors' draws do not depend on it.
        """
        rng = np.random.default_rng([self.plan.seed, 20260602])
        drawn = np.cumsum(flow) / 3600.0
        area = max(0.01, float(drawn[-1]) / 200.0 * float(rng.uniform(0.8, 1.25)))
        off = 0.0 if self.plan.ideal else 1.0
        zero = off * float(rng.normal(0.0, LEVEL_SD))
        gauge = Device(1.0, off * 0.5, interval_s=10.0, resolution=off * 0.5)
        level = 600.0 + zero - drawn / area * (1.0 + off * float(rng.normal(0.0, TANK_AREA_SD)))
        accuracy = f"{describe.LIMIT * LEVEL_SD:.4f} mm"
        self._add(
            "stock_level",
            sample(level, gauge, rng),
            describe.plain("level", "stock", "level", "mm", accuracy),
        )
        return area

    def cells(self, fraction: Array, far: dict[str, Array]) -> None:
        """Let the conductivity cells and thermometers look."""
        near = np.concatenate([np.zeros(NEAR_S), fraction[:-NEAR_S]])
        places = {"source": np.zeros_like(fraction), "mixed": near, **far}
        for point, seen in places.items():
            name = f"{point.replace(' ', '_')}_ec"
            zone = {"zone": "z1"} if point in far else {}
            where = "zone" if point in far else "head"
            cell = self._device(
                name,
                "EC gain",
                "EC repeatability",
                noise=0.003,
                where=where,
                lag_s=0.0 if self.plan.ideal else float(self.plan.rng.uniform(3.0, 12.0)),
                resolution=0.0 if self.plan.ideal else 0.001,
            )
            truth = self.table(seen, self.temperature, self._water_at(point))
            self._add(name, sample(truth, cell, self.plan.rng), describe.ec_sensor(point, name, **zone))
            warm = 0.0 if self.plan.ideal else float(self.plan.rng.normal(0.0, SPREAD["thermometer"]))
            probe = Device(
                1.0,
                0.0 if self.plan.ideal else 0.02,
                interval_s=10.0,
                resolution=0.0 if self.plan.ideal else 0.05,
            )
            label = f"{point.replace(' ', '_')}_temperature"
            table = describe.plain(
                "temperature", point, label, "°C", f"{describe.LIMIT * SPREAD['thermometer']:.4f} °C", **zone
            )
            self._add(label, sample(self.temperature + warm, probe, self.plan.rng), table)

    def _water_at(self, point: str) -> Array:
        """Return the source water's strength at a point: what was at the head a travel time ago. [-]"""
        seconds = np.arange(len(self.water), dtype=float)
        delay = self.plan.solved.travel_s.get(point, 0.0)
        return np.asarray(np.interp(seconds - delay, seconds, self.water))

    def _add(self, name: str, series: pd.Series, table: dict[str, Any]) -> None:
        self._readings[name] = series
        self.tables[name] = table

    def frame(self, epoch: pd.Timestamp) -> pd.DataFrame:
        """Return all readings with the archive's columns, sorted by sensor and time."""
        parts = []
        for name in sorted(self._readings):
            series = self._readings[name]
            time = (epoch + pd.to_timedelta(series.index.to_numpy(float), unit="s")).round("us").as_unit("us")
            parts.append(
                pd.DataFrame(
                    {
                        "time": time,
                        "sensor": name,
                        "value": series.to_numpy(float),
                        "quality": np.int8(1),
                        "received": time,
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)
