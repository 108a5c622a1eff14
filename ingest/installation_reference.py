"""Every table and key of ``installation.toml`` as a page to read, made from the model itself.

``python -m ingest.installation_reference > docs/installation.md`` writes it; a test holds the page to the model.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

from ingest.installation_schema import schema

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

TABLES = (
    ("", "", "The file itself"),
    ("Supply", "[supply]", "The water's source"),
    ("Water", "[water]", "The water as laboratories found it"),
    ("WaterAnalysis", "[[water.analysis]]", "One sample of it, before any stock"),
    ("Broker", "[broker]", "Where the devices publish"),
    ("Head", "[head]", "The assembly between supply and zones"),
    ("Injector", "[injector.NAME]", "One injector"),
    ("Stock", "[stock.NAME]", "One concentrate"),
    ("Zone", "[zone.NAME]", "One zone"),
    ("Emitters", "emitters of a zone", "A group of like emitters"),
    ("MainPipe", "main of a zone", "A pipe between head and manifold"),
    ("Pipe", "manifold of a zone", "A pipe"),
    ("Laterals", "laterals of a zone", "Its laterals"),
    ("Target", "target of a zone", "What it should get; an element is a key of its own"),
    ("Sensor", "[sensor.NAME]", "One sensor"),
    ("Source", "source of a sensor", "Where its readings come from"),
    ("Calibration", "calibration of a sensor", "A correction, and from when"),
    ("Treatment", "[treatment.NAME]", "One treatment of a trial"),
    ("PlotTarget", "target of a treatment", "What its plots should get; an element is a key of its own"),
    ("Plot", "[plot.NAME]", "One plot of a trial"),
)
"""Model, how the file writes it, and what it is, in the order of a file."""

INTRODUCTION = """\
# installation.toml

One file describes one drip system. `tricklebook check installation.toml` says what was understood, or
every mistake with its line and its mend; `tricklebook check --schema` prints a JSON Schema for editors.

Values carry their unit: `"320 kPa"`, `"35 psi"`, `"2 gal/h"`, `"1.8 dS/m"`. A ratio `"1:100"` is 1 part of
stock in 100 parts of solution; `"1 to 100 of water"` is 1 part added to 100. Keys that are not in bold may
be left out.

## Where readings come from

| source | what the device sends |
|---|---|
| `{ senml = "urn:dev:mac:02005e0000530a01:flow" }` | SenML, JSON or CBOR, on any topic (RFC 8428, RFC 8798, RFC 9100); \
with `field = "s"` its sum, with `topic` on that topic only |
| `{ topic = "garden/+/pressure" }` | a plain number, with or without a unit; `+` stands for one level, `#` for all |
| `{ topic = "garden/node", field = "probes[1].ec", time = "at" }` | JSON, and the way to value and time in it |
| `{ sparkplug = "Flow/Main", edge_node = "garden/node1", device = "plc" }` | a metric of Sparkplug B |
| `{ csv = "EC 1" }` | a column of a logger's file, or a name in its sensor column; may stand beside another |

A unit that the payload names wins over the sensor's own, where it measures the same quantity. A reading
without a time has the time of its receipt; one that the broker had kept is then refused. A clock more than
a day ahead, or before 2000, is refused; more than a minute ahead, the reading is suspect. What is outside a
sensor's `range` is kept and marked bad.
"""


def reference() -> str:
    """Return the page.

    Returns
    -------
    str
        Markdown, one table of keys for each table of the file.

    Examples
    --------
    >>> reference().splitlines()[0]
    '# installation.toml'
    """
    return "\n".join([INTRODUCTION, *sections(schema(), TABLES)])


def sections(whole: Mapping[str, Any], tables: Sequence[tuple[str, str, str]]) -> Iterator[str]:
    """Yield one section for each table of a file.

    Parameters
    ----------
    whole : mapping
        The file's JSON Schema.
    tables : sequence of (str, str, str)
        Model, how the file writes it, and what it is; as `TABLES`.

    Yields
    ------
    str
        A heading and a table of keys in Markdown, in turn.
    """
    for model, written, what in tables:
        node = whole["$defs"][model] if model else whole
        yield f"## {what}{f': `{written}`' if written.startswith('[') else f': {written}' if written else ''}\n"
        yield "| key | what it is | like |\n|---|---|---|\n" + "".join(_rows(node, whole["$defs"]))


def _rows(node: Mapping[str, Any], defined: Mapping[str, Any]) -> Iterator[str]:
    """Yield a row for each key of a table."""
    needed = node.get("required", [])
    for key, entry in node["properties"].items():
        target = defined.get(str(entry.get("$ref", "")).rpartition("/")[2], {})
        meaning = entry.get("description") or target.get("description", "")
        shown = f"**{key}**" if key in needed else key
        yield f"| {shown} | {meaning} | {_like(entry, defined)} |\n"


_PLAIN = {"string": "text", "integer": "a whole number", "number": "a number", "boolean": "`true` or `false`"}


def _like(entry: Mapping[str, Any], defined: Mapping[str, Any]) -> str:
    """Return what a key takes: its words, or an example."""
    kind = next(choice for choice in entry.get("anyOf", [entry]) if choice.get("type") != "null")
    many = [*kind.get("patternProperties", {}).values(), kind.get("additionalProperties"), kind.get("items")]
    inner = next((node for node in many if isinstance(node, dict)), {})
    if "$ref" in kind or "$ref" in inner:
        found = "a table" if "$ref" in kind else "tables"
    elif "enum" in kind:
        found = ", ".join(f'`"{word}"`' for word in kind["enum"])
    elif kind.get("examples"):
        found = " or ".join(f"`{json.dumps(example, ensure_ascii=False)}`" for example in kind["examples"])
    elif "prefixItems" in kind:
        found = "[" + ", ".join(_like(item, defined) for item in kind["prefixItems"]) + "]"
    elif inner:
        found = ("a list of " if "items" in kind else "name = ") + _like(inner, defined)
    else:
        found = "a day" if kind.get("format") == "date" else _PLAIN.get(str(kind.get("type")), "")
    return found


if __name__ == "__main__":
    sys.stdout.write(reference())
