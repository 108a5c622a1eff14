"""``tricklebook check``: what a file says, what is wrong with it, and its schema for editors."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from ingest.description import describe
from ingest.installation_reference import reference
from ingest.installation_schema import schema
from ingest.load_installation import load
from tests.support.bench import TEXT, bench

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "installation.toml"


def _check(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a person does."""
    command = [sys.executable, "-m", "tricklebook", "check", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_check_tells_what_the_file_says() -> None:
    """A sound file is told in tables: flows of the zones as sums over their emitters, sensors, injectors."""
    done = _check(SAMPLE)

    assert (done.returncode, done.stderr) == (0, "")
    assert "bench1  400       800 L/h     pump      4" in done.stdout
    assert "Backflow preventer: reduced pressure, tested: 2026-03-02" in done.stdout


def test_check_tells_problems_on_standard_error(tmp_path: Path) -> None:
    """A file with problems prints nothing but them, on standard error, and ends with status 2."""
    broken = tmp_path / "installation.toml"
    broken.write_text(TEXT.replace('kind = "well"', 'kind = "wel"'), "utf-8")
    done = _check(broken)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        'tricklebook: installation.toml, line 6, [supply] kind = "wel": '
        'expected one of "potable", "well", "surface"; did you mean "well"?\n'
    )


def test_check_prints_the_schema() -> None:
    """The schema is printed as one JSON document."""
    done = _check("--schema")

    assert done.returncode == 0
    assert json.loads(done.stdout) == schema()


def test_description_follows_the_units_of_the_installation() -> None:
    """An installation with US units is told in US units."""
    tables = tomllib.loads(SAMPLE.read_text("utf-8")) | {"units": "us"}
    text = describe(type(load(SAMPLE)).model_validate(tables))

    assert "Supply: potable, 46.41 psi" in text
    assert "3.522 gal/min" in text


def _as_json(value: Any) -> Any:
    """Return TOML values as an editor hands them to a JSON Schema."""
    return json.loads(json.dumps(value, default=str))


@pytest.mark.parametrize("text", [SAMPLE.read_text("utf-8"), TEXT], ids=["sample", "bench"])
def test_good_files_fit_the_schema(text: str) -> None:
    """What the loader takes, the schema takes."""
    jsonschema.Draft202012Validator.check_schema(schema())

    jsonschema.validate(_as_json(tomllib.loads(text)), schema())


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ('kind = "well"', 'kind = "wel"'),
        ('name = "Bench"', "name = 7"),
        ('quantity = "flow"', 'quantity = "flwo"'),
        ('point = "supply"', 'pint = "supply"'),
        ("pulses_per_litre = 10", "pulses_per_litre = 0"),
    ],
)
def test_schema_refuses_what_the_loader_refuses(good: str, bad: str) -> None:
    """An editor with the schema marks wrong words, kinds and keys as they are typed."""
    tables = tomllib.loads(TEXT.replace(good, bad, 1))

    with pytest.raises(jsonschema.ValidationError, match=r"."):
        jsonschema.validate(_as_json(tables), schema())


def _keys(node: Any) -> list[tuple[str, dict[str, Any]]]:
    """Return every key of every table of a schema with its description."""
    tables = [node, *node.get("$defs", {}).values()]
    return [(key, entry) for table in tables for key, entry in table.get("properties", {}).items()]


def test_every_key_says_what_it_is_for() -> None:
    """Each key of each table carries its meaning, for editors and for messages."""
    tables = schema()["$defs"]
    silent = [
        key
        for key, entry in _keys(schema())
        if not {**tables.get(entry.get("$ref", "").rpartition("/")[2], {}), **entry}.get("description")
    ]

    assert silent == []


def test_page_of_keys_is_that_of_the_model() -> None:
    """The page of tables and keys says what the model takes; the command in its module writes it again."""
    page = (ROOT / "docs" / "installation.md").read_text("utf-8")

    assert page == reference(), "run: python -m ingest.installation_reference > docs/installation.md"


def test_bench_is_described_without_emitters() -> None:
    """A zone without emitters has a line without a flow."""
    assert "\na     -         -           -         2" in describe(bench())
