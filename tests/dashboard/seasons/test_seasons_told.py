"""A reader who was not there: planted seasons, and what the record's words alone must answer.

Was the dose right, how sure, was anything wrong, what was done, what next.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.service import Service
from dashboard.cases import Remark
from dashboard.paper.completeness import Completeness
from dashboard.paper.dates import written
from dashboard.paper.record import record
from ingest.installation import Installation
from tests.dashboard.seasons.planted import (
    DAYS,
    FULL,
    SERVICE,
    SILENT,
    START,
    finding_of,
    matter_of,
    season,
    words_of,
)


def test_right_dose_is_told_with_its_interval(garden: Installation) -> None:
    """Dose right: the verdict comes first, then number, interval, target and deviation; nothing is to be done but the test."""
    paper = record(matter_of(season()), garden, "metric")
    said = words_of(paper, "In short")

    assert (
        "bench1: the dose was right. Mean ratio 1:100 (1:99 to 1:102) against 1:100 ± 5 %, 0.0 % (-1.5 % to +1.5 %)"
        in said
    )
    assert "N 0.410 g/m² a run (0.398 to 0.422) against 0.400 g/m² ± 10 %, +2.5 %" in said
    assert "40 runs, 40 with stock; 12800.0 L of water." in said
    assert "border: no run was seen." in said
    assert "hold the true value in 95 of 100 cases" in said
    assert "No finding is told for this period." in said
    assert words_of(paper, "What next").startswith(
        "Watch\nHave a licensed tester test the backflow preventer by 2 Mar 2027"
    )


@pytest.mark.parametrize(("kind", "result"), [("preventer tested", ""), ("preventer test failed", "not ")])
def test_record_tells_the_same_test_as_the_finding(garden: Installation, kind: str, result: str) -> None:
    """The record prints the newest test of file and service log with its result, as the findings take it."""
    log = (Service(START + pd.Timedelta(days=3), "A. Weller", kind, note="tester B. Holt"),)
    paper = record(replace(matter_of(season()), services=log), garden, "metric")
    day = written((START + pd.Timedelta(days=3)).date(), "metric")

    assert f"{day}\n{result}passed\nA. Weller\ntester B. Holt" in words_of(paper, "Backflow preventer")
    how = "did not pass its last test, on" if result else "last tested on"
    assert f"{how} {day}" in words_of(paper, "Backflow preventer")


def test_low_dose_is_told_with_how_much_and_what_to_do(garden: Installation) -> None:
    """Dose 12 % low: said in the first words, with the deviation and the finding's first step."""
    finding = finding_of(
        "injection off target",
        "act",
        "bench1",
        "1:114 against 1:100",
        "Draw stock from a cylinder.",
        days=(0, DAYS),
    )
    paper = record(matter_of(season(0.0088, findings=(finding,))), garden, "metric")
    said = words_of(paper, "In short")

    assert (
        said.startswith("bench1: the dose was too low. Mean ratio 1:114 (1:115 to 1:112) against")
        or "1:114 (1:112 to 1:115)" in said
    )
    assert "-12.0 % (-13.3 % to -10.7 %): the whole interval more than 5 % off." in said
    assert (
        "1 finding: Act: injection off target. Nobody has noted anything on it; 1 lasts at the period's end."
        in said
    )
    assert "Act\nDraw stock from a cylinder.\ninjection off target: bench1, since 2 Apr 2026" in words_of(
        paper, "What next"
    )


def test_clogging_and_its_service_are_told_with_size_and_chance(garden: Installation) -> None:
    """Clogging with service: how much was lost before, what the service brought, whether it is more than chance."""
    days = np.arange(DAYS)
    losses = np.where((days > 12) & (days < 28), 0.006 * (days - 12), 0.0)
    paper = record(matter_of(season(losses=losses), services=(SERVICE,)), garden, "metric")
    said = words_of(paper, "In short")

    assert re.search(
        r"Acid flush on 30 Apr 2026\. Flow at reference pressure: 6[01]\d L/h before, 6[45]\d L/h after, \+\d\.\d % ",
        said,
    )
    assert "p < 0.001: more than chance" in said
    assert re.search(r"Against the flow of the first days: -6\.\d % before it, [-+]?0\.\d % after it\.", said)
    assert "Service: acid flush (bench2) on 30 Apr 2026." in said
    assert "R. Alder" in words_of(paper, "Service")


def test_dead_sensor_is_told_as_unknown_runs_and_not_as_right(garden: Installation) -> None:
    """Sensor dead for half: of how many runs the dose is known, why not of the others, and what would mend it."""
    silent = finding_of(
        "sensor silent", "watch", None, "feed_ec sent nothing for 20 d", "Check its power.", days=(0, 20)
    )
    complete = (FULL[0], Completeness("feed_ec", 1728, 0, 3456))
    paper = record(matter_of(season(known=slice(20, None), findings=(silent,)), complete), garden, "metric")
    said = words_of(paper, "In short")

    assert f"It is known in 20 of 40 runs with stock. Elsewhere: {SILENT}." in said
    assert "Sensors that sent less than 95 % of what they should: feed_ec (50 %)." in said
    assert "0 last at the period's end" in said
    after = words_of(paper, "What next")
    assert f"Let it be measured: {SILENT}.\nbench1: the ratio is unknown in 20 of 40 runs" in after
    assert "Find out why readings are missing" in after


def test_backflow_is_the_first_word(garden: Installation) -> None:
    """Backflow: the record begins with STOP and the first step, and says what a person has noted."""
    finding = finding_of(
        "backflow",
        "stop",
        None,
        "the supply lost its pressure",
        "NOW: shut the supply. Call a tester.",
        days=(15, 16),
    )
    remark = Remark("x", START + pd.Timedelta(days=17), "R. Alder", "acknowledge", "tester is called")
    paper = record(matter_of(season(findings=(finding,)), remarks=(remark,)), garden, "metric")

    assert words_of(paper, "In short").startswith(
        "STOP: backflow (supply_pressure), since 17 Apr 2026, not closed by a person. NOW: shut the supply."
    )
    assert "A person has noted something on it; 1 lasts at the period's end." in words_of(paper, "In short")
    assert (
        "R. Alder, 19 Apr 2026, 01:00: acknowledge, tester is called (seen by a person, goes on)"
        in words_of(paper, "What was found, and what was done")
    )
    assert words_of(paper, "What next").startswith("STOP\nNOW: shut the supply. Call a tester.")
