"""The backflow preventer's test: the newest of description and service log, whether it passed, when the next is due."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import pandas as pd

from analysis.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from analysis.service import Service
    from analysis.view import SeasonView
    from ingest.installation import Installation

TEST_EVERY = pd.DateOffset(years=1)
"""How often a testable preventer is tested: at installation and yearly. EPA 816-R-03-002, from memory; local
codes may ask for more."""

SOON = pd.DateOffset(days=30)
"""How long before the test is due it is spoken of. No source."""

TESTABLE = frozenset({"reduced pressure", "double check valve", "pressure vacuum breaker"})
"""Assemblies with test cocks."""

TESTS: Mapping[str, bool] = MappingProxyType({"preventer tested": True, "preventer test failed": False})
"""Kinds of service entries that tell of a test, and whether it was passed."""

DO_NOW = (
    "Stop injecting and shut the supply to this system, if you can do so safely, until a licensed tester has "
    "repaired and tested the assembly again and it has passed. Tell the water supplier where local codes say so; they "
    "come first. Then enter the passed test in the service log: it closes this."
)
"""What to do first after a failed test. Common practice; local codes decide."""


@dataclass(frozen=True, slots=True)
class PreventerTest:
    """One test of the preventer.

    Attributes
    ----------
    day : datetime.date
        When, in the installation's time zone.
    time : pandas.Timestamp
        The same as an instant; midnight where only the day is known. [UTC]
    passed : bool
        Whether the assembly passed.
    told : str
        Who says so, in words.
    """

    day: date
    time: pd.Timestamp
    passed: bool
    told: str


def last_test(
    installation: Installation, services: Iterable[Service], until: pd.Timestamp
) -> PreventerTest | None:
    """Return the newest test of the preventer that anybody wrote down.

    Parameters
    ----------
    installation : Installation
        Its description may hold the day of a test, which then was passed.
    services : iterable of Service
        The service log, in any order.
    until : pandas.Timestamp
        What was done later is left out. [UTC]

    Returns
    -------
    PreventerTest or None
        None where no test is on record. Of several on one day the log's last one counts.

    Examples
    --------
    >>> from analysis.commissioning.example import garden
    >>> from analysis.service import Service
    >>> when = pd.Timestamp("2026-06-03 09:00", tz="UTC")
    >>> log = [Service(when, "A. Weller", "preventer test failed", note="tester B. Holt: second check leaks")]
    >>> test = last_test(garden(), log, when)
    >>> test.day.isoformat(), test.passed
    ('2026-06-03', False)
    """
    tz = installation.tz
    found = [
        PreventerTest(
            s.time.tz_convert(tz).date(), s.time, TESTS[s.kind], f"the service log, by {s.person}{_note(s)}"
        )
        for s in services
        if s.kind in TESTS and s.time <= until
    ]
    described = installation.supply.tested
    if described is not None:
        midnight = pd.Timestamp(described).tz_localize(tz).tz_convert("UTC")
        found.append(PreventerTest(described, midnight, passed=True, told="the installation file"))
    return max(found, key=lambda test: (test.day, test.time), default=None)


def _note(service: Service) -> str:
    return f": {service.note}" if service.note else ""


def preventer_test(season: SeasonView) -> Sequence[Finding]:
    """Find a backflow preventer whose test is due, or whose last test it did not pass.

    Parameters
    ----------
    season : SeasonView
        The whole period, with the service log.

    Returns
    -------
    list of Finding
        ``preventer test failed``, to stop, where the newest test was not passed, whatever the assembly.
        ``preventer test due``: to act on when it is past due or no test is written down, to watch in the
        month before.
    """
    supply = season.installation.supply
    test = last_test(season.installation, season.services, season.end)
    if test is not None and not test.passed:
        return [_failed(season, test)]
    return [] if supply.backflow_preventer not in TESTABLE else _due(season, test)


def _failed(season: SeasonView, test: PreventerTest) -> Finding:
    """Return the finding of a test that was not passed."""
    return Finding(
        kind="preventer test failed",
        zone=None,
        sensor=None,
        start=min(max(test.time, season.start), season.end),
        end=season.end,
        severity="stop",
        value=None,
        unit=None,
        evidence=(
            f"the backflow preventer ({season.installation.supply.backflow_preventer}) did not pass its test on "
            f"{test.day.isoformat()} ({test.told}), and no later test that it passed is written down; until "
            "then nothing is sure to keep stock out of the supply"
        ),
        likely_causes=(
            "dirt or wear at a check valve's seat",
            "a relief valve that does not open or does not close",
            "the repair or the passed test was not written down",
        ),
        advice=DO_NOW,
    )


def _due(season: SeasonView, test: PreventerTest | None) -> list[Finding]:
    """Return the finding of a test that is due or soon will be."""
    tz = season.installation.tz
    now = season.end.tz_convert(tz).tz_localize(None).normalize()
    if test is None:
        words, start, late = "no test is written down in the file or the service log", season.start, True
    else:
        due = pd.Timestamp(test.day) + TEST_EVERY
        if now < due - SOON:
            return []
        start = min(max(due.tz_localize(tz).tz_convert("UTC"), season.start), season.end)
        late = now >= due
        words = f"the last test was on {test.day.isoformat()}, the next is due by {due.date().isoformat()}"
    assembly = season.installation.supply.backflow_preventer
    return [
        Finding(
            kind="preventer test due",
            zone=None,
            sensor=None,
            start=start,
            end=season.end,
            severity="act" if late else "watch",
            value=None,
            unit=None,
            evidence=f"the {assembly} assembly is tested once a year; {words}",
            likely_causes=("the yearly test was not made, or not written down",),
            advice=(
                "Have a licensed tester test the assembly, and enter the day and the result in the service log; "
                "local codes may ask for more. Nothing that is measured here replaces that test."
            ),
        )
    ]
