"""What each plot of a trial got in one run, with its interval, where the installation describes plots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from analysis.amounts import in_units
from dashboard.display import NO_VALUE, scale
from dashboard.estimates import fine
from dashboard.parts import badge, section, table
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from analysis.equivalence.plots import PlotDose
    from analysis.results import Run
    from dashboard.context import Context


def plots(context: Context, run: Run) -> list[Component]:
    """Return a table of the plots that a run watered; nothing where no plot is described."""
    results = context.snapshot.results
    if results is None or not any(p.zone == run.zone for p in context.installation.plot.values()):
        return []
    from analysis.equivalence.plots import plot_doses  # noqa: PLC0415 - takes 40 MB, and only trials have plots

    mine = [e for e in results.estimates if e.zone == run.zone and e.run_start == run.start]
    doses = plot_doses(context.installation, [run], mine)
    rows = [_row(context, dose) for dose in doses]
    head = [say(f"plots.{key}") for key in ("plot", "treatment", "block", "what", "dose", "interval")]
    return [
        section(
            say("plots.title"),
            table(head, rows, caption=say("plots.title"), testid="plots"),
            testid="plots-part",
        )
    ]


def _row(context: Context, dose: PlotDose) -> tuple[str | Component, ...]:
    from analysis.equivalence.plots import UNITS, WATER, mean_dose  # noqa: PLC0415 - as above

    what = say("plots.water") if dose.quantity == WATER else say("plots.of", nutrient=dose.nutrient)
    block = context.installation.plot[dose.plot].block or NO_VALUE
    place = (dose.plot, dose.treatment, block, what)
    mean = mean_dose([dose]) if dose.value is not None else None
    if mean is None:
        refused = html.Span(
            [badge("refused", say("table.refused")), " ", in_units(dose.reason or "", context.units)]
        )
        return (*place, refused, NO_VALUE)
    shown = scale(UNITS[dose.quantity], context.units)
    low, high = (fine(shown, end) for end in mean.interval())
    return (*place, fine(shown, mean.value), say("estimate.between", low=low, high=high))
