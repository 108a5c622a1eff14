"""How estimates are written: the number, its 95 % interval, and how it was found, or why it is not given."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from dash import html

from analysis.amounts import estimate_in
from dashboard.display import NO_VALUE, duration, ratio, scale, share
from dashboard.parts import badge, table
from dashboard.texts import catalogue, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from analysis.results import Estimate
    from dashboard.display import Scale, Units

WORTH_SAYING = 0.005
"""Share of the variance that does not round to 0 %. [-]"""

ORDER = (
    "injection fraction",
    "nutrient dose",
    "nutrient dose per area",
    "nutrient dose per plant",
    "nutrient carry-over",
    "nutrient delivered",
    "water volume",
    "stock volume",
    "tank volume left",
    "water to depletion",
    "time to depletion",
    "tank strength at start",
    "tank strength left",
    "tank decay volume",
    "clear-out time",
    "travel time",
    "mean EC",
    "drain fraction",
    "flow at reference pressure",
    "emitter flow loss",
    "time to clogging limit",
    "service effect",
    "filter pressure loss",
)
"""Order of the rows: what a grower asks first stands first; what is not named here stands last."""


def label(estimate: Estimate) -> str:
    """Return what an estimate is called."""
    key = "estimate." + estimate.quantity.lower().replace(" ", "_").replace("-", "_")
    if key not in catalogue():
        return f"{estimate.quantity.capitalize()} {estimate.nutrient or ''}".rstrip()
    return say(key, nutrient=estimate.nutrient or "")


RATIOS = frozenset({"injection fraction", "tank strength at start"})
"""Quantities that are volume fractions of stock, told as ratios."""


def place(estimate: Estimate) -> tuple[int, str]:
    """Return what a table of estimates is sorted by."""
    known = estimate.quantity in ORDER
    return ORDER.index(estimate.quantity) if known else len(ORDER), estimate.nutrient or ""


def text(value: float | None, estimate: Estimate, units: Units) -> str:
    """Return one number of an estimate as people read it."""
    if value is None:
        return NO_VALUE
    if estimate.quantity in RATIOS:
        return ratio(value)
    if estimate.unit == "s":
        return duration(value)
    if estimate.unit == "1":
        return share(value, 1)
    return fine(scale(estimate.unit, units), value)


def fine(shown: Scale, value: float) -> str:
    r"""Return a number with at least two figures, so that a small dose is not told as nothing.

    Examples
    --------
    >>> fine(scale("g", "metric"), 0.0472), fine(scale("g", "metric"), 18.83)
    ('0.047\xa0g', '18.8\xa0g')
    """
    size = abs(value * shown.factor)
    needed = 1 - math.floor(math.log10(size)) if size > 0 and not shown.offset else shown.decimals
    return replace(shown, decimals=max(shown.decimals, min(needed, MOST_DECIMALS))).text(value)


MOST_DECIMALS = 4
"""Decimals beyond which a dose is nothing. [-]"""


def value_text(estimate: Estimate, units: Units) -> str:
    """Return an estimate's number; a ratio with its share in brackets."""
    number = text(estimate.value, estimate, units)
    if estimate.quantity in RATIOS and estimate.value is not None:
        return f"{number} ({share(estimate.value, 2)})"
    return number


def interval_text(estimate: Estimate, units: Units) -> str:
    """Return an estimate's 95 % interval, from the smaller to the greater number as shown."""
    if estimate.low is None or estimate.high is None:
        return NO_VALUE
    ends = [estimate.low, estimate.high]
    if estimate.quantity in RATIOS:
        ends.reverse()
    low, high = (text(end, estimate, units) for end in ends)
    return say("estimate.between", low=low, high=high)


def how(estimate: Estimate) -> Component:
    """Return how an estimate was found, on demand."""
    lines: list[Component] = [html.P(estimate.method)]
    if estimate.sensors:
        lines.append(html.P(say("estimate.sensors", sensors=", ".join(estimate.sensors))))
    if estimate.budget:
        terms = sorted(estimate.budget.items(), key=lambda item: -item[1])
        said = ", ".join(f"{term} {share(part, 0)}" for term, part in terms if part >= WORTH_SAYING)
        lines.append(html.P(say("estimate.budget", terms=said)))
    return html.Details([html.Summary(say("table.how")), *lines])


def row(
    estimate: Estimate, units: Units, *, of_what: bool = False
) -> tuple[str | Component, Component, str | Component, Component]:
    """Return one row of the table; `of_what` says under the name which runs the number is of."""
    estimate = estimate_in(estimate, units)
    if of_what:
        _, value, interval, method = row(estimate, units)
        clause = html.Span(estimate.method.split(";")[0], className="quiet clause")
        return html.Span([label(estimate), clause]), value, interval, method
    if estimate.status == "refused":
        reason = html.Span(estimate.reason or "", className="reason")
        refused = html.Span([badge("refused", say("table.refused")), " ", reason])
        return label(estimate), refused, NO_VALUE, how(estimate)
    number = html.Span(value_text(estimate, units), className="number")
    return label(estimate), number, interval_text(estimate, units), how(estimate)


def estimates_table(
    estimates: Sequence[Estimate],
    units: Units,
    caption: str,
    *,
    of_what: bool = False,
    testid: str = "estimates",
) -> Component:
    """Return the table of estimates.

    Parameters
    ----------
    estimates : sequence of Estimate
        One for each row.
    units : {"metric", "us"}
        What the reader wants.
    caption : str
        What the table holds, for screen readers.
    of_what : bool
        Whether each row says which runs its number is of.
    testid : str
        Mark of the table.

    Returns
    -------
    Component
        The table; each row carries the estimate's quantity as ``data-row``.
    """
    rows = sorted(estimates, key=place)
    return table(
        [say("table.quantity"), say("table.value"), say("table.interval"), say("table.method")],
        [row(estimate, units, of_what=of_what) for estimate in rows],
        caption=caption,
        testid=testid,
        row_ids=[e.quantity if e.nutrient is None else f"{e.quantity} {e.nutrient}" for e in rows],
    )
