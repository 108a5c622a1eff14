"""What a record is made from, read from archive and ledgers: the one module of this folder that looks for it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis import ledger
from analysis.archive import analyse_archive, span_of
from dashboard.casebook import FILE as CASES
from dashboard.casebook import CaseBook
from dashboard.cases import cases
from dashboard.paper import contractor, evidence
from dashboard.paper.completeness import completeness
from dashboard.paper.document import Attachment
from dashboard.paper.record import Matter
from dashboard.records import ENTRIES
from ingest.store import read_tail

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dashboard.cases import Case
    from ingest.installation import Installation

LEDGERS = (ledger.SERVICE_FILE, CASES, ENTRIES)
"""Files beside the readings in which people wrote what the record tells."""

ATTACHED = "evidence.json"
"""Name of the evidence inside a PDF: all but the hashes of the paper itself."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants a record of.

    Attributes
    ----------
    archive, described : Path
        The archive's folder, and the installation file.
    installation : Installation
        What that file says.
    start, end : pandas.Timestamp or None
        The period [UTC]; from the first reading and to the last one where None.
    client : str
        For whom.
    contractor : Path or None
        The contractor's file.
    """

    archive: Path
    described: Path
    installation: Installation
    start: pd.Timestamp | None = None
    end: pd.Timestamp | None = None
    client: str = ""
    contractor: Path | None = None


def gather(asked: Asked) -> tuple[Matter, dict[str, Any]]:
    """Return what a record is made from, and what it rests on.

    Parameters
    ----------
    asked : Asked
        What is wanted.

    Returns
    -------
    tuple of Matter and dict
        The matter, with what it rests on attached; and the same as plain values, for the evidence file.

    Raises
    ------
    UserError
        If there is no reading, or the contractor's file or a ledger will not do.
    """
    archive, system = asked.archive, asked.installation
    house = contractor.read(asked.contractor)
    if asked.start is None or asked.end is None:
        first, last = span_of(archive, system)
        start, end = asked.start or first, asked.end or last
    else:
        start, end = asked.start, asked.end
    results = analyse_archive(archive, system, start, end)
    matter = Matter(
        results,
        completeness(archive, system, results.start, results.end),
        tuple(s for s in ledger.read_services(archive) if s.time < results.end),
        tuple(_of_period(cases(results.findings, CaseBook(archive).book()), results.start, results.end)),
        tuple(_entries(archive, results.start, results.end)),
        asked.client,
        house,
        waiting=len(read_tail(archive, system.site)[0].messages),
    )
    rests = _rests(asked, matter)
    hashes = {name: str(said["sha256"]) for name, said in rests["sources"].items()}
    newest = dict(list(rests["manifests"].items())[-1:])
    attached = Attachment(ATTACHED, _bytes(rests), "hashes of everything that the record rests on")
    return replace(matter, hashes=hashes | newest, attachments=(attached,)), rests


def _of_period(known: Sequence[Case], start: pd.Timestamp, end: pd.Timestamp) -> list[Case]:
    """Return the cases that the analysis tells now, and those of the period that are over."""
    return [c for c in known if c.current or (c.finding.start < end and c.finding.end >= start)]


def _entries(archive: Path, start: pd.Timestamp, end: pd.Timestamp) -> list[dict[str, Any]]:
    """Return what people measured by hand in the period, oldest first."""
    found = []
    for number, row in enumerate(ledger.rows(archive / ENTRIES), start=1):
        try:
            moment = pd.Timestamp(row["time"]).tz_convert("UTC")
        except (KeyError, ValueError, TypeError) as error:
            msg = f"{archive / ENTRIES}, entry {number}: expected a time, found {row!r} ({error})"
            raise ledger.LedgerError(msg) from error
        if start <= moment < end:
            found.append(row)
    return found


def _rests(asked: Asked, matter: Matter) -> dict[str, Any]:
    """Return what a record rests on, as plain values."""
    archive, results, system = asked.archive, matter.results, asked.installation
    days = evidence.days_of_period(archive, system.site, results.start, results.end)
    sources = {"installation file": evidence.prefix(asked.described)}
    if asked.contractor is not None:
        sources["contractor file"] = evidence.prefix(asked.contractor)
    return {
        "software": results.software,
        "installation": {"name": system.name, "sha256": sources["installation file"]["sha256"]},
        "period": {"from": results.start.isoformat(), "to": results.end.isoformat()},
        "sources": sources,
        "ledgers": {name: evidence.prefix(archive / name) for name in LEDGERS if (archive / name).is_file()},
        "days": days,
        "manifests": evidence.manifests_of_period(archive, system.site, days),
    }


def _bytes(rests: dict[str, Any]) -> bytes:
    """Return what a record rests on as the bytes of a file."""
    text = json.dumps({"form": evidence.FORM, **rests}, indent=1, sort_keys=True, ensure_ascii=False)
    return (text + "\n").encode()
