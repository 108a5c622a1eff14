"""Meters of the same water against each other: pulses that are lost, always or now and then, and wrong factors."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.diagnosis.features import STEADY
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.view import SeasonView
    from ingest.installation import Sensor

    Array = NDArray[np.float64]

LAST = 5
"""Runs that must all show the difference. No source."""

SLACK, UNSTATED = 0.03, 0.05
"""What two meters may differ beside their stated accuracies, stock that enters between them included, and the
accuracy of one that states none. [-] No source."""

RESOLUTIONS = 3.0
"""The same in standard uncertainties of a register's counts over the run. [-]"""

BEFORE = pd.Timedelta(days=20)
"""A pair that agreed for so long and then parted is a change, which the diagnosis names. As its baseline."""

LOOKED_AT, SOMETIMES = 20, 3
"""Newest runs in which losses now and then are counted, and how many make a finding. No source."""

LOST, SCATTERS = 0.05, 6.0
"""Least loss of one run, and the same in scatters of the runs without. [-] No source."""


class Pair(NamedTuple):
    """One register or meter against another, run by run.

    Attributes
    ----------
    first, second : str
        The sensors, the one that is doubted second.
    starts : list of Timestamp
        Starts of the runs. [UTC]
    ratio : ndarray
        ln of the second's flow over the first's. [-]
    limit : float
        Difference that both may show. [-]
    """

    first: str
    second: str
    starts: list[pd.Timestamp]
    ratio: Array
    limit: float


def meters_apart(season: SeasonView) -> Sequence[Finding]:
    """Find meters of the same water that differ by more than both state, always or now and then.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``sensor fault`` of the meter that is the likelier one, by a third meter, or else as a counter that reads
        less; told of the pair where that is not known. A pair that parts later is left to the diagnosis.
    """
    pairs = _pairs(season)
    apart = {(p.first, p.second): p for p in pairs if _always(p)}
    found = [_finding(season, pair, _doubted(season, pair, pairs, apart)) for pair in apart.values()]
    best: dict[str | None, Finding] = {}
    for finding in found:
        if finding.sensor not in best or abs(finding.value or 0.0) > abs(best[finding.sensor].value or 0.0):
            best[finding.sensor] = finding
    sometimes = [_now_and_then(season, p) for p in pairs if (p.first, p.second) not in apart]
    return [*best.values(), *(f for f in sometimes if f is not None and f.sensor not in best)]


def _pairs(season: SeasonView) -> list[Pair]:
    """Return every two meters that saw the same runs."""
    runs: dict[tuple[str | None, pd.Timestamp], dict[str, tuple[float, float]]] = {}
    for f in season.features:
        if f.name == STEADY["flow"] and f.value > 0:
            runs.setdefault((f.zone, f.at), {})[f.sensors[0]] = (f.value, f.deviation)
    rows: dict[tuple[str, str], list[tuple[pd.Timestamp, float, float]]] = {}
    for (_, at), seen in runs.items():
        for one, two in combinations(sorted(seen, key=lambda n: _counts(season.installation.sensor[n])), 2):
            ratio = float(np.log(seen[two][0] / seen[one][0]))
            noise = float(np.hypot(seen[one][1] / seen[one][0], seen[two][1] / seen[two][0]))
            rows.setdefault((one, two), []).append((at, ratio, noise))
    return [_pair(season.installation.sensor, names, sorted(found)) for names, found in rows.items()]


def _counts(sensor: Sensor) -> tuple[bool, str]:
    """Return what meters are ordered by: those that count last."""
    return sensor.quantity == "volume", sensor.source.model_dump_json()


def _pair(
    sensors: Mapping[str, Sensor], names: tuple[str, str], found: list[tuple[pd.Timestamp, float, float]]
) -> Pair:
    stated = sum(sensors[n].accuracy.share or UNSTATED for n in names)
    counts = RESOLUTIONS * float(np.median([noise for _, _, noise in found]))
    return Pair(
        *names, [at for at, _, _ in found], np.array([r for _, r, _ in found]), stated + SLACK + counts
    )


def _always(pair: Pair) -> bool:
    """Return whether the last runs all differ, and did so before a baseline was known."""
    last = pair.ratio[-LAST:]
    if last.size < LAST or float(np.abs(last).min()) <= pair.limit or np.unique(np.sign(last)).size > 1:
        return False
    calm = np.flatnonzero(np.abs(pair.ratio) <= pair.limit)
    return calm.size == 0 or pair.starts[int(calm[-1])] - pair.starts[0] < BEFORE


def _doubted(
    season: SeasonView, pair: Pair, pairs: Sequence[Pair], apart: Mapping[tuple[str, str], Pair]
) -> str | None:
    """Return which meter of a pair is the likelier one to be wrong; None where nothing tells."""
    agree = {n for p in pairs if (p.first, p.second) not in apart and len(p.ratio) >= LAST for n in p[:2]}
    sound = [n for n in (pair.first, pair.second) if n in agree]
    if len(sound) == 1:
        return pair.second if sound[0] == pair.first else pair.first
    pulses = season.installation.sensor[pair.second].quantity == "volume"
    other = season.installation.sensor[pair.first].quantity == "volume"
    return pair.second if pulses and not other and float(np.median(pair.ratio[-LAST:])) < 0 else None


def _now_and_then(season: SeasonView, pair: Pair) -> Finding | None:
    """Return the finding of a counter that loses pulses in some runs."""
    if season.installation.sensor[pair.second].quantity != "volume" or pair.ratio.size < LAST + SOMETIMES:
        return None
    recent = pair.ratio[-LOOKED_AT:]
    usual = recent[recent >= np.median(recent)]
    scatter = float(1.4826 * np.median(np.abs(usual - np.median(usual))))
    floor = float(np.median(usual)) - max(LOST, SCATTERS * scatter, pair.limit - SLACK)
    lost = np.flatnonzero(recent < floor)
    if lost.size < SOMETIMES or recent.size - int(lost[0]) - lost.size < SOMETIMES - 1:
        return None
    sizes = np.expm1(recent[lost] - float(np.median(usual)))
    start = pair.starts[len(pair.starts) - recent.size + int(lost[0])]
    seen = (
        f"in {lost.size} of the last {recent.size} runs {pair.second} counted {-sizes.min():.0%} less than in the others at "
        f"most ({-np.median(sizes):.0%} mostly), while {pair.first} did not; pulses are lost now and then, very likely"
    )
    return _told(season, pair.second, start, float(np.median(sizes)), seen, sure=False)


def _finding(season: SeasonView, pair: Pair, doubted: str | None) -> Finding:
    """Return the finding of a pair that always differs."""
    size = float(np.expm1(np.median(pair.ratio[-LAST:])))
    first, second = (pair.second, pair.first) if doubted == pair.first else (pair.first, pair.second)
    size = 1.0 / (1.0 + size) - 1.0 if doubted == pair.first else size
    calm = np.flatnonzero(np.abs(pair.ratio) <= pair.limit)
    sure = (
        f"{second} is the likelier one to be wrong"
        if doubted
        else "which of the two is wrong these sensors do not decide"
    )
    points = {season.installation.sensor[n].point for n in (first, second)}
    between = " or a leak between them" if len(points) > 1 else ""
    seen = (
        f"{second} shows {abs(size):.0%} {'less' if size < 0 else 'more'} than {first} in the last {LAST} runs and more, while "
        f"{np.expm1(pair.limit):.0%} is what their accuracies and counts may make; {sure}{between}"
    )
    start = pair.starts[int(calm[-1]) + 1 if calm.size else 0]
    return _told(season, doubted or second, start, size, seen, sure=doubted is not None)


def _told(
    season: SeasonView, name: str, start: pd.Timestamp, size: float, seen: str, *, sure: bool
) -> Finding:
    """Return a finding with the words that all share."""
    sensor = season.installation.sensor[name]
    counts = sensor.quantity == "volume"
    return Finding(
        kind="sensor fault",
        zone=sensor.zone,
        sensor=name,
        start=start,
        end=season.end,
        severity="act" if sure else "watch",
        value=size,
        unit="1",
        evidence=seen,
        likely_causes=(
            "pulses that come faster than the device counts, or a contact that bounces or fails"
            if counts
            else "a meter that wears, scales up or holds a stone or air",
            "a wrong pulse value, unit or factor in the device or in installation.toml",
            "a worn cable or plug, a weak battery, interference from a pump's drive",
        ),
        advice=(
            "Read the meter's own dial before and after one run and compare it with what was recorded, then the other "
            "meter likewise, or run into a tank of known volume. Waiting puts volumes, doses and ratios that rest on it "
            f"off by about {abs(size):.0%}."
        ),
    )
