"""The dilution curve against PHREEQC: inversion for seven stocks, and the constants that its uncertainty uses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.dilution import DilutionCurve, fraction_of
from analysis.dilution_nodes import adjusted
from benchmarks.scenarios.chemistry import STOCKS, Ions, conductivity, mix

SERIES = (
    ("factor 2, 1:25 to 1:800", (25, 50, 100, 200, 400, 800)),
    ("factor 2, 1:50 to 1:400", (50, 100, 200, 400)),
    ("factor 4, 1:25 to 1:400", (25, 100, 400)),
)
"""Dilution series: words and n of 1:n."""

ACCURACY = 0.006
"""Accuracy of the dilutions for which they are adjusted. [-]"""

INSIDE = 0.997
"""Adjusted dilutions are asked up to this share of the strongest: that one may have moved down a little. [-]"""

POINTS = 60
"""Fractions between the weakest and the strongest dilution."""


def step(stock: Ions, fraction: float, *, water: float = 1.0, temperature: float = 25.0) -> float:
    """Return the EC step of a fraction of stock above its water. [mS/cm]"""
    alone = conductivity(mix(stock, 0.0, water=water), temperature)
    return conductivity(mix(stock, fraction, water=water), temperature) - alone


def curve(stock: Ions, nodes: tuple[int, ...]) -> DilutionCurve:
    """Return the curve of a faultless dilution series."""
    fractions = tuple(1.0 / n for n in sorted(nodes, reverse=True))
    return DilutionCurve(fractions, tuple(step(stock, f) for f in fractions), conductivity(mix(stock, 0.0)))


def worst(stock: Ions, known: DilutionCurve, fractions: np.ndarray) -> float:
    """Return the largest relative error of the inversion over some fractions. [-]"""
    steps = [step(stock, float(f)) for f in fractions]
    return float(np.max(np.abs(fraction_of(known, steps) / fractions - 1.0)))


def main(points: int = POINTS) -> None:
    """Print the largest errors, in percent."""
    print(f"Inversion of the dilution curve against PHREEQC, {points} fractions; largest error, %")
    print(
        f"{'stock':24s}"
        + "".join(f"{words:>26s}" for words, _ in SERIES)
        + "".join(f"{'adjusted, ' + words[10:]:>26s}" for words, _ in SERIES[:2])
        + f"{'to half the weakest':>22s}"
    )
    for name, stock in STOCKS.items():
        cells = []
        for _, nodes in SERIES:
            known = curve(stock, nodes)
            between = np.geomspace(known.fractions[0], known.fractions[-1], points)
            cells.append(100.0 * worst(stock, known, between))
        for _, nodes in SERIES[:2]:
            known = curve(stock, nodes)
            moved = replace(known, steps=adjusted(known.fractions, known.steps, ACCURACY))
            between = np.geomspace(known.fractions[0], INSIDE * known.fractions[-1], points)
            cells.append(100.0 * worst(stock, moved, between))
        known = curve(stock, SERIES[0][1])
        below = np.geomspace(0.5 * known.fractions[0], known.fractions[0], points // 4)
        weak = 100.0 * worst(stock, known, below)
        print(f"{name:24s}" + "".join(f"{cell:26.3f}" for cell in cells) + f"{weak:22.2f}")
    _constants()


def _constants() -> None:
    """Print what the uncertainty of the EC way rests on."""
    print("\nd ln f / d ln step at 1:50 and 1:500; change of the step for 10 % more ions in the water, %;")
    print("temperature coefficient at 10, 20 and 30 °C for 1:50 and 1:400, %/K")
    for name, stock in STOCKS.items():
        slopes = [_slope(stock, f) for f in (0.02, 0.002)]
        water = [100.0 * (step(stock, f, water=1.1) / step(stock, f) - 1.0) for f in (0.02, 0.0025)]
        heat = [100.0 * coefficient(stock, f, t) for f in (0.02, 0.0025) for t in (10.0, 20.0, 30.0)]
        print(
            f"{name:24s} {slopes[0]:6.3f} {slopes[1]:6.3f}   {water[0]:6.2f} {water[1]:6.2f}   "
            + " ".join(f"{value:6.3f}" for value in heat)
        )


def _slope(stock: Ions, fraction: float) -> float:
    """Return d ln f / d ln step. [-]"""
    return float(np.log(1.02) / np.log(step(stock, fraction * 1.01) / step(stock, fraction / 1.01)))


def coefficient(stock: Ions, fraction: float, temperature: float) -> float:
    """Return the linear coefficient that takes a step from a temperature to 25 °C. [1/K]"""
    there, here = step(stock, fraction, temperature=temperature), step(stock, fraction)
    return (there / here - 1.0) / (temperature - 25.0)


if __name__ == "__main__":
    main()
