"""A reader who was not there: five planted seasons, and what the record's words alone must answer.

Was the dose right, how sure, was anything wrong, what was done, what next.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.results import FINDING_KINDS, Estimate, Finding, Interval, Results, Run
from analysis.service import Service
from dashboard.cases import Book, Case, Remark, cases
from dashboard.paper.completeness import Completeness
from dashboard.paper.contractor import read
from dashboard.paper.dates import written
from dashboard.paper.document import Document
from dashboard.paper.press import html
from dashboard.paper.record import Matter, record
from dashboard.paper.record_words import summary
from dashboard.paper.serviced import serviced
from dashboard.paper.verdicts import held, verdict
from ingest.installation import Installation
from ingest.load_installation import load

ROOT = Path(__file__).parents[2]
START = pd.Timestamp("2026-04-02", tz="UTC")
DAYS = 40
END = START + pd.Timedelta(days=DAYS)
SERVICE = Service(
    START + pd.Timedelta(days=28, hours=1), "R. Alder", "acid flush", "bench2", None, "30 minutes"
)
SILENT = "no EC, level or stock meter saw this run; bring feed_ec back"
FULL = tuple(Completeness(name, 3456, 0, 3456) for name in ("water_flow", "feed_ec"))


@pytest.fixture(scope="module")
def garden() -> Installation:
    """Return the sample garden."""
    return load(ROOT / "sample_data" / "installation.toml")


def _plain(words: str) -> str:
    """Return words with plain blanks and signs."""
    return (
        words.replace("\N{NO-BREAK SPACE}", " ")
        .replace("\N{NARROW NO-BREAK SPACE}", "")
        .replace("\N{MINUS SIGN}", "-")
    )


def _estimates(run: Run, fraction: float, flow: float, *, known: bool) -> list[Estimate]:
    """Return what the analysis says of one run."""
    at = (run.zone, run.start)
    grams = fraction / 0.01 * 0.41
    if not known:
        return [
            Estimate(q, *at, None, u, None, None, "m", (), "refused", SILENT, nutrient=n)
            for q, u, n in (("injection fraction", "1", None), ("nutrient dose per area", "g/m2", "N"))
        ]
    return [
        Estimate(
            "injection fraction", *at, fraction, "1", 0.985 * fraction, 1.015 * fraction, "EC", ("feed_ec",)
        ),
        Estimate(
            "nutrient dose per area",
            *at,
            grams,
            "g/m2",
            0.97 * grams,
            1.03 * grams,
            "EC",
            ("feed_ec",),
            nutrient="N",
        ),
        Estimate(
            "flow at reference pressure", *at, flow, "L/h", 0.98 * flow, 1.02 * flow, "meter", ("water_flow",)
        ),
    ]


def _season(
    fraction: float = 0.01,
    *,
    known: slice = slice(None),
    losses: np.ndarray | None = None,
    findings: tuple[Finding, ...] = (),
) -> Results:
    """Return a season of the bench zones, one run a day, with the sums over it as the analysis makes them."""
    rng, runs, estimates = np.random.default_rng(5), [], []
    days = np.arange(DAYS)
    told = np.isin(days, days[known])
    for zone in ("bench1", "bench2"):
        pooled: dict[str, list[Estimate]] = {}
        for day in days:
            start = START + pd.Timedelta(days=int(day), hours=5)
            run = Run(zone, start, start + pd.Timedelta(minutes=24), 320.0, 800.0, Interval(start, start))
            lost = float(losses[day]) if losses is not None and zone == "bench2" else 0.0
            found = _estimates(
                run, fraction, 650.0 * (1 - lost) * (1 + 0.003 * rng.standard_normal()), known=bool(told[day])
            )
            runs.append(run)
            estimates += found
            for e in found:
                pooled.setdefault(e.quantity, []).extend([e] if e.status == "ok" else [])
        for quantity, count in (("injection fraction", None), ("nutrient dose per area", 1)):
            parts = pooled[quantity]
            if len(parts) > 1:
                scale = 1.0 if count is None else len(parts)
                value, low, high = (
                    scale * float(getattr(parts[0], end) or 0.0) for end in ("value", "low", "high")
                )
                method = f"sum of {len(parts)} runs in the whole period"
                nutrient = parts[0].nutrient
                estimates.append(
                    Estimate(
                        quantity,
                        zone,
                        None,
                        value,
                        parts[0].unit,
                        low,
                        high,
                        method,
                        ("feed_ec",),
                        nutrient=nutrient,
                    )
                )
    return Results("Quillfen", START, END, "tricklebook 0", tuple(runs), tuple(estimates), findings)


def _finding(
    kind: str, severity: str, zone: str | None, evidence: str, advice: str, *, days: tuple[int, int]
) -> Finding:
    """Return a finding that begins and ends on days of the season."""
    first, last = (START + pd.Timedelta(days=day) for day in days)
    sensor = None if zone else "supply_pressure"
    return Finding(kind, zone, sensor, first, last, severity, 1.0, "1", evidence, (), advice)  # type: ignore[arg-type] # a word of the test's own


def _matter(
    results: Results,
    complete: tuple[Completeness, ...] = FULL,
    services: tuple[Service, ...] = (),
    remarks: tuple[Remark, ...] = (),
) -> Matter:
    """Return what the record is made from; remarks are of the first finding."""
    known = cases(results.findings, Book())
    noted = tuple(Case(c.mark, c.finding, c.current, remarks if n == 0 else ()) for n, c in enumerate(known))
    return Matter(results, complete, services, noted, house=read(ROOT / "sample_data" / "contractor.toml"))


def _words(document: Document, title: str) -> str:
    """Return a section's words and cells."""
    section = next(s for s in document.sections if s.title == title)
    rows = [] if section.table is None else [cell for row in section.table.rows for cell in row]
    return _plain("\n".join([*section.words, *rows]))


def test_right_dose_is_told_with_its_interval(garden: Installation) -> None:
    """Dose right: the verdict comes first, then number, interval, target and deviation; nothing is to be done but the test."""
    paper = record(_matter(_season()), garden, "metric")
    said = _words(paper, "In short")

    assert (
        "bench1: the dose was right. Mean ratio 1:100 (1:99 to 1:102) against 1:100 ± 5 %, 0.0 % (-1.5 % to +1.5 %)"
        in said
    )
    assert "N 0.410 g/m² a run (0.398 to 0.422) against 0.400 g/m² ± 10 %, +2.5 %" in said
    assert "40 runs, 40 with stock; 12800.0 L of water." in said
    assert "border: no run was seen." in said
    assert "hold the true value in 95 of 100 cases" in said
    assert "No finding is told for this period." in said
    assert _words(paper, "What next").startswith(
        "Watch\nHave a licensed tester test the backflow preventer by 2 Mar 2027"
    )


@pytest.mark.parametrize(("kind", "result"), [("preventer tested", ""), ("preventer test failed", "not ")])
def test_record_tells_the_same_test_as_the_finding(garden: Installation, kind: str, result: str) -> None:
    """The record prints the newest test of file and service log with its result, as the findings take it."""
    log = (Service(START + pd.Timedelta(days=3), "A. Weller", kind, note="tester B. Holt"),)
    paper = record(replace(_matter(_season()), services=log), garden, "metric")
    day = written((START + pd.Timedelta(days=3)).date(), "metric")

    assert f"{day}\n{result}passed\nA. Weller\ntester B. Holt" in _words(paper, "Backflow preventer")
    how = "did not pass its last test, on" if result else "last tested on"
    assert f"{how} {day}" in _words(paper, "Backflow preventer")


def test_low_dose_is_told_with_how_much_and_what_to_do(garden: Installation) -> None:
    """Dose 12 % low: said in the first words, with the deviation and the finding's first step."""
    finding = _finding(
        "injection off target",
        "act",
        "bench1",
        "1:114 against 1:100",
        "Draw stock from a cylinder.",
        days=(0, DAYS),
    )
    paper = record(_matter(_season(0.0088, findings=(finding,))), garden, "metric")
    said = _words(paper, "In short")

    assert (
        said.startswith("bench1: the dose was too low. Mean ratio 1:114 (1:115 to 1:112) against")
        or "1:114 (1:112 to 1:115)" in said
    )
    assert "-12.0 % (-13.3 % to -10.7 %): the whole interval more than 5 % off." in said
    assert (
        "1 finding: Act: injection off target. Nobody has noted anything on it; 1 lasts at the period's end."
        in said
    )
    assert "Act\nDraw stock from a cylinder.\ninjection off target: bench1, since 2 Apr 2026" in _words(
        paper, "What next"
    )


def test_clogging_and_its_service_are_told_with_size_and_chance(garden: Installation) -> None:
    """Clogging with service: how much was lost before, what the service brought, whether it is more than chance."""
    days = np.arange(DAYS)
    losses = np.where((days > 12) & (days < 28), 0.006 * (days - 12), 0.0)
    paper = record(_matter(_season(losses=losses), services=(SERVICE,)), garden, "metric")
    said = _words(paper, "In short")

    assert re.search(
        r"Acid flush on 30 Apr 2026\. Flow at reference pressure: 6[01]\d L/h before, 6[45]\d L/h after, \+\d\.\d % ",
        said,
    )
    assert "p < 0.001: more than chance" in said
    assert re.search(r"Against the flow of the first days: -6\.\d % before it, [-+]?0\.\d % after it\.", said)
    assert "Service: acid flush (bench2) on 30 Apr 2026." in said
    assert "R. Alder" in _words(paper, "Service")


def test_dead_sensor_is_told_as_unknown_runs_and_not_as_right(garden: Installation) -> None:
    """Sensor dead for half: of how many runs the dose is known, why not of the others, and what would mend it."""
    silent = _finding(
        "sensor silent", "watch", None, "feed_ec sent nothing for 20 d", "Check its power.", days=(0, 20)
    )
    complete = (FULL[0], Completeness("feed_ec", 1728, 0, 3456))
    paper = record(_matter(_season(known=slice(20, None), findings=(silent,)), complete), garden, "metric")
    said = _words(paper, "In short")

    assert f"It is known in 20 of 40 runs with stock. Elsewhere: {SILENT}." in said
    assert "Sensors that sent less than 95 % of what they should: feed_ec (50 %)." in said
    assert "0 last at the period's end" in said
    after = _words(paper, "What next")
    assert f"Let it be measured: {SILENT}.\nbench1: the ratio is unknown in 20 of 40 runs" in after
    assert "Find out why readings are missing" in after


def test_backflow_is_the_first_word(garden: Installation) -> None:
    """Backflow: the record begins with STOP and the first step, and says what a person has noted."""
    finding = _finding(
        "backflow",
        "stop",
        None,
        "the supply lost its pressure",
        "NOW: shut the supply. Call a tester.",
        days=(15, 16),
    )
    remark = Remark("x", START + pd.Timedelta(days=17), "R. Alder", "acknowledge", "tester is called")
    paper = record(_matter(_season(findings=(finding,)), remarks=(remark,)), garden, "metric")

    assert _words(paper, "In short").startswith(
        "STOP: backflow (supply_pressure), since 17 Apr 2026, not closed by a person. NOW: shut the supply."
    )
    assert "A person has noted something on it; 1 lasts at the period's end." in _words(paper, "In short")
    assert (
        "R. Alder, 19 Apr 2026, 01:00: acknowledge, tester is called (seen by a person, goes on)"
        in _words(paper, "What was found, and what was done")
    )
    assert _words(paper, "What next").startswith("STOP\nNOW: shut the supply. Call a tester.")


NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def test_summary_has_no_number_that_the_data_do_not_give(garden: Installation) -> None:
    """Every number of the zones' sentences is taken back from the runs and estimates, to its last printed digit."""
    results = _season(0.0097)
    (first, *_) = summary(results, FULL, garden, "metric")
    whole = {e.quantity: e for e in results.estimates if e.run_start is None and e.zone == "bench1"}
    fraction, grams = whole["injection fraction"], whole["nutrient dose per area"]
    runs = [r for r in results.runs if r.zone == "bench1"]
    f = [float(x or 0.0) for x in (fraction.value, fraction.low, fraction.high)]
    g = [float(x or 0.0) / len(runs) for x in (grams.value, grams.low, grams.high)]
    expected = [
        *(1, 1 / f[0], 1, 1 / f[2], 1, 1 / f[1], 1, 100, 5),
        *(100 * (x / 0.01 - 1) for x in f),
        5,
        *g,
        *(0.4, 10),
        *(100 * (x / 0.4 - 1) for x in g),
        10,
        *(len(runs), sum(r.injection is not None for r in runs), sum(r.volume_l or 0.0 for r in runs)),
    ]
    printed = NUMBER.findall(_plain(first).removeprefix("bench1:").replace("+", ""))

    assert len(printed) == len(expected)
    for text, value in zip(printed, expected, strict=True):
        digits = len(text.partition(".")[2])
        assert float(text) == pytest.approx(value, abs=0.5 * 10.0**-digits + 1e-9), (text, value, first)


@pytest.mark.parametrize(
    ("share", "word"), [(0.0097, "right"), (0.0088, "too low"), (0.0112, "too high"), (0.0095, "not sure")]
)
def test_verdict_is_the_intervals(garden: Installation, share: float, word: str) -> None:
    """The verdict follows from interval and tolerance alone."""
    assert verdict(held(_season(share), "bench1", garden)[:1]) == word


def test_mean_does_not_hide_runs_that_missed(garden: Installation) -> None:
    """Where the mean is right but a tenth of the runs lie wholly outside, the verdict and a count say so."""
    results = _season()
    weak = {r.start for r in results.runs if r.zone == "bench1"} & {
        START + pd.Timedelta(days=d, hours=5) for d in range(8, 12)
    }
    low = [
        replace(e, value=0.008, low=0.0079, high=0.0081)
        if (e.quantity, e.zone) == ("injection fraction", "bench1") and e.run_start in weak
        else e
        for e in results.estimates
    ]
    said = _plain(summary(replace(results, estimates=tuple(low)), (), garden, "metric")[0])

    assert said.startswith("bench1: the dose was right on the whole, but not in every run.")
    assert "In 4 of 40 runs the run's own whole interval lies outside." in said


def test_no_number_gives_no_verdict(garden: Installation) -> None:
    """With every estimate refused the dose is not known, the reason is told, and no number appears."""
    said = _plain(summary(_season(known=slice(0, 0)), (), garden, "metric")[0])

    assert said.startswith(
        "bench1: whether the dose was right is not known. Mean ratio could not be told: " + SILENT
    )
    assert "1:1" not in said


def test_findings_of_every_kind_are_told(garden: Installation) -> None:
    """Each kind stands in the summary, in the table with its evidence, and with a first step."""
    found = tuple(
        _finding(kind, "act", "bench1", f"evidence {n}", f"advice {n}.", days=(n % DAYS, n % DAYS + 1))
        for n, kind in enumerate(FINDING_KINDS)
    )
    page = _plain(html(record(_matter(_season(findings=found)), garden, "metric")))

    for n, kind in enumerate(FINDING_KINDS):
        assert page.count(f"evidence {n}<") == 1
        assert f"Act: {kind}" in page
        assert page.count(f"advice {n}.") >= 1


def test_record_of_a_service_tells_its_effect(garden: Installation) -> None:
    """Before and after: the change with its interval and chance, and the loss before and after."""
    days = np.arange(DAYS)
    losses = np.where((days > 12) & (days < 28), 0.006 * (days - 12), 0.0)
    paper = serviced(_matter(_season(losses=losses), services=(SERVICE,)), SERVICE, garden, "metric")

    assert "Changed by more than chance: bench2: flow at reference pressure." in _words(paper, "In short")
    rows = _words(paper, "Zone bench2")
    assert "flow lost since the emitters' first days" in rows
    assert "p < 0.001\n10 and 10" in rows


def test_service_that_the_data_cannot_judge_is_refused_with_the_reason(garden: Installation) -> None:
    """A service two days before the end, and one without any catch test, give reasons and no verdict of change."""
    late = Service(END - pd.Timedelta(days=2), "R. Alder", "acid flush", "bench2")
    paper = serviced(_matter(_season(), services=(late,)), late, garden, "metric")
    said = _words(paper, "In short")

    assert "Whether it changed anything cannot be told from the data" in said
    assert "38 days before" not in said
    assert "10 days before and 2 days after the service have this number; 3 are needed on each side" in said
    assert "there is no catch test of bench2 before or after it" in said


def test_catch_tests_tell_uniformity_before_and_after(garden: Installation) -> None:
    """Two catch tests give the statistical uniformity on both sides, its change and the chance of it."""
    rng = np.random.default_rng(2)
    tests = tuple(
        {
            "what": "catch test",
            "zone": "bench2",
            "person": "R. Alder",
            "time": (SERVICE.time + pd.Timedelta(days=day)).isoformat(),
            "flow_l_h": (2.0 * (1 + spread * rng.standard_normal(24))).tolist(),
        }
        for day, spread in ((-2, 0.2), (3, 0.04))
    )
    matter = _matter(_season(), services=(SERVICE,))
    paper = serviced(Matter(matter.results, FULL, (SERVICE,), entries=tests), SERVICE, garden, "metric")

    assert re.search(
        r"Statistical uniformity: [78]\d\.\d % before, 9\d\.\d % after, \+\d+\.\d points; p < 0\.001: more",
        _words(paper, "In short"),
    )
    assert "24 emitters, mean" in _words(paper, "How evenly the zones water")
