"""The installation file: ten broken ones with their messages, several mistakes at once, and units."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from ingest.installation import DanglingNamesError, Installation
from ingest.load_installation import MAX_SIZE, InstallationError, load, loads
from tests.support.bench import DEVICE

ROOT = Path(__file__).parents[2]

GOOD = """\
name = "Fen Bench"
timezone = "Europe/Lisbon"

[supply]
kind = "potable"
backflow_preventer = "reduced pressure"
pressure = "320 kPa"

[injector.main]
kind = "proportional pump"
ratio = "1:100"

[stock.A]
injector = "main"
dilutions = [
  ["water", "0.48 mS/cm"],
  ["1:100", "2.05 mS/cm"],
]

[zone.bench1]
injector = "main"
emitters = [{ count = 480, flow = "2 L/h" }]

[sensor.head_flow]
quantity = "flow"
point = "mixed"
unit = "L/h"
range = ["0 L/h", "3000 L/h"]
source = { senml = "urn:dev:mac:02005e0000530a01:flow" }

[sensor.bench1_pressure]
quantity = "pressure"
point = "zone"
zone = "bench1"
unit = "kPa"
source = { topic = "fen/bench1/pressure" }
"""

BROKEN = [
    (
        'name = "Fen Bench"\n',
        'name = "Fen Bench\n',
        (
            "fen.toml, line 1, the file: not TOML at column 18: illegal character '\\n'; "
            "the line is 'name = \"Fen Bench'"
        ),
    ),
    (
        'timezone = "Europe/Lisbon"',
        'timezone = "Europe/Lisboa"',
        (
            'fen.toml, line 2, timezone = "Europe/Lisboa": expected a time zone of the IANA list, '
            'like "Europe/Lisbon"; did you mean "Europe/Lisbon"?'
        ),
    ),
    (
        'pressure = "320 kPa"',
        'presure = "320 kPa"',
        'fen.toml, line 7, [supply] presure: unknown key; did you mean "pressure"?',
    ),
    (
        'pressure = "320 kPa"',
        'pressure = "320 kpa"',
        (
            "fen.toml, line 7, [supply] pressure = \"320 kpa\": 'kpa' is not a unit of pressure; "
            'expected a pressure with its unit, like "10 kPa" or "10 psi"; did you mean "kPa"?'
        ),
    ),
    (
        'ratio = "1:100"',
        "ratio = 100",
        (
            "fen.toml, line 11, [injector.main] ratio = 100: expected a ratio, "
            'like "1:100" (1 part in 100 parts of solution), "1 to 100 of water", or "1 %"'
        ),
    ),
    (
        '["1:100", "2.05 mS/cm"]',
        '["1:100", "2.05"]',
        (
            'fen.toml, line 17, [stock.A] dilutions entry 2 entry 2 = "2.05": the unit is missing; '
            'expected a conductivity with its unit, like "10 mS/cm"'
        ),
    ),
    (
        'injector = "main"\nemitters',
        'injector = "mian"\nemitters',
        (
            'fen.toml, line 21, [zone.bench1] injector = "mian": there is no [injector.mian]; '
            'expected "main"; did you mean "main"?'
        ),
    ),
    (
        "count = 480",
        "count = 48.5",
        "fen.toml, line 22, [zone.bench1] emitters entry 1 count = 48.5: expected a whole number",
    ),
    (
        'quantity = "flow"',
        'quantity = "flwo"',
        (
            'fen.toml, line 25, [sensor.head_flow] quantity = "flwo": expected one of flow, volume, pressure, '
            'conductivity, temperature, level, mass, valve state, concentration; did you mean "flow"?'
        ),
    ),
    (
        'point = "zone"\nzone = "bench1"',
        'point = "zone"',
        (
            "fen.toml, line 31, [sensor.bench1_pressure] zone: this key is missing: "
            'a sensor at this point belongs to a zone, "bench1"'
        ),
    ),
]


def _error(text: str | bytes) -> InstallationError:
    """Return the error that a file raises."""
    with pytest.raises(InstallationError, match=r"fen\.toml") as caught:
        loads(text if isinstance(text, bytes) else text.encode(), source="fen.toml")
    return caught.value


def _changed(*changes: tuple[str, str]) -> str:
    """Return the good file with some of its text changed."""
    text = GOOD
    for good, bad in changes:
        assert text.count(good) == 1
        text = text.replace(good, bad)
    return text


@pytest.mark.parametrize(
    ("good", "bad", "told"), [pytest.param(*row, id=f"{n}: {row[1][:30]!r}") for n, row in enumerate(BROKEN)]
)
def test_broken_file_gets_its_own_message(good: str, bad: str, told: str) -> None:
    """Each broken file names the file, the line, the table, the key, the value and the mend; mended, it loads."""
    assert str(_error(_changed((good, bad)))) == told
    assert loads(GOOD.encode(), source="fen.toml").name == "Fen Bench"


def test_all_mistakes_are_told_at_once() -> None:
    """A file with many mistakes names each of them, in the order of the file."""
    error = _error(_changed(*[(good, bad) for good, bad, _ in BROKEN[1:3] + BROKEN[4:]]))

    assert str(error).startswith("fen.toml has 8 problems:\n  line 2, timezone")
    assert [problem.line for problem in error.problems] == [2, 7, 11, 17, 21, 22, 25, 31]


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        ('kind = "potable"', 'kind = "drinking"', 'expected one of "potable", "well", "surface"'),
        ('pressure = "320 kPa"', 'pressure = "320"', "the unit is missing"),
        ('pressure = "320 kPa"', "pressure = 320", "the unit is missing"),
        ('pressure = "320 kPa"', 'pressure = "320 L/h"', "'L/h' is not a unit of pressure"),
        ('pressure = "320 kPa"', 'pressure = "320 bar"', "that is 32000 kPa; expected 0 to 2500 kPa"),
        ('pressure = "320 kPa"', 'tested = "soon"', "expected a day, like 2026-03-01"),
        ('ratio = "1:100"', 'ratio = "100:1"', "expected a ratio"),
        ('ratio = "1:100"', 'flow_range = ["9 L/h", "1 L/h"]', "expected the lower end first"),
        ('["1:100", "2.05 mS/cm"]', '["1:100", "0.1 mS/cm"]', "expected EC to rise"),
        ("[zone.bench1]", '[zone."bench 1"]', "expected a table's name"),
        ("count = 480", "count = 0", "expected more than 0"),
        ("count = 480", 'count = "many"', "expected a whole number"),
        ('flow = "2 L/h"', 'flow = "2 L/h", exponent = 2', "expected 1.0 or less"),
        ('unit = "L/h"', 'unit = "L/hr/h"', "is not a unit that can be turned into L/h"),
        ('unit = "L/h"', 'unit = "kPa"', "'kPa' is not a unit that can be turned into L/h"),
        ('unit = "L/h"', 'unit = "mA"', "a signal in mA needs a calibration"),
        ('unit = "L/h"', 'unit = "count"\npulses_per_litre = 10', "a pulse counter has quantity"),
        ('["0 L/h", "3000 L/h"]', '["0 L/h"]', "expected two ends"),
        ('["0 L/h", "3000 L/h"]', '["3000 L/h", "0 L/h"]', "expected the lower end first"),
        ('unit = "kPa"', 'unit = "kPa"\naccuracy = "good"', "expected a pressure with its unit"),
        ('unit = "kPa"', 'unit = "kPa"\ncounter = "total"', "counter and rolls_over_at belong to"),
        ('unit = "kPa"', 'unit = "kPa"\nanalyte = "Cl"', "analyte belongs to"),
        ('{ topic = "fen/bench1/pressure" }', "{}", "expected one of senml, topic, sparkplug or csv"),
        ('{ topic = "fen/bench1/pressure" }', '{ topic = "a", sparkplug = "b" }', "expected one way only"),
        ('{ topic = "fen/bench1/pressure" }', '{ sparkplug = "b" }', "needs its edge_node"),
        ('{ topic = "fen/bench1/pressure" }', '{ topic = "a/b#" }', "expected an MQTT topic"),
        ('{ topic = "fen/bench1/pressure" }', '{ topic = "a", field = "b[x]" }', "way to the value in JSON"),
        ('{ topic = "fen/bench1/pressure" }', '{ senml = "ä" }', "its whole SenML name"),
        (
            '{ topic = "fen/bench1/pressure" }',
            f'{{ senml = "{DEVICE}flow" }}',
            "[sensor.head_flow] reads the same source",
        ),
        ('name = "Fen Bench"', 'name = ""', "expected text that is not empty"),
        ('name = "Fen Bench"', "name = 7", "expected text in quotes"),
        ("[supply]", "[supply.house]", "unknown key"),
        ('name = "Fen Bench"', "zone = []", "not TOML"),
    ],
)
def test_mistake_is_told_with_its_mend(good: str, bad: str, words: str) -> None:
    """Wrong words, units, sizes, shapes and combinations each say what was expected."""
    assert words in str(_error(_changed((good, bad))))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ("[[4, 0], [20, 600]]", 'the true value needs its unit, like [4, "0 kPa"]'),
        ('[[4, "0 kPa"], [4, "600 kPa"]]', "differ from point to point"),
        ('[[4, "0 L"], [20, "600 kPa"]]', "'L' is not a unit of pressure"),
        ("[]", "expected 1 or more entries"),
        ('[[4, "0 kPa", 1], [20, "600 kPa"]]', "expected 2 entries"),
    ],
)
def test_calibration_of_a_signal_is_checked(points: str, words: str) -> None:
    """A signal's true values need units of the quantity, and points that make a line."""
    bad = f'unit = "mA"\ncalibration = [{{ from = 2026-01-01, points = {points} }}]'

    assert words in str(_error(_changed(('unit = "kPa"', bad))))


def test_target_names_elements_or_says_what_it_knows() -> None:
    """A misspelled key of a target is not taken for an element."""
    more = GOOD.replace("[zone.bench1]\n", '[zone.bench1]\ntarget = { rato = "1:100" }\n')
    text = str(_error(more))

    assert 'rato is neither an element, like N or K2O, nor ratio, ec or volume; did you mean "ratio"?' in text


def test_secret_is_refused_and_never_shown() -> None:
    """A password in the file is refused without being repeated, and the way to keep it is named."""
    text = str(_error(GOOD + '[broker]\npassword = "orchid-47"\n'))

    assert "[broker] password: secrets never stand in this file; put it in a file and name that" in text
    assert "orchid-47" not in text


def test_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """A file that is not there is told with the nearest name in its folder."""
    (tmp_path / "installation.toml").write_text(GOOD)

    with pytest.raises(
        InstallationError, match=r'cannot be read: no such file.*did you mean "installation\.toml"'
    ):
        load(tmp_path / "instalation.toml")


def test_file_of_another_kind_is_told() -> None:
    """Bytes that are no text, and a file beyond any size, are told without being parsed."""
    assert "line 2, the file: byte 0xff is no UTF-8; save the file as UTF-8" in str(_error(b"a = 1\n\xff"))
    assert "larger than 4 MiB" in str(_error(b" " * (MAX_SIZE + 1)))
    assert "lists inside lists" in str(_error("a = " + "[" * 5000))


def test_mark_at_the_begin_and_windows_lines_are_read() -> None:
    """A file saved by an editor with a byte-order mark and carriage returns loads as any other."""
    assert loads(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()).name == "Fen Bench"


def test_names_that_lead_nowhere_are_found_without_the_loader() -> None:
    """The model itself refuses names that lead nowhere, with every place."""
    tables = tomllib.loads(_changed(('injector = "main"\nemitters', 'injector = "x"\nemitters')))

    with pytest.raises(ValueError, match=r"zone\.bench1\.injector names 'x'") as caught:
        Installation.model_validate(tables)
    assert "DanglingNamesError" in DanglingNamesError.__name__
    assert caught.type.__name__ == "ValidationError"


def test_sample_installation_loads() -> None:
    """The sample installation has nothing to mend."""
    assert load(ROOT / "sample_data" / "installation.toml").site == "quillfen-market-garden-low-sarrow"


def test_values_are_in_stored_units() -> None:
    """Text with any usual unit is a number in the stored unit, and a ratio is a fraction."""
    installation = loads(
        GOOD.replace("320 kPa", "50 psi").replace('flow = "2 L/h"', 'flow = "0.5 gph"').encode()
    )

    assert installation.supply.pressure == pytest.approx(344.738, abs=1e-3)
    assert installation.zone["bench1"].emitters[0].flow == pytest.approx(1.8927, abs=1e-4)
    assert installation.injector["main"].ratio == 0.01
