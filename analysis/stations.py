"""Several sampling points or cells in one zone: each for itself, and together where they agree."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.injection.ec import conductivity
from analysis.injection.ways import NoWay, Way
from analysis.results import Estimate, Finding, refused
from analysis.samples import HAND, LABORATORY, Samples, is_spot, sampled, way_of
from analysis.uncertainty import COVERAGE_FACTOR, combine, interval_of_log, linear

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.view import RunView

QUANTITY = "injection fraction"

DOUBT = 0.01
"""Chance that points which agree are called disagreeing, in one run. [-] Common practice, no source."""

CAUSES = (
    "the point lies where the stock has not mixed in yet: sample farther along",
    "one sample out of line: contaminated, mixed up, or taken in a patch of stock",
    "water that joins or leaves between the points",
    "a plateau that had not been reached there when the sample was taken",
    "the meter or the laboratory",
)
"""Why one point differs, in the order to check. Common practice, no source."""


def stations(view: RunView) -> Sequence[Estimate | Finding]:
    """Estimate the injection fraction at every sampled point of a zone, and say which disagree.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate or Finding
        One estimate a sampling point, with its own interval; one for all points that agree, none that
        disagrees averaged in; a ``sensor fault`` finding that names the points that disagree. Cells beyond
        the first at the same point of the zone are told in the same way. Nothing without samples.

    References
    ----------
    Leave-one-out t test of each point's mean against the rest, Student's t with the rest's pooled scatter,
    Bonferroni over the points: Miller, Simultaneous Statistical Inference, 2nd ed. (1981), ch. 2.
    """
    if view.run.injection is None:
        return []
    said: list[Estimate | Finding] = []
    for kind, points in sampled(view).items():
        if len(points) > 1 or (points and kind == HAND):  # one sampled point joins the meters and EC
            said += _of_samples(view, points, kind)
    said += _of_cells(view)
    return said


def _of_samples(view: RunView, points: Sequence[Samples], kind: str) -> list[Estimate | Finding]:
    """Return what the samples of one kind say."""
    odd = disagreeing(points)
    ways = {s.sensor: way_of(view, s, kind) for s in points}
    found = [_one(way, s.sensor in odd, points) for s, way in zip(points, ways.values(), strict=True)]
    agree = [w for name, w in ways.items() if name not in odd and isinstance(w, Way)]
    if len(agree) > 1:
        found.append(_together(agree, odd, kind))
    return [*found, *([_finding(view, points, odd, kind)] if odd else [])]


def disagreeing(points: Sequence[Samples]) -> list[str]:
    """Return the sampling points whose rise disagrees with the others'.

    Parameters
    ----------
    points : sequence of Samples
        Points in one run that should agree, several samples at each.

    Returns
    -------
    list of str
        The worst first; all of the last two where these disagree with each other.

    Examples
    --------
    >>> from analysis.results import Interval
    >>> def point(name, during):
    ...     return Samples(name, np.array([0.4]), np.array(during), Interval(None, None))
    >>> even = [point(n, [1.1, 1.2, 1.15]) for n in "abc"]
    >>> disagreeing([*even, point("d", [1.6, 1.7, 1.65])])
    ['d']
    """
    left, odd = [p for p in points if len(p.during) > 1], []
    doubt = DOUBT / max(len(left), 1)
    while len(left) > 1:
        judged = [(_chance(p, [o for o in left if o is not p]), p) for p in left]
        chance, worst = min(judged, key=lambda pair: pair[0])
        if chance >= doubt:
            break
        last = len(left) == 2  # noqa: PLR2004 - of two that differ neither is the odd one
        odd += [p.sensor for p in left] if last else [worst.sensor]
        left = [] if last else [p for p in left if p is not worst]
    return odd


def _chance(point: Samples, others: Sequence[Samples]) -> float:
    """Return the chance that a point differs so much from points like it by scatter alone."""
    freedom = sum(len(o.during) - 1 for o in others)
    pooled = math.sqrt(sum((len(o.during) - 1) * o.scatter**2 for o in others) / freedom)
    count = sum(len(o.during) for o in others)
    middle = float(np.average([o.rise for o in others], weights=[len(o.during) for o in others]))
    variance = pooled**2 * (1.0 / len(point.during) + 1.0 / count)
    variance += _water_variance(point) + sum(_water_variance(o) for o in others) / len(others) ** 2
    error = math.sqrt(variance)
    if error == 0.0:
        return 1.0 if point.rise == middle else 0.0
    return float(2.0 * stats.t.sf(abs(point.rise - middle) / error, freedom))


def _water_variance(point: Samples) -> float:
    """Return the variance of the mean of a point's samples of the water; 0 for a single one."""
    count = len(point.before)
    return float(point.before.var(ddof=1)) / count if count > 1 else 0.0


def _one(way: Way | NoWay, alone: bool, points: Sequence[Samples]) -> Estimate:  # noqa: FBT001 - one private caller
    """Return one point's estimate."""
    if isinstance(way, NoWay):
        return refused(QUANTITY, way.name, way.reason, way.sensors)
    note = ""
    if alone and len(points) > 1:
        note = "; it disagrees with the other points and is not averaged with them"
    return _estimate([way], way.method + note)


def _together(agree: Sequence[Way], odd: Sequence[str], kind: str) -> Estimate:
    """Return the estimate of all points that agree."""
    names = ", ".join(w.sensors[0] for w in agree)
    out = f"; left out because they disagree: {', '.join(odd)}" if odd else ""
    return _estimate(agree, f"{kind}: mean of the points that agree ({names}), by inverse covariance{out}")


def _estimate(ways: Sequence[Way], method: str) -> Estimate:
    """Return the estimate of ways that agree."""
    mean = combine([way.log for way in ways])
    value, low, high = interval_of_log(mean)
    sensors = tuple(dict.fromkeys(s for way in ways for s in way.sensors))
    return Estimate(QUANTITY, None, None, value, "1", low, high, method, sensors, budget=mean.budget())


def _finding(view: RunView, points: Sequence[Samples], odd: Sequence[str], kind: str) -> Finding:
    """Return the finding that names points which disagree."""
    unit = "mg/L" if kind == LABORATORY else "mS/cm"
    named = [p for p in points if p.sensor in odd]
    rest = [p for p in points if p.sensor not in odd]
    middle = float(np.mean([p.rise for p in rest or points]))
    largest = max(named, key=lambda p: abs(p.rise - middle))
    each = "; ".join(
        f"{p.sensor} rose by {p.rise:.3g} {unit} ({len(p.during)} samples, {p.during.min():.4g} to "
        f"{p.during.max():.4g})"
        for p in points
    )
    verdict = (
        f"{', '.join(odd)} {'disagrees' if len(odd) == 1 else 'disagree'} with the {len(rest)} points that "
        "agree: not mixed there, or a bad sample"
        if rest
        else "no two points agree"
    )
    return Finding(
        kind="sensor fault",
        zone=view.run.zone,
        sensor=odd[0] if len(odd) == 1 else None,
        start=min(p.taken.start for p in named),
        end=max(p.taken.end for p in named),
        severity="watch",
        value=largest.rise / middle - 1.0 if middle else None,
        unit="1" if middle else None,
        evidence=f"{kind}: {each}; {verdict}; chance by scatter alone below {DOUBT:.0%}",
        likely_causes=CAUSES,
        advice=(
            "Look at the single samples first; leave the point out of any mean, and sample it again farther "
            "along."
        ),
    )


def _of_cells(view: RunView) -> list[Estimate | Finding]:
    """Return what the cells beyond the first at the same point of the zone say."""
    names = [n for n in _cells(view) if not is_spot(view.installation.sensor[n])]
    if len(names) < 2:  # noqa: PLR2004 - one cell is told elsewhere
        return []
    answers = {name: conductivity(view, name) for name in names}
    found: list[Estimate | Finding] = []
    ways = [a for a in answers.values() if isinstance(a, Way)]
    first = ways[0] if ways else None
    for name, answer in answers.items():
        if answer is first:
            continue  # analysis.injection.fraction tells the first one, with the meters
        if isinstance(answer, NoWay):
            found.append(refused(QUANTITY, f"EC at {name}", answer.reason, answer.sensors))
        else:
            found.append(_estimate([answer], answer.method))
    odd = [w for w in ways[1:] if first is not None and _apart(first, w)]
    return [*found, *(_cells_finding(view, first, odd) if first is not None and odd else [])]


def _cells(view: RunView) -> list[str]:
    """Return the cells at the last point of the zone that has more than one."""
    for point in ("lateral end", "zone", "after filter", "mixed"):
        here = view.sensors("conductivity", point)
        if len(here) > 1:
            return here
    return []


def _apart(one: Way, two: Way) -> bool:
    """Return whether two ways differ by more than what they do not share explains."""
    gap = linear([1.0, -1.0], [one.log, two.log])
    return abs(gap.value) > COVERAGE_FACTOR * gap.sd


def _cells_finding(view: RunView, first: Way, odd: Iterable[Way]) -> list[Finding]:
    """Return the findings of cells that disagree with the first one."""
    found = []
    for way in odd:
        gap = math.exp(way.log.value - first.log.value) - 1.0
        found.append(
            Finding(
                kind="sensor fault",
                zone=view.run.zone,
                sensor=way.sensors[0],
                start=way.window.start,
                end=way.window.end,
                severity="watch",
                value=gap,
                unit="1",
                evidence=(
                    f"{way.sensors[0]} tells {way.words()}, {first.sensors[0]} {first.words()}: {gap:+.0%}, "
                    "more than their intervals allow, so they are not averaged"
                ),
                likely_causes=CAUSES,
                advice="Put both cells into one bucket of feed; if they agree there, the water differs.",
            )
        )
    return found
