"""The commissioning variant of the record: the sheet, the first runs held against it, and who accepted them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.commissioning.items import Fact
from dashboard.display import ratio
from dashboard.paper import sheet as sheets
from dashboard.paper.dates import at
from dashboard.paper.document import Document, Section, Table
from dashboard.paper.record import Matter, basis, framed
from dashboard.paper.record_numbers import counted
from dashboard.paper.record_tables import findings, preventer
from dashboard.paper.record_words import found

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.commissioning.first_runs import Check
    from analysis.commissioning.sheet import Sheet
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation


def commissioned(
    matter: Matter, made: Sheet, checks: Sequence[Check], installation: Installation, units: Units
) -> Document:
    """Return the commissioning record.

    Parameters
    ----------
    matter : Matter
        What it is made from; its period holds the first runs.
    made : Sheet
        The sheet of the installation.
    checks : sequence of Check
        The first runs against what the description promises.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Document
        Acceptance first, then runs against description, then the sheet.
    """
    matter = matter.read_in(units)
    accepted = acceptances(matter.services)
    summary = (
        acceptance_words(accepted, installation, units),
        check_words(checks),
        f"Of the description: {sheets.verdict(made)}",
        found(matter.cases, matter.results.end),
    )
    sections = (
        Section("In short", words=summary),
        _acceptance(accepted, installation, units),
        _checks(checks, units),
        findings(matter.cases, installation, units),
        *sheets.sections(installation, made, units),
        preventer(matter.services, installation, matter.results.end, units),
        *basis(matter),
    )
    return framed("Commissioning record", sections, matter, installation, units)


def acceptances(services: Sequence[Service]) -> list[Service]:
    """Return the entries in which somebody accepted runs as the baseline."""
    return [s for s in services if s.kind == "commissioned"]


def acceptance_words(accepted: Sequence[Service], installation: Installation, units: Units) -> str:
    """Return the sentence on the acceptance."""
    if not accepted:
        return "Not accepted yet: no acceptance is entered up to the end of this period."
    last = accepted[-1]
    return f"Accepted by {last.person}, entered for {at(last.time, installation.tz, units)}: {last.note or 'no note'}."


def check_words(checks: Sequence[Check]) -> str:
    """Return the sentence on the first runs."""
    counts = {word: sum(c.verdict == word for c in checks) for word in ("agrees", "differs", "not measured")}
    differs = [f"{c.place} {c.what}" for c in checks if c.verdict == "differs"]
    named = f" Differs: {'; '.join(differs)}." if differs else ""
    return (
        f"The first runs against the description: of {counted(len(checks), 'number')} {counts['agrees']} agree, "
        f"{counts['differs']} differ, {counts['not measured']} were not measured.{named}"
    )


def _acceptance(accepted: Sequence[Service], installation: Installation, units: Units) -> Section:
    """Return who accepted what."""
    if not accepted:
        words = (
            "Nobody has accepted the first runs. `tricklebook commission --accept` writes name and note down."
        )
        return Section("Acceptance", words=(words,))
    rows = tuple((at(s.time, installation.tz, units), s.person, s.note) for s in accepted)
    return Section("Acceptance", table=Table(("First run", "Accepted by", "Note"), rows))


def _checks(checks: Sequence[Check], units: Units) -> Section:
    """Return the first runs against the description."""
    rows = tuple(
        (
            c.verdict,
            f"{c.place}: {c.what}",
            "\N{EN DASH}" if c.measured is None else _value(c, c.measured, units),
            _value(c, c.computed, units),
            f"\N{PLUS-MINUS SIGN} {100 * c.tolerance:.0f} %",
            "" if c.verdict == "agrees" else c.mend,
        )
        for c in checks
    )
    titles = ("", "What", "Measured", "Described", "Within", "Look at")
    return Section("The first runs against the description", table=Table(titles, rows, (2, 3, 4)))


def _value(check: Check, value: float, units: Units) -> str:
    """Return a checked number in the reader's units."""
    if check.dimension == "share":
        return ratio(value)
    return sheets.value(Fact(check.place, check.what, value, check.dimension, ""), units)
