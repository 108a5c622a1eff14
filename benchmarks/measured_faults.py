"""Measured data: restrictions in a water loop, emitter exponents, pulse volumes; figures by file."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analysis.diagnosis.within import departures
from analysis.emitters_fit import fit_power_law
from analysis.runs.volumes import register_volume

DATASETS = Path(__file__).parents[2] / "shared" / "datasets"
"""Where measured data lie, beside the project."""

LITRES_PER_GALLON = 3.785411784
PULSE = 0.041619
"""Volume of one pulse of the measured meter. [US gal]"""


def loop(path: Path) -> tuple[pd.Series, pd.Series]:
    """Return a loop file's flow [L/min] and its label."""
    frame = pd.read_csv(path, sep=";", parse_dates=["datetime"], index_col="datetime")
    label = frame["anomaly"] if "anomaly" in frame else pd.Series(0.0, frame.index)
    return frame["Volume Flow RateRMS"], label > 0


def judged(path: Path) -> tuple[float, int]:
    """Return the delay of the first departure inside the label [s], infinite if none, and departures before it."""
    flow, label = loop(path)
    falls = [d for d in departures(flow) if d.share < 0]
    if not label.any():
        return float("inf"), len(falls)
    start, end = label.index[label][0], label.index[label][-1]
    inside = [d for d in falls if start <= d.end and d.start <= end]
    before = sum(d.end < start for d in falls)
    return (max((inside[0].start - start).total_seconds(), 0.0) if inside else float("inf")), before


def main() -> None:
    """Print the tables, or why there are none."""
    folder = DATASETS / "water_loop_faults"
    if not folder.exists():
        print(f"no measured data at {DATASETS}")
        return
    _, quiet = judged(folder / "anomaly-free" / "anomaly-free.csv")
    print(f"water loop, sound, 2.6 h: {quiet} alarms")
    files = sorted((folder / "valve1").glob("*.csv"), key=lambda p: int(p.stem))
    found = 0
    for path in files:
        delay, before = judged(path)
        found += delay < float("inf")
        print(
            f"  valve1/{path.name}: {'missed' if delay == float('inf') else f'found after {delay:.0f} s'}, {before} before it"
        )
    print(f"  recall {found} of {len(files)}")
    curves = DATASETS / "pressure_flow_curves"
    for name, x in exponents(curves).items():
        print(f"exponent of {name}: {x:.4f}")
    print(f"pulse meter: {pulse_gallons(DATASETS / 'pulse_water_meter'):.2f} US gal, known 1207.6")


def exponents(folder: Path) -> dict[str, float]:
    """Return the emitter exponents of the two measured curves."""
    tube = pd.read_csv(folder / "Head_loss_vs_Flow_dosing_tube_data.csv").select_dtypes("number").dropna()
    nozzle = pd.read_csv(folder / "ewb_sprinkler1_Q_vs_P.csv", comment="#").select_dtypes("number").dropna()
    out = {}
    for name, frame in (("dosing tube", tube), ("sprinkler", nozzle)):
        head = next(c for c in frame.columns if any(w in c.lower() for w in ("head", "psi", "pressure")))
        flow = next(
            c for c in frame.columns if "flow" in c.lower() or c.lower().startswith("q") or "in3" in c.lower()
        )
        out[name] = fit_power_law(frame[head], frame[flow]).exponent
    return out


def pulse_gallons(folder: Path) -> float:
    """Return what the measured pulse meter counted. [US gal]"""
    frame = pd.read_csv(folder / "019_0003.CSV", skiprows=3)
    times = pd.to_datetime(frame["Time"], format="%y-%m-%d %H:%M:%S", utc=True)
    register = pd.Series(
        (frame["Pulses"].cumsum() * PULSE * LITRES_PER_GALLON).to_numpy(), pd.DatetimeIndex(times)
    )
    first = register.iloc[0]
    volume = register_volume(register, register.index[0], register.index[-1], size_known=True)
    return (volume.litres + float(first)) / LITRES_PER_GALLON


if __name__ == "__main__":
    main()
