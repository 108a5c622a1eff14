"""What the analysis says: runs, estimates and findings, and the one JSON document that carries them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

LEVEL = 0.95
"""Coverage that every interval claims. [-]"""

ESTIMATE_UNITS = {
    "injection fraction": "1",
    "stock volume": "L",
    "nutrient dose": "g",
    "travel time": "s",
    "clear-out time": "s",
    "flow at reference pressure": "L/h",
    "emitter flow loss": "1",
    "time to clogging limit": "d",
    "service effect": "1",
    "filter pressure loss": "kPa",
    "tank volume left": "L",
    "tank decay volume": "L",
    "tank strength at start": "1",
    "tank strength left": "1",
    "water to depletion": "L",
    "time to depletion": "s",
    "nutrient dose per area": "g/m2",
    "nutrient dose per plant": "g",
    "nutrient carry-over": "g",
    "nutrient delivered": "g",
    "water volume": "L",
    "drain fraction": "1",
    "mean EC": "mS/cm",
}
"""Every estimate's quantity and its unit."""

FINDING_KINDS = (
    "no injection",
    "injection off target",
    "stock strength",
    "flow outside injector range",
    "over pressure",
    "short flush",
    "carry-over",
    "emitter clogging",
    "filter clogging",
    "leak",
    "pressure regulation",
    "flow meter drift",
    "valve fault",
    "flow at rest",
    "no water",
    "long run",
    "unexplained change",
    "injection without flow",
    "backflow",
    "sensor fault",
    "sensor silent",
    "clock fault",
    "EC out of band",
    "preventer test due",
    "preventer test failed",
    "not judged",
    "ingest stopped",
    "analysis stopped",
)
"""Every finding's kind; the last two are told by what watches the watching, not by the analysis."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A stretch of time, start included, end excluded. [UTC]"""

    start: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True, slots=True)
class Run:
    """One irrigation of one zone.

    Attributes
    ----------
    zone : str
        The zone's name.
    start, end : pandas.Timestamp
        When water flowed. [UTC]
    volume_l, mean_flow_l_h : float or None
        Water delivered and its mean flow, where a flow meter saw it. [L], [L/h]
    injection : Interval or None
        When stock entered.
    complete : bool
        False while water still flows where the readings end.
    seen_by : tuple of str
        The sensors that told this run.
    told : str
        How the run and its injection were told, in words.
    """

    zone: str
    start: pd.Timestamp
    end: pd.Timestamp
    volume_l: float | None
    mean_flow_l_h: float | None
    injection: Interval | None = None
    complete: bool = True
    seen_by: tuple[str, ...] = ()
    told: str = ""


@dataclass(frozen=True, slots=True)
class Feature:
    """A number that one run or one stretch of rest leaves for the judgement over the season.

    Features never leave the analysis: they carry what a baseline or a trend needs, so that a season is
    judged without its readings in memory.

    Attributes
    ----------
    name : str
        What it is, for example ``"ln flow at reference pressure"``.
    zone : str or None
        The zone; None for the head.
    at : pandas.Timestamp
        When it was taken. [UTC]
    value : float
        The number. [as the name says]
    deviation : float
        Its standard uncertainty from noise alone. [as `value`]
    sensors : tuple of str
        The sensors that it rests on.
    """

    name: str
    zone: str | None
    at: pd.Timestamp
    value: float
    deviation: float
    sensors: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its unit and its 95 % interval, or a refusal with its reason.

    Attributes
    ----------
    quantity : str
        A key of `ESTIMATE_UNITS`.
    zone : str or None
        The zone; None for the head.
    run_start : pandas.Timestamp or None
        Start of the run that it belongs to. [UTC]
    value, low, high : float or None
        The number and its interval; None in a refusal. [`unit`]
    unit : str
        Its unit.
    method : str
        How it was found, in words that name every choice.
    sensors : tuple of str
        The sensors that it rests on.
    status : {"ok", "refused"}
        Whether there is a number.
    reason : str or None
        Why not, and what would mend it.
    nutrient : str or None
        The element, for a nutrient dose.
    budget : dict
        Uncertainty term to its share of the variance, for those who ask. [-]
    level : float
        Coverage that the interval claims. [-]
    period : Interval or None
        The time that it speaks for, where that is neither its run nor the whole period of the analysis. [UTC]
    """

    quantity: str
    zone: str | None
    run_start: pd.Timestamp | None
    value: float | None
    unit: str
    low: float | None
    high: float | None
    method: str
    sensors: tuple[str, ...]
    status: Literal["ok", "refused"] = "ok"
    reason: str | None = None
    nutrient: str | None = None
    budget: dict[str, float] = field(default_factory=dict)
    level: float = LEVEL
    period: Interval | None = None

    def of(self, zone: str | None, run_start: pd.Timestamp | None) -> Estimate:
        """Return the same estimate, placed in a zone and a run."""
        return replace(self, zone=zone, run_start=run_start)


def refused(quantity: str, method: str, reason: str, sensors: tuple[str, ...] = (), **keys: str) -> Estimate:
    """Return an estimate without a number.

    Parameters
    ----------
    quantity : str
        A key of `ESTIMATE_UNITS`.
    method : str
        The method that was tried.
    reason : str
        Why the data cannot carry the number, and what would mend it.
    sensors : tuple of str
        The sensors that were looked at.
    **keys : str
        Further fields, such as ``nutrient``.

    Returns
    -------
    Estimate
        With status ``"refused"``.
    """
    return Estimate(
        quantity,
        None,
        None,
        None,
        ESTIMATE_UNITS[quantity],
        None,
        None,
        method,
        sensors,
        "refused",
        reason,
        **keys,  # type: ignore[arg-type]
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that a person should know or act on, with its evidence.

    Attributes
    ----------
    kind : str
        One of `FINDING_KINDS`.
    zone, sensor : str or None
        Where it was seen.
    start, end : pandas.Timestamp
        When. [UTC]
    severity : {"watch", "act", "stop"}
        How much it matters.
    value : float or None
        How large. [`unit`]
    unit : str or None
        Its unit.
    evidence : str
        What was seen, in numbers.
    likely_causes : tuple of str
        In the order to check.
    advice : str
        What to do first.
    """

    kind: str
    zone: str | None
    sensor: str | None
    start: pd.Timestamp
    end: pd.Timestamp
    severity: Literal["watch", "act", "stop"]
    value: float | None
    unit: str | None
    evidence: str
    likely_causes: tuple[str, ...]
    advice: str


@dataclass(frozen=True, slots=True)
class Results:
    """Everything that one analysis of one period says."""

    installation: str
    start: pd.Timestamp
    end: pd.Timestamp
    software: str
    runs: tuple[Run, ...]
    estimates: Sequence[Estimate]
    findings: tuple[Finding, ...]
