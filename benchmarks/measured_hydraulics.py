"""Measured data that others have published: pressure-flow curves, a pulse meter, salt slugs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.emitters_fit import fit_power_law
from analysis.runs.volumes import integrate, register_volume, running_total
from analysis.slug import calibration_slope, slug

if TYPE_CHECKING:
    from analysis.slug import Slug

FOLDER = Path(__file__).parents[2] / "shared" / "datasets"
"""Where the data lie beside the checkout."""

GALLON = 3.785411784
"""One US gallon. [L]"""

GALLONS_PER_PULSE = 0.041619
"""Of the 1-inch meter, from the data's readme. [US gal]"""

SLUG_MASS_MG = 1e8
"""100 kg of salt, from the metadata. [mg]"""

STANDARD_MG_L, BASE_ML = 1e4, 500.0
"""Calibration: 10 g/L added to 500 mL of stream water, from the metadata."""

CUBIC_METRES = 3.6e6
"""One cubic metre a second. [L/h]"""


@dataclass(frozen=True, slots=True)
class Line:
    """One known answer and what the project gives."""

    what: str
    known: float
    found: float
    tolerance: str


def curve(folder: Path, name: str) -> tuple[float, float]:
    """Return exponent and coefficient of one measured pressure-flow curve."""
    law = fit_power_law(*pd.read_csv(folder / name).to_numpy(float).T)
    return law.exponent, law.coefficient


def pulses(folder: Path) -> pd.Series:
    """Return the register that the pulse logger's counts make. [L]"""
    table = pd.read_csv(folder / "019_0003.CSV", skiprows=3)
    times = pd.to_datetime(table["Time"], format="%y-%m-%d %H:%M:%S", utc=True)
    litres = table["Pulses"].to_numpy(float) * GALLONS_PER_PULSE * GALLON
    return running_total(pd.Series(litres, pd.DatetimeIndex(times)), increments=True, rolls_over_at=None)


def event_gallons(register: pd.Series, start: str, end: str) -> float:
    """Return the volume of one event, its first reading's pulses included. [US gal]"""
    before = pd.Timestamp(start, tz="UTC") - pd.Timedelta(seconds=4)
    after = pd.Timestamp(end, tz="UTC")
    return register_volume(register, before, after, size_known=True).litres / GALLON


def totaliser(folder: Path) -> tuple[float, float]:
    """Return the other logger's totaliser and the integral of its flow. [US gal]"""
    table = pd.read_csv(folder / "datalog_Blue_Square_B_2017-6-28_18-30-56.csv", skiprows=1)
    times = pd.DatetimeIndex(pd.to_datetime(table["Date"], utc=True))
    flow = pd.Series(table["FlowRate"].to_numpy(float) * GALLON * 60.0, times)
    volume = integrate(flow, times[0], times[-1], longest_gap_s=60.0)
    return float(table["TotalizedVolume"].iloc[-1]), volume.litres / GALLON


def measured_slug(folder: Path, name: str) -> Slug:
    """Return one of the probes' slugs, with the slope of its own calibration."""
    steps = pd.read_csv(folder / f"calib_{name}.csv").to_numpy(float)
    slope, _ = calibration_slope(
        steps[:, 0] - steps[0, 0], steps[:, 1], strength_mg_l=STANDARD_MG_L, volume_ml=BASE_ML
    )
    table = pd.read_csv(folder / f"measured_EC_data_{name}.csv").dropna(how="all").to_numpy(float)
    return slug(table[:, 0], table[:, 1], mass_mg=SLUG_MASS_MG, slope=slope)


def published_slug(folder: Path) -> Slug:
    """Return the slug whose flow was published, in its window."""
    steps = pd.read_csv(folder / "SD_cal.csv", usecols=[1, 4], nrows=7).to_numpy(float)
    slope, _ = calibration_slope(steps[:, 0], steps[:, 1], strength_mg_l=STANDARD_MG_L, volume_ml=BASE_ML)
    table = pd.read_csv(folder / "SD_data.csv").dropna(how="all").to_numpy(float)
    return slug(table[:, 0], table[:, 1], mass_mg=SLUG_MASS_MG, slope=slope, window=(190.0, 700.0))


def lines() -> list[Line]:
    """Return every known answer beside what the project gives."""
    curves, meter, salt = (
        FOLDER / name for name in ("pressure_flow_curves", "pulse_water_meter", "salt_slug")
    )
    tube, _ = curve(curves, "Head_loss_vs_Flow_dosing_tube_data.csv")
    sprinkler, _ = curve(curves, "ewb_sprinkler1_Q_vs_P.csv")
    register = pulses(meter)
    total, integral = totaliser(meter)
    found = [
        Line("exponent of a dosing tube", 0.9188, tube, "0.002"),
        Line("exponent of a sprinkler", 0.4145, sprinkler, "0.002"),
        Line(
            "first event, gal",
            10.862559,
            event_gallons(register, "2019-10-04 13:11:10", "2019-10-04 13:15:10"),
            "0.1 %",
        ),
        Line(
            "second event, gal",
            21.225690,
            event_gallons(register, "2019-10-04 13:15:58", "2019-10-04 13:18:30"),
            "0.1 %",
        ),
        Line("flow over a night against the totaliser, gal", total, integral, "0.1 %"),
        Line("published stream flow, m3/s", 11.9, published_slug(salt).flow / CUBIC_METRES, "1 %"),
    ]
    clean = {name: measured_slug(salt / "clean", name) for name in "ABC"}
    spoiled = {name: measured_slug(salt / "with_artefacts", name) for name in "ABC"}
    flagged = sum(int(np.sum(s.flagged)) for s in spoiled.values())
    found += [
        Line(
            "two probes on one slug, m3/s",
            clean["B"].flow / CUBIC_METRES,
            clean["C"].flow / CUBIC_METRES,
            "1 %",
        ),
        Line("false readings flagged", 13, flagged, "all, no others"),
    ]
    found += [
        Line(
            f"slug {name} with artefacts, m3/s",
            clean[name].flow / CUBIC_METRES,
            spoiled[name].flow / CUBIC_METRES,
            "0.5 %",
        )
        for name in "BC"
    ]
    return found


def main() -> None:
    """Print known and found, and how far they are apart."""
    if not FOLDER.is_dir():
        print("the measured data are not beside this checkout")
        return
    print(f"{'what':45s} {'known':>10s} {'found':>10s} {'apart':>9s}  asked")
    for line in lines():
        apart = 100.0 * (line.found / line.known - 1.0)
        print(f"{line.what:45s} {line.known:10.4f} {line.found:10.4f} {apart:+8.3f} %  {line.tolerance}")


if __name__ == "__main__":
    main()
