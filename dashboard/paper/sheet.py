"""The commissioning sheet as a document: remarks first, then every zone's numbers and pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.amounts import in_units
from analysis.commissioning.instruments import Ability, abilities
from analysis.commissioning.items import Fact, Remark
from analysis.commissioning.pressures import Worked
from analysis.commissioning.zones import worked
from analysis.hydraulics.travel import travel_times
from analysis.water_report import amount, limits, standing
from dashboard.display import Units, scale
from dashboard.paper.dates import written
from dashboard.paper.document import Document, Section, Table
from dashboard.paper.svg import Axis, Line, line_chart, pipe_map
from ingest.quantities import DIMENSIONS

if TYPE_CHECKING:
    from analysis.commissioning.sheet import Sheet
    from analysis.water_report import Item
    from ingest.installation import Installation

SEVERITY = {"stop": "STOP", "act": "Act", "watch": "Watch"}

CAUTIONS = (
    (
        "This sheet is computed from the description alone. It replaces no inspection, no backflow test and no "
        "licensed work; local codes, labels and makers' sheets decide."
    ),
    (
        "Release the pressure before opening a filter, a tank or a line. Wear gloves and eye protection with stock. "
        "Add acid to water, never water to acid; never bring acid and chlorine together. Electrical work is licensed work."
    ),
)


def value(fact: Fact, units: Units) -> str:
    """Return a fact's number with its unit as people read it.

    Examples
    --------
    >>> value(Fact("zone.a", "travel", 400.0, "time", ""), "metric")
    '6.7 min'
    """
    if fact.dimension == "time":
        return f"{fact.value / 60.0:.1f} min"
    if fact.dimension == "share":
        return f"{100.0 * fact.value:.1f} %"
    if fact.dimension == "velocity":
        return f"{fact.value / 0.3048:.2f} ft/s" if units == "us" else f"{fact.value:.2f} m/s"
    if fact.dimension == "millilitres":
        return f"{fact.value:.4g} mL"
    if fact.dimension == "number":
        return f"{fact.value:.0f}"
    return scale(DIMENSIONS[fact.dimension][0], units).text(fact.value)


def verdict(made: Sheet) -> str:
    """Return the sheet's first sentence."""
    counts = {name: sum(r.severity == name for r in made.remarks) for name in SEVERITY}
    if counts["stop"]:
        return f"Do not inject as described: {counts['stop']} point(s) can harm people or the system."
    if counts["act"]:
        return f"{counts['act']} point(s) to mend before the first injection, {counts['watch']} to look at."
    if counts["watch"]:
        return f"Nothing that must be mended; {counts['watch']} point(s) to look at."
    return "Nothing was found wrong in the description."


def document(installation: Installation, made: Sheet, units: Units) -> Document:
    """Return the sheet as a document for HTML and PDF.

    Parameters
    ----------
    installation : Installation
        The system as described.
    made : Sheet
        Its facts and remarks.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    Document
        Verdict, remarks, zones with pictures, injectors, stocks, instruments, cautions.
    """
    return Document(
        title="Commissioning sheet",
        subtitle=installation.name,
        facts=(("Day", written(made.day, units)), ("Units", "US customary" if units == "us" else "metric")),
        sections=(*sections(installation, made, units), Section("Cautions", words=CAUTIONS)),
        footer=f"{installation.name}, commissioning sheet of {written(made.day, units)}, computed from the description",
        paper="us-letter" if units == "us" else "a4",
    )


def sections(installation: Installation, made: Sheet, units: Units) -> tuple[Section, ...]:
    """Return the sheet's body, for the sheet itself and for the commissioning record."""
    solved = worked(installation)
    return (
        Section(
            "What was found in the description", words=(verdict(made),), table=_remarks(made.remarks, units)
        ),
        *(_zone(name, solved[name], made, units) for name in installation.zone),
        *_places(made, units, "injector", "Injector"),
        *_places(made, units, "stock", "Stock"),
        *water_section(made.water, units),
        Section("What the sensors will tell", table=_abilities(abilities(installation))),
    )


def water_section(items: tuple[Item, ...], units: Units) -> tuple[Section, ...]:
    """Return the water's clogging hazard by item, with class, source and what to do; nothing without an analysis."""
    if not items:
        return ()
    rows = tuple(
        (
            item.hazard.factor,
            f"{amount(item)}, {written(item.found.sampled, units)}",
            item.hazard.verdict,
            limits(item),
            item.to_do or "nothing",
        )
        for item in items
    )
    head = ("Item", "Found, sampled", "Clogging hazard", "Classes", "What to do")
    said = standing(items)
    sources = "; ".join(dict.fromkeys(item.hazard.source for item in items))
    words = (f"{said[:1].upper()}{said[1:]}. Classes after {sources}.", WATER)
    return (Section("Water analysis", words=words, table=Table(head, rows)),)


WATER = (
    "The classes tell how likely a water clogs emitters, not whether it is safe to drink. Acid and chlorine are for licensed "
    "practice by the label, the safety data sheet and local codes; never bring them together."
)


def _remarks(remarks: tuple[Remark, ...], units: Units) -> Table | None:
    """Return the remarks as a table, or None where there is none."""
    rows = tuple(
        (SEVERITY[r.severity], r.place, in_units(r.what, units), in_units(r.mend, units), r.source)
        for r in remarks
    )
    return Table(("", "Where", "What was found", "What to do", "Source"), rows) if rows else None


def _facts(facts: list[Fact], units: Units) -> Table:
    """Return facts as a table."""
    rows = tuple((fact.name, value(fact, units), fact.source) for fact in facts)
    return Table(("Quantity", "Value", "Formula or practice"), rows, numbers=(1,))


def _of(made: Sheet, place: str) -> list[Fact]:
    """Return one place's facts."""
    return [fact for fact in made.facts if fact.place == place]


def _zone(name: str, answer: Worked | str, made: Sheet, units: Units) -> Section:
    """Return a zone's section with its pictures."""
    pictures = _pictures(name, answer, units) if isinstance(answer, Worked) else ()
    words = () if isinstance(answer, Worked) else (f"Not computed: {in_units(answer, units)}.",)
    return Section(
        f"Zone {name}", words=words, table=_facts(_of(made, f"zone.{name}"), units), pictures=pictures
    )


def _pictures(name: str, answer: Worked, units: Units) -> tuple[tuple[str, str], ...]:
    """Return the pressure along the first and the last lateral, and the map of travel time."""
    pressures, metres = scale("kPa", units), scale("m", units)
    along = np.cumsum(answer.layout.lateral.lengths) * metres.factor
    rows = {"first lateral": answer.state.pressure[0], "last lateral": answer.state.pressure[-1]}
    lines = [Line(label, along, row * pressures.factor + pressures.offset) for label, row in rows.items()]
    pressure = line_chart(
        lines,
        Axis(f"along the lateral [{metres.unit}]", zero=True),
        Axis(f"pressure [{pressures.unit}]"),
        title=f"Pressure along the laterals of {name}",
    )
    minutes = travel_times(answer.layout, answer.state).places / 60.0
    travel = pipe_map(minutes, title=f"Travel time to every emitter of {name}")
    return (
        (pressure, f"Pressure along the laterals of {name}"),
        (travel, f"Travel time from the head to every emitter of {name}"),
    )


def _places(made: Sheet, units: Units, table: str, word: str) -> list[Section]:
    """Return one section for each injector or stock that has facts."""
    places = dict.fromkeys(fact.place for fact in made.facts if fact.place.startswith(f"{table}."))
    return [
        Section(f"{word} {place.split('.', 1)[1]}", table=_facts(_of(made, place), units)) for place in places
    ]


def _abilities(found: list[Ability]) -> Table:
    """Return what the sensors will tell as a table."""
    rows = tuple(
        (
            a.zone,
            a.estimate,
            "\N{PLUS-MINUS SIGN}" + f"{100 * a.half_width:.1f} %" if a.half_width is not None else "",
            a.by,
            a.next_sensor or "nothing is lacking",
        )
        for a in found
    )
    return Table(("Zone", "Estimate", "95 % interval", "By", "One more sensor would buy"), rows, numbers=(2,))
