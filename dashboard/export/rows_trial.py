"""Rows of the tables that hold a trial: its plan, what each plot got, means and comparisons."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.equivalence.plots import NUTRIENT, UNITS, WATER, groups, mean_dose
from dashboard.export.rows import Row, run_name
from ingest.installation_trial import area_of_plot, share_of_zone

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.equivalence.comparison import Comparison
    from analysis.equivalence.plots import PlotDose
    from ingest.installation import Installation


def targets_of(installation: Installation, treatment: str) -> dict[tuple[str, str | None], float]:
    """Return what a treatment's plots should get in each run. [g/m2] or [L/m2]"""
    target = installation.treatment[treatment].target
    wanted: dict[tuple[str, str | None], float] = (
        {} if target.water is None else {(WATER, None): target.water}
    )
    return wanted | {(NUTRIENT, element): dose for element, dose in target.nutrients.items()}


def treatment_rows(installation: Installation) -> Iterator[Row]:
    """Yield one row a target of each treatment, one without a target where it states none."""
    for name, t in installation.treatment.items():
        plan: Row = {
            "treatment": name,
            "description": t.description,
            "margin": t.margin,
            "same_as": t.same_as,
        }
        wanted = targets_of(installation, name)
        for (quantity, nutrient), target in wanted.items():
            yield plan | {
                "quantity": quantity,
                "nutrient": nutrient,
                "target": target,
                "unit": UNITS[quantity],
            }
        if not wanted:
            yield plan


def plot_rows(installation: Installation) -> Iterator[Row]:
    """Yield one row a plot."""
    for name, plot in installation.plot.items():
        zone = installation.zone[plot.zone]
        alone = sum(other.zone == plot.zone for other in installation.plot.values()) == 1
        share = share_of_zone(plot, zone, alone=alone)
        yield {
            "plot": name,
            "treatment": plot.treatment,
            "zone": plot.zone,
            "block": plot.block,
            "area": area_of_plot(plot, zone),
            "share": share,
            "share_accuracy": plot.share_accuracy if share < 1.0 else None,
        }


def dose_rows(installation: Installation, doses: Sequence[PlotDose]) -> Iterator[Row]:
    """Yield one row for what each plot got of each thing in each run."""
    for d in doses:
        low, high = d.interval()
        told = d.value is not None
        yield {
            "plot": d.plot,
            "treatment": d.treatment,
            "zone": d.zone,
            "block": installation.plot[d.plot].block,
            "run": run_name(d.zone, d.run_start),
            "run_start": d.run_start,
            "day": d.run_start.tz_convert(installation.tz).date(),
            "quantity": d.quantity,
            "nutrient": d.nutrient,
            "value": d.value,
            "low": low,
            "high": high,
            "unit": UNITS[d.quantity],
            "shared_sd": d.relative(random=False) if told else None,
            "random_sd": d.relative(random=True) if told else None,
            "target": targets_of(installation, d.treatment).get((d.quantity, d.nutrient)),
            "carried": d.carried,
            "ways": d.ways,
            "reason": d.reason,
        }


def mean_rows(installation: Installation, doses: Sequence[PlotDose]) -> Iterator[Row]:
    """Yield one row for each treatment and thing that it gets, then one for each of its plots where there are more."""
    for treatment, quantity, nutrient, rows in groups(doses):
        target = targets_of(installation, treatment).get((quantity, nutrient))
        plots = list(dict.fromkeys(row.plot for row in rows))
        for plot in (None, *(plots if len(plots) > 1 else ())):
            own = [row for row in rows if plot in (None, row.plot)]
            yield {
                "treatment": treatment,
                "plot": plot,
                "quantity": quantity,
                "nutrient": nutrient,
                "unit": UNITS[quantity],
                "target": target,
            } | _mean(own)


def _mean(doses: Sequence[PlotDose]) -> Row:
    """Return the cells of one mean."""
    every = len({(dose.zone, dose.run_start) for dose in doses})
    mean = mean_dose(doses)
    if mean is None:
        return {"runs": 0, "without_dose": every}
    low, high = mean.interval()
    return {
        "runs": mean.runs,
        "without_dose": every - mean.runs,
        "mean": mean.value,
        "low": low,
        "high": high,
        "shared_sd": mean.shared_sd,
        "random_sd": mean.random_sd,
        "scatter": mean.scatter,
    }


def comparison_rows(comparisons: Sequence[Comparison]) -> Iterator[Row]:
    """Yield one row a comparison."""
    for c in comparisons:
        yield {
            "treatment": c.treatment,
            "plot": c.plot,
            "against": c.against,
            "quantity": c.quantity,
            "nutrient": c.nutrient,
            "verdict": c.verdict,
            "margin": c.margin,
            "ratio": c.ratio if c.ratio is None or math.isfinite(c.ratio) else None,
            "low": c.low,
            "high": c.high,
            "p": c.p,
            "shared_sd": c.shared_sd,
            "scatter_sd": c.scatter_sd,
            "runs": c.runs,
            "without_dose": c.left_out,
            "more_runs": c.more_runs,
            "words": c.words,
        }
