"""Stock that stays in the pipes and comes out in a later run, of the same zone or of one on the same line."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.dose.grams import LEAST_CARRY, LINE_LIMIT, QUANTITY, left_of_run
from analysis.dose.line import Line, line_of, remaining
from analysis.results import ESTIMATE_UNITS, Estimate, Feature
from analysis.uncertainty import COVERAGE_FACTOR, rectangular

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

    from analysis.results import Run
    from analysis.view import RunView, SeasonView

DELIVERED = "nutrient delivered"

GONE = 1e-4
"""Share of what a run left that is not followed any more. [-] Fifty times less than what is told (`LEAST_CARRY`)."""

LEFT = "stock left in "
"""Begin of the features' name; a shared line's name or nothing, for the zone's own pipes, follows."""


@dataclass(frozen=True, slots=True)
class Parcel:
    """What one run left in the pipes.

    Attributes
    ----------
    grams : dict
        Nutrient to mass. [g]
    zone : str
        The zone whose run left it.
    start : pandas.Timestamp
        That run's start. [UTC]
    relative : float
        Relative standard uncertainty of that run's dose. [-]
    share : float
        How much of what that run left is still there. [-]
    """

    grams: dict[str, float]
    zone: str
    start: pd.Timestamp
    relative: float
    share: float = 1.0


@dataclass(slots=True)
class _Pipes:
    """What stands in each zone's own pipes and in each shared line."""

    own: dict[str, list[Parcel]] = field(default_factory=lambda: defaultdict(list))
    shared: dict[str, list[Parcel]] = field(default_factory=lambda: defaultdict(list))


def stock_left(view: RunView) -> list[Feature]:
    """Leave for the season where in the pipes a run's stock stood at its end.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Feature
        Share of the run's stock by place; none where the pipes or the water are not known. [-]
    """
    left = left_of_run(view)
    return [
        Feature(LEFT + place, view.run.zone, view.run.start, share, LINE_LIMIT * share, ())
        for place, share in left.items()
    ]


def carried_over(season: SeasonView) -> list[Estimate]:
    """Estimate what the emitters gave off in each run that stock was carried out of or into.

    Parameters
    ----------
    season : SeasonView
        The period.

    Returns
    -------
    list of Estimate
        ``nutrient delivered``: the dose that was injected, less what was still in the pipes at the end, and what
        earlier runs had left there and this one washed out. Only for runs in which either part is
        more than half a percent. [g]

    Notes
    -----
    Plug flow. What a zone left in its own pipes waits for its next run; what stands in a line that is shared
    goes on with the next run of any zone on it. A run whose water or dose is not known ends the account of
    what it moved: nothing is told of it.

    References
    ----------
    Mass balance; `analysis.dose.line.remaining`.
    """
    lines = {name: line_of(zone) for name, zone in season.installation.zone.items()}
    doses, left, pipes = _doses(season), _left(season), _Pipes()
    found: list[Estimate] = []
    for run in sorted(season.runs, key=lambda r: (r.start, r.zone)):
        line = lines[run.zone]
        if isinstance(line, Line):
            key = run.zone, run.start
            found += _run(run, line, pipes, doses.get(key, {}), left.get(key, {}))
    return found


def _doses(season: SeasonView) -> dict[tuple[str, pd.Timestamp], dict[str, Estimate]]:
    """Return each run's dose by nutrient, the first where ways disagree, without the words: there are many."""
    found: dict[tuple[str, pd.Timestamp], dict[str, Estimate]] = defaultdict(dict)
    for e in season.estimates:
        if e.quantity == QUANTITY and e.status == "ok" and e.zone and e.run_start is not None and e.nutrient:
            found[e.zone, e.run_start].setdefault(e.nutrient, replace(e, method="", budget={}))
    return found


def _left(season: SeasonView) -> dict[tuple[str, pd.Timestamp], dict[str, float]]:
    """Return each run's shares left, by place."""
    found: dict[tuple[str, pd.Timestamp], dict[str, float]] = defaultdict(dict)
    for one in season.features:
        if one.name.startswith(LEFT) and one.zone:
            found[one.zone, one.at][one.name.removeprefix(LEFT)] = one.value
    return found


def _run(
    run: Run, line: Line, pipes: _Pipes, doses: Mapping[str, Estimate], left: Mapping[str, float]
) -> list[Estimate]:
    """Move what stands in the pipes through one run, and return what its emitters gave off."""
    waiting = list(_waiting(run, line, pipes))
    if run.volume_l is None or (run.injection is not None and not (doses and left)):
        return []
    got = [(parcel, 1.0 - float(remaining(line, place + run.volume_l))) for parcel, place in waiting]
    pipes.own[run.zone] = [
        replace(
            parcel,
            grams={name: grams * (1.0 - part) for name, grams in parcel.grams.items()},
            share=parcel.share * (1.0 - part),
        )
        for parcel, part in got
        if parcel.share * (1.0 - part) > GONE
    ]
    for place, share in left.items():
        target = pipes.shared[place] if place else pipes.own[run.zone]
        grams = {name: share * (dose.value or 0.0) for name, dose in doses.items()}
        if share > 0.0:
            target.append(Parcel(grams, run.zone, run.start, max(map(_relative, doses.values()))))
    names = dict.fromkeys([*doses, *(name for parcel, _ in got for name in parcel.grams)])
    told = [_delivered(run, name, doses.get(name), sum(left.values()), got) for name in names]
    return [one for one in told if one is not None]


def _waiting(run: Run, line: Line, pipes: _Pipes) -> Iterator[tuple[Parcel, float]]:
    """Take out of the pipes what stands on a run's way, with the water from the head to there. [L]"""
    yield from ((parcel, 0.0) for parcel in pipes.own.pop(run.zone, []))
    for name, (start, end) in line.shared.items():
        yield from ((parcel, 0.5 * (start + end)) for parcel in pipes.shared.pop(name, []))


def _relative(dose: Estimate) -> float:
    """Return a dose's relative standard uncertainty. [-]"""
    if not dose.value or dose.low is None or dose.high is None:
        return 0.0
    return (dose.high - dose.low) / (2.0 * COVERAGE_FACTOR * dose.value)


def _delivered(
    run: Run, nutrient: str, dose: Estimate | None, left: float, got: Sequence[tuple[Parcel, float]]
) -> Estimate | None:
    """Return what one run's emitters gave off of one nutrient; None where nothing was carried."""
    injected = 0.0 if dose is None else dose.value or 0.0
    stayed = injected * left
    parts = [(parcel, part * parcel.grams.get(nutrient, 0.0)) for parcel, part in got]
    received = sum(grams for _, grams in parts)
    if max(stayed, received) <= LEAST_CARRY * max(injected, received):
        return None
    value = injected - stayed + received
    relative = max([0.0 if dose is None else _relative(dose), *(parcel.relative for parcel, _ in parts)])
    pipes_sd = rectangular(LINE_LIMIT) * math.hypot(stayed, received)
    sd = math.hypot(relative * value, pipes_sd)
    half = COVERAGE_FACTOR * sd
    origins = dict.fromkeys(
        f"{parcel.zone}'s run of {parcel.start:%Y-%m-%d %H:%M} UTC"
        for parcel, grams in parts
        if grams > LEAST_CARRY * max(injected, received)
    )
    came = f" and {amount(received, 'g', '.4g')} received from {' and '.join(origins)}" if origins else ""
    return Estimate(
        DELIVERED,
        run.zone,
        run.start,
        value,
        ESTIMATE_UNITS[DELIVERED],
        max(0.0, value - half),
        value + half,
        f"{amount(injected, 'g', '.4g')} injected less {amount(stayed, 'g', '.4g')} still in the pipes at the end{came}, "
        "by plug flow through the pipes as described",
        () if dose is None else dose.sensors,
        nutrient=nutrient,
        budget={
            "dose": (relative * value / sd) ** 2 if sd else 0.0,
            "pipes as described": (pipes_sd / sd) ** 2 if sd else 0.0,
        },
    )
