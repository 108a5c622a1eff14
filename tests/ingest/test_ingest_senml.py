"""SenML packs: published examples and their resolved forms, and what is refused."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from ingest.formats import senml_cbor
from ingest.formats.senml import PackError, Problem, Resolved, resolve
from ingest.formats.units import quantity_units, stored_value
from tests.support.bench import DEVICE, NOW_S, decode, message, readings

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT.parent / "shared" / "datasets" / "senml_rfc8428"
PACKS = tomllib.loads((ROOT / "tests" / "check_values" / "senml.toml").read_text("utf-8"))["pack"]

without_examples = pytest.mark.skipif(
    not EXAMPLES.is_dir(), reason="the example packs of RFC 8428 are not beside the repository"
)


def _resolved(pack: object) -> list[Resolved]:
    """Return every record of a pack that has nothing wrong with it."""
    records = list(resolve(pack))
    assert not [record for record in records if isinstance(record, Problem)]
    return [record for record in records if isinstance(record, Resolved)]


def _with_values(pack: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the records that are more than base fields."""
    return [row for row in pack if row.keys() & {"v", "vs", "vb", "vd", "s"}]


@pytest.mark.parametrize("pack", [pytest.param(p, id=f"{p['claim']} ({p['place']})") for p in PACKS])
def test_published_pack_is_resolved(pack: dict[str, Any]) -> None:
    """A published pack has the names, units, times and values that its source gives."""
    records = _resolved(json.loads(pack["json"]))

    assert [(r.name, r.unit or "", r.value) for r in records] == [
        (n, u, v) for n, u, _, v in pack["resolved"]
    ]
    assert [r.time_s for r in records] == pytest.approx([t for _, _, t, _ in pack["resolved"]], abs=5e-4)
    if "absolute" in pack:
        assert [r.absolute_s(pack["received"]) for r in records] == pack["absolute"]


@without_examples
@pytest.mark.parametrize("number", [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12])
def test_example_of_the_standard_is_resolved(number: int) -> None:
    """Each example pack of RFC 8428 resolves to the form published beside it.

    Records without a time are resolved to the moment of resolving there, so those times are not compared;
    values that are bytes are left out there.
    """
    pack = json.loads((EXAMPLES / f"ex{number}.json").read_text())
    wanted = json.loads((EXAMPLES / f"ex{number}.resolved.json").read_text())

    records = [r for r, row in zip(_resolved(pack), _with_values(pack), strict=True) if "vd" not in row]

    wanted_values = [w.get("v", w.get("vs", w.get("vb"))) for w in wanted]
    assert [(r.name, r.unit, r.total) for r in records] == [(w["n"], w.get("u"), w.get("s")) for w in wanted]
    assert [r.value for r in records] == wanted_values
    timed = [(r.time_s, w["t"]) for r, w in zip(records, wanted, strict=True) if r.time_s >= 2**28]
    assert [ours for ours, _ in timed] == pytest.approx([theirs for _, theirs in timed], abs=1e-6)


@without_examples
@pytest.mark.parametrize("number", [3, 5])
def test_cbor_example_is_the_json_example(number: int) -> None:
    """The CBOR form of an example pack resolves to the same records as its JSON form."""
    cbor = senml_cbor.loads((EXAMPLES / f"ex{number}.gen.cbor").read_bytes())
    text = json.loads((EXAMPLES / f"ex{number}.json").read_text())

    assert _resolved(cbor) == _resolved(text)


@without_examples
def test_example_without_published_form_resolves() -> None:
    """The thirteenth example has two names, tenths of seconds, and the base unit everywhere."""
    records = _resolved(json.loads((EXAMPLES / "ex13.json").read_text()))

    assert {r.name for r in records} == {"2001:db8::3", "2001:db8::4"}
    assert {r.unit for r in records} == {"/"}
    assert [r.time_s - 1320078429 for r in records] == pytest.approx([0, 0, 0.1, 0.1], abs=1e-6)


@pytest.mark.parametrize(
    ("pack", "reason", "words"),
    [
        ({"n": "a", "v": 1}, "syntax", "a SenML pack is a list of records"),
        ([{"n": "a", "v": 1, "bver": 11}], "version", "record 0: bver is 11; known are 1 to 10"),
        ([{"n": "a", "v": 1, "bver": 42}], "version", "bver is 42"),
        ([{"n": "a", "v": 1}, {"n": "b", "v": 1, "x_": 1}], "must understand", "record 1: label 'x_'"),
        ([{"bn": 3, "n": "a", "v": 1}], "name", "record 0: bn is 3; expected text"),
        ([{"bt": "now", "n": "a", "v": 1}], "time", "record 0: bt is 'now'; expected a finite number"),
        ([{"bu": 3, "n": "a", "v": 1}], "unit", "record 0: bu is 3; expected text"),
    ],
)
def test_untrustworthy_pack_is_refused_whole(pack: object, reason: str, words: str) -> None:
    """A version, a must-understand label or a base field that cannot be trusted refuses the whole pack."""
    with pytest.raises(PackError, match=words.replace("[", r"\[")) as caught:
        list(resolve(pack))

    assert caught.value.reason == reason


@pytest.mark.parametrize(
    ("record", "reason", "words"),
    [
        ({"n": "flow", "v": "7"}, "not a number", "record 1: v is '7'"),
        ({"n": "flow", "v": True}, "not a number", "record 1: v is True"),
        ({"n": "flow", "vs": "seven"}, "not a number", "'seven' for sensor flow, which takes flow in L/h"),
        ({"n": "flow", "vb": True}, "not a number", "True for sensor flow"),
        ({"n": "flow", "vd": "aGkgCg"}, "not a number", "'aGkgCg' for sensor flow"),
        ({"n": "flow", "v": 1, "vs": "x"}, "syntax", "record 1: v and vs at once"),
        ({"n": "flow"}, "no value", "record 1: no v, vb, vs, vd or s"),
        ({"n": "flow", "v": 1, "t": "noon"}, "time", "record 1: t is 'noon'; expected seconds as a number"),
        ({"n": "flow", "v": 1, "u": 7}, "unit", "record 1: u is 7; expected text"),
        ({"n": "flow", "v": 1, "u": "kPa"}, "unit", "'kPa' for sensor flow, which takes flow in L/h"),
        ({"n": "flöw", "v": 1}, "name", "record 1: the name is"),
        ({"n": "flwo", "v": 1}, "unknown sensor", "no sensor has source senml = '" + DEVICE + "flwo'"),
        ({"n": "flow", "v": 1, "t": 1e9}, "clock", "flow: time is"),
        ({"n": "flow", "v": 1, "t": -1.5e9}, "clock", "is before 2000; is the device's clock set?"),
        ({"n": "pressure", "v": 12, "t": -3e7}, "calibration", "pressure: 12 mA, and no calibration valid"),
        (7, "syntax", "record 1: expected an object, found 7"),
    ],
)
def test_bad_record_is_told_and_the_good_ones_kept(record: object, reason: str, words: str) -> None:
    """One bad record inside a good pack is one reject; those before and after it are stored."""
    good = {"bn": DEVICE, "bt": NOW_S, "n": "flow", "v": 500}
    decoded = decode(message([good, record, {"n": "flow", "t": -10, "v": 510}]))

    assert readings(decoded) == [("flow", 0.0, 500.0), ("flow", -10.0, 510.0)]
    assert [(r.reason, r.message, r.count) for r in decoded.rejects] == [(reason, 0, 1)]
    assert words in decoded.rejects[0].detail


def test_record_of_base_fields_only_is_no_reject() -> None:
    """A first record that only sets base fields, as older devices send it, is taken for what it is."""
    decoded = decode(message([{"bn": DEVICE, "bt": NOW_S - 5}, {"n": "flow", "v": 7}]))

    assert readings(decoded) == [("flow", -5.0, 7.0)]
    assert decoded.rejects == []


def test_value_and_sum_of_one_record_are_two_readings() -> None:
    """A record's value and its sum go to the sensors that ask for them, each in its own unit."""
    decoded = decode(message([{"n": DEVICE + "flow", "u": "m3/s", "v": 0.0001, "s": 0.25}]))

    assert readings(decoded) == [("flow", 0.0, pytest.approx(360.0)), ("total", 0.0, 250.0)]


def test_secondary_unit_is_taken_in_any_version() -> None:
    """A secondary unit is unambiguous, so it is read whether or not the version announces it."""
    for version in (10, 26):
        pack = [{"bver": version, "n": "t", "u": "Cel", "v": 20}]
        assert readings(decode(message(pack, "bench/short/x"))) == [("short", 0.0, 20.0)]


def test_unit_of_another_quantity_is_refused() -> None:
    """A unit that does not measure the quantity is never converted into it."""
    with pytest.raises(ValueError, match="'m3' is not a unit of flow"):
        stored_value(1.0, "m3", "flow")


def test_temperature_units_have_their_zero() -> None:
    """Kelvin and Fahrenheit are shifted as well as scaled."""
    assert stored_value(298.15, "K", "temperature") == pytest.approx(25.0)
    assert stored_value(77.0, "°F", "temperature") == pytest.approx(25.0)


def test_every_quantity_takes_its_stored_unit_unchanged() -> None:
    """The stored unit of a quantity is among those that a device may send, with scale 1."""
    for quantity in ("flow", "volume", "pressure", "conductivity", "temperature", "level", "mass"):
        assert (1.0, 0.0) in quantity_units(quantity).values()
