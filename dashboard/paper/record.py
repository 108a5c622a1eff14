"""The service record as a document: plain words first, then every zone, what was done, what could not be told."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from dashboard.display import Units, clock, day, zone_name
from dashboard.paper.press import Document, Section, Table
from dashboard.paper.record_words import severity, summary
from dashboard.paper.record_zone import zone_section

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analysis.results import Estimate, Finding, Results
    from analysis.service import Service
    from dashboard.cases import Case
    from dashboard.paper.completeness import Completeness
    from ingest.installation import Installation

CAUTIONS = (
    (
        "This record tells what instruments saw and what was reckoned from it. It replaces no inspection, no laboratory "
        "analysis and no test of the backflow preventer by a licensed tester. That no backflow was found is no proof that "
        "the water is safe to drink."
    ),
    (
        "Every interval is meant to hold the true value in 95 of 100 cases, as far as the accuracies that the installation "
        "file states are true. A number that the readings could not carry is refused with its reason."
    ),
)

METHODS = "How each number is found, with formulas, sources and range of validity, stands in docs/methods.md of the software."


@dataclass(frozen=True, slots=True)
class Matter:
    """Everything that a record is made from.

    Attributes
    ----------
    results : Results
        The analysis of the period.
    completeness : sequence of Completeness
        What each sensor sent.
    services : sequence of Service
        What people wrote into the service log in the period.
    cases : sequence of Case
        Findings with what people did about them.
    client, contractor : str
        For whom and by whom; empty where not told.
    contact : tuple of str
        The contractor's lines: address, telephone.
    hashes : mapping of str to str
        Short name to hash of what the record rests on.
    """

    results: Results
    completeness: Sequence[Completeness]
    services: Sequence[Service] = ()
    cases: Sequence[Case] = ()
    client: str = ""
    contractor: str = ""
    contact: tuple[str, ...] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)


def record(matter: Matter, installation: Installation, units: Units) -> Document:
    """Return the service record of a period.

    Parameters
    ----------
    matter : Matter
        What it is made from.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Document
        For HTML and PDF.
    """
    results = matter.results
    first, last = day(results.start, installation.tz), day(results.end, installation.tz)
    sections = [
        Section("In short", words=tuple(summary(matter.results, matter.completeness, installation, units))),
        *(zone_section(name, results, installation, units) for name in installation.zone),
        _findings(matter, installation),
        _services(matter.services, installation),
        _preventer(installation),
        _complete(matter.completeness),
        _refusals(results.estimates),
        Section("Method", words=(METHODS, *_methods(results.estimates))),
        Section("Cautions", words=CAUTIONS),
        _evidence(matter),
    ]
    return Document(
        title="Service record",
        subtitle=installation.name,
        facts=tuple(
            (name, text)
            for name, text in (
                ("Period", f"{first} to {last}"),
                ("Times", f"local, {zone_name(results.end, installation.tz)}"),
                ("Client", matter.client),
                ("Contractor", ", ".join(part for part in (matter.contractor, *matter.contact) if part)),
                ("Software", results.software),
            )
            if text
        ),
        sections=tuple(section for section in sections if section is not None),
        footer=f"{installation.name}, service record, {first} to {last}",
    )


def _stamp(moment: pd.Timestamp, installation: Installation) -> str:
    """Return a local date and time."""
    return f"{day(moment, installation.tz)}, {clock(moment, installation.tz)}"


def _place(finding: Finding) -> str:
    """Return where a finding was seen."""
    return ", ".join(part for part in (finding.zone, finding.sensor) if part) or "head"


def _findings(matter: Matter, installation: Installation) -> Section:
    """Return every finding with what was done about it."""
    title = "What was found, and what was done"
    if not matter.results.findings:
        return Section(title, words=("Nothing was found that needs a person.",))
    done = {
        (c.finding.kind, c.finding.zone, c.finding.sensor, c.finding.start): c.remarks for c in matter.cases
    }
    rows = []
    for finding in matter.results.findings:
        remarks = done.get((finding.kind, finding.zone, finding.sensor, finding.start), ())
        said = "; ".join(
            f"{r.person}, {_stamp(r.time, installation)}: {r.action} {r.note}".strip() for r in remarks
        )
        rows.append(
            (
                severity(finding.severity),
                _stamp(finding.start, installation),
                f"{finding.kind} ({_place(finding)})",
                finding.evidence,
                said or f"nothing is noted; first: {finding.advice}",
            )
        )
    return Section(
        title, table=Table(("", "Since", "Finding", "What was seen", "What was done"), tuple(rows))
    )


def _services(services: Sequence[Service], installation: Installation) -> Section:
    """Return the service log of the period."""
    title = "Service"
    if not services:
        return Section(title, words=("No service was entered in this period.",))
    rows = tuple((_stamp(s.time, installation), s.kind, s.zone or "head", s.person, s.note) for s in services)
    return Section(title, table=Table(("When", "What", "Where", "By", "Note"), rows))


def _preventer(installation: Installation) -> Section:
    """Return what the file says of the backflow preventer."""
    supply = installation.supply
    tested = (
        "no test is on record" if supply.tested is None else f"last tested on {supply.tested.isoformat()}"
    )
    return Section(
        "Backflow preventer",
        words=(
            (
                f"Supply: {supply.kind}. Preventer: {supply.backflow_preventer}; {tested}. Tests are due as the local code asks, "
                "usually every year, by a licensed tester."
            ),
        ),
    )


def _complete(found: Sequence[Completeness]) -> Section:
    """Return how complete the readings are."""
    rows = tuple(
        (
            one.sensor,
            f"{one.readings:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"),
            "" if one.share is None else f"{100 * one.share:.1f} %",
            str(one.bad),
        )
        for one in found
    )
    return Section(
        "How complete the readings are",
        table=Table(("Sensor", "Readings", "Of those expected", "Flagged as they came in"), rows, (1, 2, 3)),
    )


def _refusals(estimates: Sequence[Estimate]) -> Section:
    """Return what could not be told, and why, counted."""
    title = "What could not be told, and why"
    counted = Counter(
        (e.quantity, e.zone or "head", e.reason or "") for e in estimates if e.status == "refused"
    )
    if not counted:
        return Section(title, words=("Every number that was looked for was found.",))
    rows = tuple(
        (quantity, zone, str(count), reason) for (quantity, zone, reason), count in counted.most_common()
    )
    return Section(title, table=Table(("Number", "Zone", "Times", "Why"), rows, (2,)))


def _methods(estimates: Sequence[Estimate]) -> list[str]:
    """Return one sentence for each quantity: the method used most."""
    used: dict[str, Counter[str]] = {}
    for estimate in estimates:
        if estimate.status == "ok" and estimate.run_start is not None:
            used.setdefault(estimate.quantity, Counter())[estimate.method.split(" [")[0]] += 1
    return [f"{quantity}: {methods.most_common(1)[0][0]}." for quantity, methods in sorted(used.items())]


def _evidence(matter: Matter) -> Section | None:
    """Return the hashes that the record rests on."""
    if not matter.hashes:
        return None
    rows = tuple(matter.hashes.items())
    return Section(
        "Evidence",
        words=(
            (
                "The file beside this record lists the hash of every file that it rests on. With it, anybody can tell "
                "whether the record or the readings were changed since; with the signature, who made it."
            ),
        ),
        table=Table(("What", "SHA-256"), rows),
    )
