"""The service record of a period as a document: plain words first, then every zone, what was done, what to do."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from analysis.amounts import estimate_in, finding_in
from dashboard.display import Units, zone_name
from dashboard.paper import record_tables as tables
from dashboard.paper.dates import period
from dashboard.paper.document import Attachment, Document, House, Section, Table
from dashboard.paper.press import STANDARD_NAMES
from dashboard.paper.record_next import next_section
from dashboard.paper.record_water import water
from dashboard.paper.record_words import summary
from dashboard.paper.record_zone import zone_section

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Results
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
    (
        "Release the pressure before opening a filter, a tank or a line. Wear gloves and eye protection with stock and acid. "
        "Add acid to water, never water to acid; never bring acid and chlorine together. Labels and local codes decide."
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
        Every entry of the service log up to the period's end.
    cases : sequence of Case
        The period's findings with what people did about them.
    entries : sequence of dict
        What people measured by hand in the period.
    client : str
        For whom; empty where not told.
    house : House
        By whom.
    hashes : mapping of str to str
        Short name to hash of what the record rests on.
    attachments : tuple of Attachment
        Files inside the PDF.
    waiting : int
        Messages that the archive did not hold yet: no hash covers them. [-]
    """

    results: Results
    completeness: Sequence[Completeness]
    services: Sequence[Service] = ()
    cases: Sequence[Case] = ()
    entries: Sequence[Mapping[str, Any]] = ()
    client: str = ""
    house: House = field(default_factory=House)
    hashes: Mapping[str, str] = field(default_factory=dict)
    attachments: tuple[Attachment, ...] = ()
    waiting: int = 0

    @property
    def logged(self) -> tuple[Service, ...]:
        """The service log of the period itself."""
        return tuple(s for s in self.services if self.results.start <= s.time < self.results.end)

    def read_in(self, units: Units) -> Matter:
        """Return the same with every sentence of the analysis as the reader wants it."""
        results = self.results
        estimates = tuple(estimate_in(estimate, units) for estimate in results.estimates)
        findings = tuple(finding_in(finding, units) for finding in results.findings)
        cases = tuple(replace(case, finding=finding_in(case.finding, units)) for case in self.cases)
        return replace(self, results=replace(results, estimates=estimates, findings=findings), cases=cases)


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
    matter = matter.read_in(units)
    results, logged = matter.results, matter.logged
    said = summary(results, matter.completeness, installation, units, cases=matter.cases, services=logged)
    sections = (
        Section("In short", words=tuple(said)),
        next_section(results, matter.cases, matter.completeness, matter.services, installation, units),
        *(zone_section(name, results, installation, units, logged) for name in installation.zone),
        tables.findings(matter.cases, installation, units),
        tables.services(logged, installation, units),
        tables.uniformities(matter.entries, installation, units),
        tables.preventer(matter.services, installation, matter.results.end, units),
        water(installation, results.end, units),
        *basis(matter),
    )
    return framed("Service record", sections, matter, installation, units)


def basis(matter: Matter) -> tuple[Section, ...]:
    """Return the sections that every record ends with: what it rests on, and how far it reaches."""
    estimates = matter.results.estimates
    sections = (
        tables.complete(matter.completeness),
        tables.refusals(estimates),
        Section("Method", words=(METHODS, *tables.methods(estimates))),
        Section("Cautions", words=CAUTIONS),
        _evidence(matter),
    )
    return tuple(section for section in sections if section is not None)


def framed(
    title: str, sections: tuple[Section, ...], matter: Matter, installation: Installation, units: Units
) -> Document:
    """Return a record's sections with its head and foot.

    Parameters
    ----------
    title : str
        What kind of record it is.
    sections : tuple of Section
        Its body.
    matter, installation, units
        As for `record`.

    Returns
    -------
    Document
        For HTML and PDF; on letter paper for a reader of US customary units.
    """
    results = matter.results
    span = period(results.start, results.end, installation.tz, units)
    facts = (
        ("Period", span),
        ("Times", f"local, {zone_name(results.end, installation.tz)}"),
        ("Client", matter.client),
        ("Software", results.software),
    )
    return Document(
        title=title,
        subtitle=installation.name,
        facts=tuple((name, text) for name, text in facts if text),
        sections=sections,
        footer=f"{installation.name}, {title.lower()}, {span}",
        house=matter.house,
        attachments=matter.attachments,
        paper="us-letter" if units == "us" else "a4",
    )


def _evidence(matter: Matter) -> Section | None:
    """Return the hashes that the record rests on."""
    if not matter.hashes:
        return None
    words = [
        (
            "The file beside this record lists the hash of every file that it rests on. With it, anybody can tell "
            "whether the record or the readings were changed since; with the signature, who made it."
        )
    ]
    if matter.waiting:
        words.append(
            f"{matter.waiting} messages still waited in the journal when this record was made; no hash covers what they "
            "hold. A record made once they are archived has its evidence whole."
        )
    if matter.attachments:
        words.append(
            f"As PDF, this record is made as {' and '.join(STANDARD_NAMES)}, and carries inside it: "
            + ", ".join(f"{one.name} ({one.what})" for one in matter.attachments)
            + "."
        )
    return Section(
        "Evidence", words=tuple(words), table=Table(("What", "SHA-256"), tuple(matter.hashes.items()))
    )
