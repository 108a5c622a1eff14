"""What an estimator or a detector gets to see: one run, or one period, as values without files or clocks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analysis.results import Estimate, Feature, Finding, Run
    from analysis.service import Service
    from ingest.installation import Injector, Installation, Stock, Zone


@dataclass(frozen=True, slots=True)
class RunView:
    """One run of one zone with the readings around it.

    Attributes
    ----------
    installation : Installation
        The whole system's description.
    run : Run
        The run; its zone is the zone.
    series : mapping of str to pandas.Series
        Sensor to its readings, indexed by time (UTC, ascending, unique), in the stored unit of its
        quantity; suspect, bad and missing readings are left out, and volumes come as registers that only
        rise, whatever the device sends. They begin some minutes before the
        run and end where the next run through the same head begins, when the period ends, or some
        hours after the run (`analysis.runs.windows`), whichever comes first.
    others : tuple of Run
        Runs of other zones that overlap this one in time, and so may share its meters.
    """

    installation: Installation
    run: Run
    series: Mapping[str, pd.Series]
    others: tuple[Run, ...] = ()

    @property
    def zone(self) -> Zone:
        """The zone's description."""
        return self.installation.zone[self.run.zone]

    @property
    def injector(self) -> Injector | None:
        """The injector whose solution the zone gets."""
        name = self.installation.injector_of(self.run.zone)
        return None if name is None else self.installation.injector[name]

    @property
    def stock(self) -> Stock | None:
        """The stock that is injected."""
        return self.installation.stock_of(self.run.zone)

    def sensors(self, quantity: str, *points: str) -> list[str]:
        """Return sensors of this zone's water that have readings here, in the order of the points."""
        return [
            name
            for name in self.installation.sensors_of(self.run.zone, quantity, *points)
            if len(self.series.get(name, ())) > 0
        ]


@dataclass(frozen=True, slots=True)
class PeriodView:
    """One stretch of at most a day, with every reading in it and every run that overlaps it.

    A longer period is walked stretch by stretch, so that memory does not grow with the archive; what must
    be judged over more than a day is left as features and judged in a `SeasonView`. Findings of
    one kind, zone and sensor that touch across stretches are joined afterwards.

    Attributes
    ----------
    installation : Installation
        The system's description.
    start, end : pandas.Timestamp
        The stretch. [UTC]
    series : mapping of str to pandas.Series
        As in `RunView`, for the whole stretch, good readings only.
    flags : mapping of str to pandas.Series
        Sensor to the quality flag of each of its readings, good or not, indexed by time.
    runs : tuple of Run
        Every run of every zone that overlaps the stretch, by start.
    delays : mapping of str to pandas.Series
        Sensor to the time from each reading, good or not, to its receipt [s]; empty where receipts are not known.
    bad : mapping of str to pandas.Series
        As `series`, the readings that are flagged bad.
    """

    installation: Installation
    start: pd.Timestamp
    end: pd.Timestamp
    series: Mapping[str, pd.Series]
    flags: Mapping[str, pd.Series]
    runs: tuple[Run, ...]
    delays: Mapping[str, pd.Series] = field(default_factory=dict)
    bad: Mapping[str, pd.Series] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SeasonView:
    """The whole period without its readings: what the runs and stretches left behind.

    Attributes
    ----------
    installation : Installation
        The system's description.
    start, end : pandas.Timestamp
        The period. [UTC]
    runs : tuple of Run
        Every run of every zone, by start.
    estimates : sequence of Estimate
        What the run steps and period steps estimated; go through it in order, once or twice: it may be read
        from a file.
    findings : tuple of Finding
        What they found.
    features : tuple of Feature
        What they left for the season, by time.
    services : tuple of Service
        What people wrote down that they did, by time.
    """

    installation: Installation
    start: pd.Timestamp
    end: pd.Timestamp
    runs: tuple[Run, ...]
    estimates: Sequence[Estimate]
    findings: tuple[Finding, ...]
    features: tuple[Feature, ...]
    services: tuple[Service, ...] = ()
