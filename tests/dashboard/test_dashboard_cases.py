"""What was found and what was done about it stays written down, and belongs together however it is told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from analysis.results import Finding
from analysis.service import Service
from dashboard import casebook
from dashboard.casebook import FILE, CaseBook
from dashboard.cases import Book, Case, Remark, Seen, cases, match, with_services
from ingest.errors import UserError
from ingest.files import locked

NOW = pd.Timestamp("2026-11-25T12:00:00Z")
HOUR = pd.Timedelta(hours=1)
LEAK = Finding(
    "leak",
    "bench1",
    None,
    NOW - 3 * HOUR,
    NOW,
    "act",
    12.0,
    "L/h",
    "flow at rest",
    ("a split lateral",),
    "look",
)
BACKFLOW = replace(LEAK, kind="backflow", severity="stop")


@pytest.fixture
def book(tmp_path: Path) -> CaseBook:
    """Return an empty book."""
    return CaseBook(tmp_path)


def only(found: list[Case]) -> Case:
    """Return the one case."""
    (case,) = found
    return case


def did(case: Case, action: str, note: str = "") -> Remark:
    """Return what A. Weller does to a case."""
    return Remark(case.mark, NOW, "A. Weller", action, note)


def test_case_stays_the_same_while_its_finding_grows(book: CaseBook) -> None:
    """An acknowledged finding that goes on for days, its start cut off by the window, is still acknowledged."""
    first = only(book.take_in([LEAK], NOW))
    book.remark(did(first, "acknowledge"))
    grown = LEAK
    for hours in range(5, 200, 5):
        grown = replace(LEAK, start=max(LEAK.start, NOW + (hours - 168) * HOUR), end=NOW + hours * HOUR)
        book.take_in([grown], grown.end)

    last = only(book.take_in([grown], grown.end))

    assert last.mark == first.mark
    assert last.state == "acknowledged"


def test_case_that_is_told_no_more_is_past_and_kept(book: CaseBook) -> None:
    """A finding that no analysis tells any more stands in the history, with its evidence."""
    book.take_in([LEAK], NOW)

    past = only(book.take_in([], NOW + HOUR))

    assert past.state == "past"
    assert past.finding == LEAK


def test_case_that_comes_back_later_is_a_new_one(book: CaseBook) -> None:
    """The same fault a day later is open again, whoever saw the first one."""
    book.remark(did(only(book.take_in([LEAK], NOW)), "acknowledge"))
    again = replace(LEAK, start=NOW + 24 * HOUR, end=NOW + 25 * HOUR)

    found = book.take_in([again], again.end)

    assert sorted((case.state, case.finding.start == again.start) for case in found) == [
        ("open", True),
        ("past", False),
    ]


def test_backflow_stays_open_until_it_is_cleared(book: CaseBook) -> None:
    """A backflow finding stays open though no analysis tells it any more, until somebody has looked."""
    first = only(book.take_in([BACKFLOW], NOW))
    book.remark(did(first, "acknowledge"))
    later = only(book.take_in([], NOW + HOUR))
    assert later.state == "open"

    book.remark(did(later, "clear", "tester came, preventer passed"))

    assert only(book.take_in([], NOW + HOUR)).state == "past"


def test_worse_finding_is_written_down(book: CaseBook) -> None:
    """A finding that becomes worse is known as worse, also after it is past."""
    book.take_in([LEAK], NOW)
    book.take_in([replace(LEAK, severity="stop")], NOW)

    assert only(book.take_in([], NOW)).finding.severity == "stop"


def test_book_is_read_by_another_program(book: CaseBook, tmp_path: Path) -> None:
    """What one dashboard writes, the next one knows, with who, when and every letter of the note."""
    case = only(book.take_in([LEAK], NOW))
    note = "split at row 3;\n<b>mended</b> \N{WRENCH} = 1"
    book.remark(did(case, "note", note))

    again = only(CaseBook(tmp_path).take_in([LEAK], NOW))

    assert [(r.person, r.action, r.note, r.time) for r in again.remarks] == [("A. Weller", "note", note, NOW)]


def test_nothing_is_written_twice(book: CaseBook, tmp_path: Path) -> None:
    """The same findings told again add no line."""
    book.take_in([LEAK], NOW)
    before = (tmp_path / FILE).read_bytes()
    for _ in range(5):
        book.take_in([LEAK], NOW)

    assert (tmp_path / FILE).read_bytes() == before


def test_lines_are_only_added(book: CaseBook, tmp_path: Path) -> None:
    """Every later file begins with the earlier one."""
    seen = b""
    case = only(book.take_in([LEAK], NOW))
    for action, note in (("acknowledge", ""), ("note", "x"), ("reopen", "")):
        book.remark(did(case, action, note))
        now = (tmp_path / FILE).read_bytes()
        assert now.startswith(seen)
        assert len(now) > len(seen)
        seen = now


@pytest.mark.parametrize(
    ("remark", "problem"),
    [
        (Remark("nope", NOW, "A", "note", "x"), "no such finding"),
        (Remark("CASE", NOW, " ", "acknowledge"), "name of who"),
        (Remark("CASE", NOW, "A", "delete"), "'delete' is not one of"),
        (Remark("CASE", NOW, "A", "note", " "), "a note is missing"),
        (Remark("CASE", NOW, "A", "clear"), "a note is missing"),
        (Remark("CASE", NOW, "A", "note", "x" * 5000), "at most 4000"),
    ],
)
def test_senseless_remarks_are_refused(book: CaseBook, remark: Remark, problem: str, tmp_path: Path) -> None:
    """What says nothing, or of nobody, is not written."""
    mark = only(book.take_in([LEAK], NOW)).mark
    before = (tmp_path / FILE).read_bytes()

    with pytest.raises(ValueError, match=problem):
        book.remark(replace(remark, case=mark if remark.case == "CASE" else remark.case))

    assert (tmp_path / FILE).read_bytes() == before


def test_torn_last_line_is_left_out(book: CaseBook, tmp_path: Path) -> None:
    """A line that a power cut tore is no obstacle to reading the others."""
    book.take_in([LEAK], NOW)
    with (tmp_path / FILE).open("a", encoding="utf-8") as file:
        file.write('{"what": "note", "case"')

    assert len(CaseBook(tmp_path).book().seen) == 1


def test_broken_line_is_named(book: CaseBook, tmp_path: Path) -> None:
    """A whole line that is none is told with its number, not skipped in silence."""
    (tmp_path / FILE).write_text("nonsense\n", "utf-8")

    with pytest.raises(UserError, match="line 1"):
        book.book()


def test_overlapping_findings_of_one_case_are_one() -> None:
    """Two tellings of one place that touch are one case that spans both, with the words of both."""
    later = replace(LEAK, start=NOW - HOUR, end=NOW + HOUR, unit="kPa", evidence="the pressure fell")
    book = Book()

    assert match(LEAK, book) is None
    found = only(cases([LEAK, later], book)).finding
    assert (found.start, found.end) == (LEAK.start, later.end)
    assert found.evidence == "flow at rest. Also: the pressure fell"


def test_two_tellings_of_one_thing_leave_nothing_past(book: CaseBook) -> None:
    """A dose and a ratio that miss their targets in one run are one case from the first look on, and it is open."""
    dose = replace(LEAK, start=LEAK.start - HOUR, unit="g/m2", severity="watch", evidence="too little")
    first = only(book.take_in([dose, LEAK], NOW))
    again = only(book.take_in([LEAK, dose], NOW))

    assert first.mark == again.mark
    assert again.state == "open"
    assert again.finding.severity == "act"


def test_rows_are_plain_json(book: CaseBook, tmp_path: Path) -> None:
    """Each line of the file is a JSON object that says what, when and which case."""
    book.remark(did(only(book.take_in([LEAK], NOW)), "acknowledge"))
    rows = [json.loads(line) for line in (tmp_path / FILE).read_text("utf-8").splitlines()]

    assert [row["what"] for row in rows] == ["seen", "acknowledge"]
    assert all({"case", "time"} <= set(row) for row in rows)


def test_backflow_that_the_service_log_clears_is_past_on_the_page_too() -> None:
    """An entry with a note after its beginning clears the case; one before, or of another kind, does not."""
    started = pd.Timestamp("2026-05-01 08:00", tz="UTC")
    found = Finding("backflow", None, "flow", started, started, "stop", None, None, "", (), "")
    book = Book({"m": Seen("m", found)})

    def state(kind: str, hours: int, note: str = "tested, passed") -> str:
        entry = Service(started + pd.Timedelta(hours=hours), "Ana", kind, None, None, note)
        (case,) = cases([found], with_services(book, [entry]))
        return case.state

    assert state("backflow cleared", 1) == "past"
    assert state("backflow cleared", -1) == "open"
    assert state("backflow cleared", 1, "") == "open"
    assert state("repair", 1) == "open"


def test_two_programs_take_in_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a case is written down no other program can write one, and a second telling finds it there."""
    now, held, row = pd.Timestamp("2026-05-01 08:00", tz="UTC"), [], casebook._seen_row  # noqa: SLF001 - what is watched

    def watched(seen: Seen, at: pd.Timestamp) -> dict[str, Any]:
        with locked(tmp_path / f".{FILE}.lock", wait=False) as free:
            held.append(not free)
        return row(seen, at)

    monkeypatch.setattr(casebook, "_seen_row", watched)
    for day in (7, 6):
        start = now - pd.Timedelta(days=day)
        found = Finding("leak", "z", None, start, now, "act", None, None, "", (), "")
        CaseBook(tmp_path).take_in([found], now)

    assert held == [True]
    assert len(CaseBook(tmp_path).book().seen) == 1
