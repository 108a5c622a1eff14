"""What people write down beside an archive: about findings, about service, about sensors and stocks."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from analysis import ledger
from analysis.service import Service
from dashboard.casebook import CaseBook

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dashboard.cases import Remark

ENTRIES = "entries.jsonl"
"""File of calibrations, dilution series and catch tests, in the archive's folder."""


class Records:
    """The files of one archive that people write.

    Parameters
    ----------
    archive : Path
        Its folder.
    """

    def __init__(self, archive: Path) -> None:
        self.archive = archive
        self.cases = CaseBook(archive)
        self._lock = threading.Lock()

    def remark(self, remark: Remark) -> None:
        """Write down what a person did to a finding; clearing one is service too."""
        self.cases.remark(remark)
        if remark.action == "clear":
            finding = self.cases.book().seen[remark.case].finding
            note = f"{finding.kind}: {remark.note}"
            self.add_service(
                Service(remark.time, remark.person, "backflow cleared", finding.zone, None, note)
            )

    def services(self) -> tuple[Service, ...]:
        """Return what was done to the system, newest first."""
        return tuple(reversed(ledger.read_services(self.archive)))

    def add_service(self, service: Service) -> None:
        """Write down what was done; as `analysis.ledger.add_service`."""
        with self._lock:
            ledger.add_service(self.archive, service)

    def entries(self) -> list[dict[str, Any]]:
        """Return calibrations, dilution series and catch tests, newest first."""
        return list(reversed(ledger.rows(self.archive / ENTRIES)))

    def add_entry(self, kind: str, person: str, now: pd.Timestamp, content: dict[str, Any]) -> None:
        """Write one of those down, with who and when.

        Parameters
        ----------
        kind : str
            What it is.
        person : str
            Who says so.
        now : pandas.Timestamp
            When it was written. [UTC]
        content : dict
            What JSON can carry.
        """
        with self._lock:
            self.archive.mkdir(parents=True, exist_ok=True)
            row = {"what": kind, "person": person, "time": now.isoformat(), **content}
            ledger.append(self.archive / ENTRIES, row)
