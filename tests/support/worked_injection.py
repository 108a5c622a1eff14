"""Functions that check values are put to: textbook statements in terms of the project's own functions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.conductivity import compensate
from analysis.dilution import DilutionCurve, step_of
from analysis.equivalence.tests import Equivalence, tost_from_summaries
from analysis.uncertainty import rectangular
from ingest.ratio import parse_fraction

if TYPE_CHECKING:
    from collections.abc import Sequence


def compensation_error(ec: float, temperature: float, ec25: float, coefficient: float) -> float:
    """Return the relative error of linear compensation, in percent."""
    return 100.0 * (float(compensate(ec, temperature, coefficient=coefficient)) / ec25 - 1.0)


def straight_line_gap(strong: float, weak: float, dilution: float) -> float:
    """Return how far a straight line through the strong solution lies below the weak one, in percent."""
    line = DilutionCurve((1.0,), (strong,), 0.0)
    return 100.0 * (1.0 - float(step_of(line, dilution)) / weak)


def gap_of_conventions(n: int) -> float:
    """Return the relative gap between 1 in n of the total and 1 to n of water, in percent."""
    total, water = parse_fraction(f"1:{n}"), parse_fraction(f"1 to {n} of water")
    return 100.0 * (total - water) / total


def ratio_uncertainty(limits: Sequence[float], factor: float) -> float:
    """Return the expanded uncertainty of a quotient of two meters with limits of error, in percent."""
    return 100.0 * factor * math.hypot(*(rectangular(limit) for limit in limits))


def summaries(one: Sequence[float], other: Sequence[float], bound: float) -> Equivalence:
    """Return the equivalence test of two groups given as mean, standard deviation and number."""
    (m1, s1, n1), (m2, s2, n2) = one, other
    return tost_from_summaries((m1, s1, int(n1)), (m2, s2, int(n2)), bound=bound)
