"""The season's judgement on every zone: estimates of loss, and what changed and why."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.diagnosis.baseline_line import STALE
from analysis.diagnosis.clogging import FARTHEST, LIMITS, forecast, loss_now, service_effect
from analysis.diagnosis.episodes import episodes
from analysis.diagnosis.findings import findings_of
from analysis.diagnosis.period import NEEDED, baseline_of, new_since
from analysis.diagnosis.study import study
from analysis.results import ESTIMATE_UNITS, Estimate, Finding, refused

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.diagnosis.episodes import Episode
    from analysis.diagnosis.period import Baseline
    from analysis.diagnosis.study import Study
    from analysis.service import Service
    from analysis.view import SeasonView

LOSS = "emitter flow loss"
METHOD = (
    "flow coefficient of the zone (flow over pressure to the emitters' exponent) against that of new emitters, level, "
    "rate and temperature coefficient estimated together"
)
"""How the loss is found."""


WIDEST = 0.15
"""Widest interval of a loss that is still told. [-] No source."""

HIDDEN = (
    "another fault of this zone hides what the emitters lost; mend it, note it with `tricklebook service add`, and the "
    "loss can be told again"
)
"""Why a loss is refused beside another fault."""

UNDECIDED = (
    "something changed in this zone and its sensors do not decide whether it is the emitters; see the finding for "
    "what would settle it"
)
"""Why a loss is refused while its cause is open."""


def diagnose(season: SeasonView) -> Sequence[Estimate | Finding]:
    """Judge every zone over the season.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Estimate and Finding
        ``emitter flow loss`` with its forecast, the effect of the last service, and findings.
    """
    studies = {z: study(season.installation, season, z, season.services) for z in season.installation.zone}
    known = [s for s in studies.values() if s is not None]
    said: list[Estimate | Finding] = []
    findings: list[tuple[bool, Finding]] = []
    for zone, one in studies.items():
        if one is None:
            said += _nothing(season, zone)
            continue
        heads = [o for o in known if o is not one]
        alarms = episodes(one, heads)
        said += _estimates(season, one, alarms)
        for alarm in alarms:
            shared = {f.kind: f.shared for f in one.faults}
            findings += [
                (shared.get(f.kind, False), f) for f in findings_of(one, alarm, season.end, season.services)
            ]
    return [*said, *_merged(findings, several=len(season.installation.zone) > 1)]


def _nothing(season: SeasonView, zone: str) -> list[Estimate]:
    """Return the refusal for a zone that no flow or pressure was left for."""
    if not any(run.zone == zone for run in season.runs):
        return []
    reason = (
        "no run of this zone alone has a steady flow or pressure; a flow meter that sees the zone and a pressure "
        "sensor at a lateral's end would carry it"
    )
    return [replace(refused(LOSS, METHOD, reason), zone=zone)]


def _estimates(season: SeasonView, one: Study, alarms: Sequence[Episode]) -> list[Estimate]:
    """Return loss, dates and service effect of one zone."""
    sensors = one.found[0].sensors
    open_cause = any(a.going and not a.judged.named for a in alarms)
    also = [i for a in alarms if a.going for i in a.judged.named]
    loss = loss_now(one, season.services, also)
    at = one.table.last[-1]
    base = baseline_of(one, 0, one.table.days.size - 1, season.services)
    how = f"{METHOD} [{_compared(one, base, season.services)}]"
    if loss is None or open_cause or loss.high - loss.low > WIDEST:
        reason = _why_not(one, base) if loss is None else UNDECIDED if open_cause else HIDDEN
        return [replace(refused(LOSS, how, reason, sensors), zone=one.zone, run_start=at)]
    line = float(loss.line.covariance[0, 0])
    shares = {"noise of the wandering line": line, "baseline, temperature and drift of sensors": loss.fixed}
    budget = {name: part / (line + loss.fixed) for name, part in shares.items()}
    out = [Estimate(LOSS, one.zone, at, loss.value, "1", loss.low, loss.high, how, sensors, budget=budget)]
    for limit in LIMITS:
        date = forecast(loss, limit)
        if date is not None and 0.0 < date.day < float("inf"):
            method = f"days until {100 * limit:.0f} % of the emitters' flow is lost, if it goes on as now"
            method += "" if date.high < FARTHEST else f"; {FARTHEST:.0f} days stand for later or never"
            name = "time to clogging limit"
            unit = ESTIMATE_UNITS[name]
            ends = (date.low, min(date.high, FARTHEST))
            why = {"level, rate and drift": 1.0}
            out.append(Estimate(name, one.zone, at, date.day, unit, *ends, method, sensors, budget=why))
    effect = service_effect(one, season.services)
    if effect is not None:
        method = (
            f"change of the flow coefficient from {effect.before} days before to {effect.after} days after "
            f"'{effect.service.kind}' of {effect.service.time:%Y-%m-%d}, p = {effect.p:.2g}"
        )
        numbers = (effect.change, "1", effect.low, effect.high)
        why = {"day-to-day scatter": 1.0}
        out.append(Estimate("service effect", one.zone, at, *numbers, method, sensors, budget=why))
    return out


def _compared(one: Study, base: Baseline, services: Sequence[Service]) -> str:
    """Return since when the loss is reckoned, and which days changes are judged against."""
    if base.there < NEEDED:
        return base.lacking
    return f"lost since {new_since(one, services)}, changes judged against {base.words}"


def _why_not(one: Study, base: Baseline) -> str:
    """Return why there is no loss yet."""
    if one.found[0].kind != "flow":
        return "no flow meter sees this zone; one at the head or the zone would carry it"
    if base.there < NEEDED:
        return base.lacking
    return f"no run of this zone alone has shown a steady flow for {STALE:.0f} days"


def _merged(findings: Iterable[tuple[bool, Finding]], *, several: bool) -> list[Finding]:
    """Return findings; a fault of the head that several zones see is told once, of the head."""
    out: list[Finding] = []
    for shared, finding in sorted(findings, key=lambda pair: pair[1].start):
        if not (shared and several):
            out.append(finding)
            continue
        same = next(
            (
                i
                for i, f in enumerate(out)
                if f.zone is None
                and (f.kind, f.sensor) == (finding.kind, finding.sensor)
                and f.end >= finding.start
            ),
            None,
        )
        if same is None:
            out.append(replace(finding, zone=None))
        else:
            later = max(out[same].end, finding.end)
            out[same] = replace(out[same], end=later)
    return out
