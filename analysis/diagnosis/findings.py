"""From a zone's alarms to findings that a person can act on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.amounts import amount, reach
from analysis.diagnosis.clogging import LIMITS, forecast, loss_now
from analysis.diagnosis.period import baseline_of, service_of, told
from analysis.diagnosis.words import CHEMICALS, DATE, UNEXPLAINED, WORDS, likely, settles
from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.diagnosis.clogging import Loss
    from analysis.diagnosis.episodes import Episode
    from analysis.diagnosis.faults import Fault
    from analysis.diagnosis.study import Study
    from analysis.service import Service

ACT_FROM = {
    "emitter clogging": 0.05,
    "leak": 0.03,
    "filter clogging": 1.0,
    "pressure regulation": 0.1,
    "flow meter drift": 0.05,
    "valve fault": 0.5,
    "sensor fault": 0.0,
}
"""Size from which a finding is to be acted on, below it to be watched. [-] Emitters: 5 to 10 %, extension
practice, from memory; filter: its loss doubled, or `FILTER_RISE`; the others no source."""

FILTER_RISE = 21.0
"""Rise of a filter's loss over clean at which it is cleaned. [kPa] 3 psi: University of California, Maintenance
of Microirrigation Systems (3 to 5 psi)."""

CHANGED = 2.0
"""Standard uncertainties from which a relation counts as changed in the evidence. [-] No source."""

LOGARITHMS = frozenset({"leak", "pressure regulation", "flow meter drift"})
"""Faults whose size is fitted as the logarithm of a factor; emitter clogging as minus that."""


def findings_of(
    one: Study, episode: Episode, season_end: pd.Timestamp, services: Sequence[Service]
) -> list[Finding]:
    """Return what one alarm says.

    Parameters
    ----------
    one : Study
        The zone.
    episode : Episode
        The alarm.
    season_end : pandas.Timestamp
        Where the analysis ends. [UTC]
    services : sequence of Service
        What people did.

    Returns
    -------
    list of Finding
        One for each fault that is named; one ``unexplained change`` where none is; none where every fault
        that may be is too small to matter.
    """
    judged = episode.judged
    named = [i for i in judged.named if abs(judged.size[i]) >= one.faults[i].least]
    if named:
        return [_named(one, episode, i, season_end, services) for i in named]
    matters = [i for i in judged.possible if abs(judged.size[i]) >= one.faults[i].least]
    if judged.named or not matters:
        return []
    return [_unexplained(one, episode, matters, season_end, services)]


def share(kind: str, size: float) -> float:
    """Return a fitted size as the share that people speak of. [-]

    Examples
    --------
    >>> round(share("emitter clogging", 0.105), 3), round(share("leak", 0.095), 3)
    (0.1, 0.1)
    """
    if kind == "emitter clogging":
        return float(-np.expm1(-size))
    return float(np.expm1(size)) if kind in LOGARITHMS else size


def _named(
    one: Study, episode: Episode, i: int, season_end: pd.Timestamp, services: Sequence[Service]
) -> Finding:
    """Return the finding of a cause that is sure enough."""
    fault, judged = one.faults[i], episode.judged
    size = share(fault.kind, float(judged.size[i]))
    words = WORDS[fault.kind]
    loss = (
        loss_now(one, services, judged.named) if fault.kind == "emitter clogging" and episode.going else None
    )
    sure = f"How sure of the cause: {likely(float(judged.probability[i]))}"
    seen = _sized(one, fault, float(judged.size[i]), float(judged.deviation[i]))
    by = _told_by(episode, fault)
    evidence = f"{seen}, {_since(one, episode, by, services)}. {sure}. {_others(one, episode, by)}"
    more = " ".join(part for part in (words.first, _waiting(one, fault, size, loss), _caution(fault)) if part)
    return Finding(
        kind=fault.kind,
        zone=one.zone,
        sensor=fault.sensor,
        start=one.table.first[episode.course.onset],
        end=season_end if episode.going else one.table.last[episode.last],
        severity=_severity(one, fault, size),
        value=size,
        unit="kPa" if fault.kind == "sensor fault" else "1",
        evidence=evidence,
        likely_causes=words.causes,
        advice=more,
    )


def _unexplained(
    one: Study,
    episode: Episode,
    matters: Sequence[int],
    season_end: pd.Timestamp,
    services: Sequence[Service],
) -> Finding:
    """Return the finding of a change whose cause these sensors cannot tell."""
    judged = episode.judged
    first = [one.faults[i] for i in matters[:4]]
    causes = tuple(
        f"{f.what}: {likely(float(judged.probability[i]))}" for i, f in zip(matters, first, strict=False)
    )
    would = settles(first[0].kind, first[1].kind) if len(first) > 1 else "a second sensor of either kind"
    checks = " ".join(dict.fromkeys(WORDS[f.kind].first for f in first[:2]))
    place, shift, unit, value = _largest(one, episode)
    return Finding(
        kind="unexplained change",
        zone=one.zone,
        sensor=None,
        start=one.table.first[episode.course.onset],
        end=season_end if episode.going else one.table.last[episode.last],
        severity="watch",
        value=value,
        unit=unit,
        evidence=(
            f"{shift}, {_since(one, episode, place, services)}. That is more than noise, temperature and the "
            "drift of sound sensors explain. How sure of the cause: these sensors cannot tell which of those below it is"
        ),
        likely_causes=causes,
        advice=(
            f"{UNEXPLAINED.first} {checks} What would settle it: {would}. {_if_you_wait(UNEXPLAINED.waiting)}"
        ),
    )


def _sized(one: Study, fault: Fault, size: float, sd: float) -> str:
    """Return what was seen, with its interval, from the size as it was fitted."""
    up = size > 0
    ends = (max(abs(size) - 1.96 * sd, 0.0), abs(size) + 1.96 * sd)
    low, high = sorted(abs(share(fault.kind, end if up else -end)) for end in ends)
    size = share(fault.kind, size)
    if fault.kind == "sensor fault":
        between = reach(low, high, "kPa", ".1f")
        return f"{fault.sensor} reads {amount(abs(size), 'kPa', '.1f')} too {'high' if up else 'low'} (95 %: {between})"
    part, sure = f"{100 * abs(size):.1f} %", f"(95 %: {100 * low:.1f} to {100 * high:.1f} %)"
    water = amount((one.at.flow or 0.0) * abs(size), "L/h")
    regulated = "regulated" if one.network.regulated_from else "supply"
    return {
        "emitter clogging": f"at the same pressure the zone takes {part} less water {sure}, about {water} less",
        "leak": f"at the same pressure the zone takes {part} more water {sure}, about {water} more ({fault.what})",
        "filter clogging": f"at the same flow the filter takes {part} more pressure {sure}{_kpa(one, size)}",
        "pressure regulation": f"the {regulated} pressure is {part} {'higher' if up else 'lower'} {sure}",
        "flow meter drift": f"{fault.sensor} reads {part} too {'much' if up else 'little'} {sure}",
        "valve fault": f"at the same flow {part} more pressure is lost between head and zone {sure}",
    }[fault.kind]


def _kpa(one: Study, size: float) -> str:
    """Return the filter's rise in kPa, where its loss is measured."""
    rise = filter_rise(one, size)
    return "" if rise is None else f", {amount(rise, 'kPa')} more"


def filter_rise(one: Study, size: float) -> float | None:
    """Return by how much a filter's loss has risen at the flow of the baseline. [kPa]"""
    relation = next((r for r in one.found if r.kind == "loss" and "filter" in r.elements), None)
    if relation is None:
        return None
    first, second = relation.sensors[:2]
    return size * max(one.at.pressure[first] - one.at.pressure[second], 0.0)


def _told_by(episode: Episode, fault: Fault) -> int:
    """Return which relation tells a fault first."""
    sd = np.sqrt(np.diag(episode.course.case.covariance))
    return int(np.argmax(np.abs(fault.signature) / sd))


def _others(one: Study, episode: Episode, by: int) -> str:
    """Return what the other relations say, those that the fault should not move first."""
    case = episode.course.case
    z, sd = case.shift, np.sqrt(np.diag(case.covariance))
    calm: list[str] = []
    moved: list[str] = []
    for i, relation in enumerate(one.found):
        if relation.kind == "rest" or not one.quick.ready[episode.last, i] or i == by:
            continue
        changed = f"{relation.label} {100 * relation.share(float(z[i])):+.1f} %"
        (moved if abs(float(z[i])) > CHANGED * float(sd[i]) else calm).append(changed)
    beside = "Changed too: " + ", ".join(moved) if moved else ""
    same = "Unchanged within noise: " + ", ".join(calm) if calm else ""
    return (
        ". ".join(part for part in (beside, same) if part) or "Nothing else is measured here that would tell"
    )


def _largest(one: Study, episode: Episode) -> tuple[int, str, str, float]:
    """Return which relation moved most beyond its noise, the same in words, with unit and size."""
    case = episode.course.case
    z, sd = case.shift, np.sqrt(np.diag(case.covariance))
    place = int(np.argmax(np.abs(z) / sd))
    relation, shift, error = one.found[place], float(z[place]), float(sd[place])
    way = "higher" if shift > 0 else "lower"
    if relation.kind == "rest":
        size, within = amount(abs(shift), "kPa", ".1f"), amount(error, "kPa", ".1f")
        return place, f"{relation.label} reads {size} {way} (noise and drift: {within})", "kPa", shift
    shift = relation.share(shift)
    part = f"{100 * abs(shift):.1f} % {way} (noise and drift: {100 * error:.1f} %)"
    return place, f"{relation.label} is {part}", "1", shift


def _since(one: Study, episode: Episode, by: int, services: Sequence[Service]) -> str:
    """Return what was compared with what, how it came, and what ended it."""
    base = baseline_of(one, by, episode.last, services)
    came = "at once" if episode.course.shape == "step" else "little by little"
    ended = None if episode.going else service_of(one, by, episode.last + 1, services)
    until = "" if ended is None else f", before {told(ended)}"
    last = one.table.last[episode.last].strftime(DATE)
    return f"compared with {base.words}; it came {came}, last seen {last}{until}"


def _severity(one: Study, fault: Fault, size: float) -> Literal["watch", "act"]:
    rise = filter_rise(one, size) if fault.kind == "filter clogging" else None
    urgent = abs(size) >= ACT_FROM[fault.kind] or (rise is not None and rise >= FILTER_RISE)
    return "act" if urgent else "watch"


def _waiting(one: Study, fault: Fault, size: float, loss: Loss | None) -> str:
    """Return what it costs to wait, in numbers where there are some."""
    words = WORDS[fault.kind].waiting
    if fault.kind == "leak" and one.at.flow:
        return f"If you wait: about {amount(one.at.flow * abs(size), 'L')} are lost in every hour that the zone runs. {words}"
    dates = [] if loss is None else [forecast(loss, limit) for limit in LIMITS]
    coming = [f for f in dates if f is not None and f.day > 0 and np.isfinite(f.day)]
    if loss is None or not coming:
        return _if_you_wait(words)
    now = pd.Timestamp(loss.day * 86400.0, unit="s", tz="UTC")

    def on(days: float) -> str:
        return "never" if not np.isfinite(days) else (now + pd.Timedelta(days=days)).strftime(DATE)

    said = [f"{100 * f.limit:.0f} % around {on(f.day)} (95 %: {on(f.low)} to {on(f.high)})" for f in coming]
    return f"If you wait: at the present {100 * loss.rate:.2f} % a day the loss crosses {', '.join(said)}. {words}"


def _if_you_wait(words: str) -> str:
    return f"If you wait: {words[0].lower()}{words[1:]}"


def _caution(fault: Fault) -> str:
    return CHEMICALS if fault.kind == "emitter clogging" else ""
