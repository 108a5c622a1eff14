"""The file in which cases are written down: one line for each thing that happened, never changed.

``ARCHIVE/findings.jsonl`` has two kinds of lines: ``seen`` by the program, and what people did.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis import ledger
from analysis.results import Finding
from dashboard.cases import ACTIONS, Book, Case, Remark, Seen, cases, news
from ingest.files import locked

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

FILE = "findings.jsonl"
"""Name of the file in the archive's folder."""

LONGEST_NOTE = 4000
"""Letters in a note: two pages of paper. [-]"""

_TEXTS = ("kind", "zone", "sensor", "severity", "value", "unit", "evidence", "advice")


class CaseBook:
    """Reads and writes the file of one archive.

    Parameters
    ----------
    archive : Path
        Its folder.
    """

    def __init__(self, archive: Path) -> None:
        self.path = archive / FILE
        self._lock = threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._book = Book()

    def book(self) -> Book:
        """Return what is written down, by this program or any other."""
        with self._lock:
            return self._read()

    def _read(self) -> Book:
        try:
            status = self.path.stat()
        except FileNotFoundError:
            return self._book
        stamp = (status.st_mtime_ns, status.st_size)
        if stamp != self._stamp:
            self._book = _book(ledger.rows(self.path))
            self._stamp = stamp
        return self._book

    def take_in(self, findings: Sequence[Finding], now: pd.Timestamp) -> list[Case]:
        """Write down what is new in the findings of an analysis, and return every case.

        Parameters
        ----------
        findings : sequence of Finding
            As the analysis tells them.
        now : pandas.Timestamp
            The present. [UTC]

        Returns
        -------
        list of Case
            As `dashboard.cases.cases`.
        """
        with self._lock:
            if news(findings, self._read()):
                # Dashboard and notices analyse side by side: one after the other, so that a case begins once.
                with locked(self.path.with_name(f".{FILE}.lock"), wait=True):
                    for seen in news(findings, self._read()):
                        self._append(_seen_row(seen, now))
            return cases(findings, self._read())

    def remark(self, remark: Remark) -> None:
        """Write down what a person did; when this returns, it is on the disk.

        Parameters
        ----------
        remark : Remark
            What was done.

        Raises
        ------
        ValueError
            If there is no such case or action, nobody signs, a note is missing or too long.
        """
        with self._lock:
            if remark.case not in self._read().seen:
                msg = "there is no such finding"
                raise ValueError(msg)
            _check(remark)
            self._append(
                {
                    "what": remark.action,
                    "case": remark.case,
                    "time": remark.time.isoformat(),
                    "person": remark.person.strip(),
                    "note": remark.note.strip(),
                }
            )

    def _append(self, row: dict[str, Any]) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        ledger.append(self.path, row)


def _check(remark: Remark) -> None:
    """Refuse what must not be written down."""
    if remark.action not in ACTIONS:
        msg = f"{remark.action!r} is not one of {', '.join(ACTIONS)}"
        raise ValueError(msg)
    if not remark.person.strip():
        msg = "the name of who does this is missing"
        raise ValueError(msg)
    if remark.action in {"note", "clear"} and not remark.note.strip():
        msg = "a note is missing: say what was looked at and found"
        raise ValueError(msg)
    if len(remark.note) > LONGEST_NOTE:
        msg = f"the note has {len(remark.note)} letters; at most {LONGEST_NOTE} are kept"
        raise ValueError(msg)


def _seen_row(seen: Seen, now: pd.Timestamp) -> dict[str, Any]:
    finding = seen.finding
    return {
        "what": "seen",
        "case": seen.mark,
        "time": now.isoformat(),
        "start": finding.start.isoformat(),
        "end": finding.end.isoformat(),
        "likely_causes": list(finding.likely_causes),
        **{name: getattr(finding, name) for name in _TEXTS},
    }


def _book(rows: Sequence[dict[str, Any]]) -> Book:
    """Return what lines say; a line that says nothing known is left alone."""
    seen: dict[str, Seen] = {}
    remarks: dict[str, list[Remark]] = {}
    for row in rows:
        mark, what = str(row.get("case", "")), row.get("what")
        if what == "seen":
            seen[mark] = Seen(mark, _finding(row))
        elif what in ACTIONS:
            moment = pd.Timestamp(row["time"]).tz_convert("UTC")
            remark = Remark(mark, moment, str(row["person"]), str(what), str(row.get("note", "")))
            remarks.setdefault(mark, []).append(remark)
    return Book(seen, remarks)


def _finding(row: dict[str, Any]) -> Finding:
    start, end = (pd.Timestamp(row[key]).tz_convert("UTC") for key in ("start", "end"))
    return Finding(
        row["kind"],
        row["zone"],
        row["sensor"],
        start,
        end,
        row["severity"],
        row["value"],
        row["unit"],
        row["evidence"],
        tuple(row["likely_causes"]),
        row["advice"],
    )
