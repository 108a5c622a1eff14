"""The stock's table: strengths, dilutions as made in a shed, temperature coefficient."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchmarks.scenarios import chemistry
from benchmarks.scenarios.sensors import SPREAD

if TYPE_CHECKING:
    from benchmarks.scenarios.plan import Plan


def stock_table(plan: Plan, ions: chemistry.Ions, strongest: float) -> dict[str, Any]:
    """Return the stock's table: strengths, dilutions as made in a shed, temperature coefficient."""
    rng, off = plan.rng, 0.0 if plan.ideal else 1.0
    common = off * float(rng.normal(0.0, SPREAD["dilutions"] * 0.9))
    each = off * SPREAD["dilutions"] * 0.436
    nodes = [25, 50, 100, 200, 400, 800]
    if strongest > 1 / 25:
        nodes = [12, *nodes]
    water = chemistry.conductivity(chemistry.mix(ions, 0.0))
    rows: list[list[str]] = [["water", f"{water:.4f} mS/cm"]]
    for n in nodes[::-1]:
        step = chemistry.conductivity(chemistry.mix(ions, 1 / n)) - water
        rows.append([f"1:{n}", f"{water + step * (1.0 + common + float(rng.normal(0.0, each))):.5f} mS/cm"])
    made = chemistry.mix(ions, 0.01)

    def rise(degrees: float) -> float:
        return chemistry.conductivity(made, degrees) - chemistry.conductivity(
            chemistry.mix(ions, 0.0), degrees
        )

    own = (rise(plan.temperature) / rise(25.0) - 1.0) / (plan.temperature - 25.0 or 1e-3)
    if abs(plan.temperature - 25.0) < 2.0:
        own = (rise(20.0) / rise(25.0) - 1.0) / -5.0
    own += off * float(rng.normal(0.0, SPREAD["coefficient"]))
    return {
        "nutrients": {k: f"{v:.6g} g/L" for k, v in chemistry.nutrients(ions).items()},
        "dilutions": rows,
        "dilution_accuracy": f"{100 * SPREAD['dilutions']} %",
        "strength_accuracy": "1 %",
        "temperature_coefficient": f"{100 * own:.4f} %/K",
    }
