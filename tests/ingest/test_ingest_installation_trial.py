"""A trial in the installation file: treatments, plots, and what is said where they do not hang together."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest

from ingest.description import describe
from ingest.installation_schema import schema
from ingest.installation_trial import area_of_plot, share_of_zone
from ingest.load_installation import InstallationError, load, loads

ROOT = Path(__file__).parents[2]

TRIAL = """\
name = "Fen Bench"
timezone = "Europe/Lisbon"

[supply]
kind = "potable"
backflow_preventer = "reduced pressure"

[zone.long]
area = "60 m2"
emitters = [{ count = 400, flow = "2 L/h" }]

[zone.short]
area = "40 m2"
emitters = [{ count = 200, flow = "2 L/h" }]

[treatment.full]
target = { N = "0.4 g/m2 per run", water = "6 L/m2 per run" }
margin = "10 %"

[treatment.half]
target = { N = "0.2 g/m2 per run" }
same_as = "full"

[plot.p1]
zone = "long"
treatment = "full"
block = "1"
area = "30 m2"

[plot.p2]
zone = "long"
treatment = "half"
area = "30 m2"

[plot.p3]
zone = "short"
treatment = "half"

[sensor.flow]
quantity = "flow"
point = "mixed"
unit = "L/h"
source = { csv = "flow" }
"""


def _told(good: str, bad: str) -> str:
    """Return what is said of the file with some of its text changed."""
    assert TRIAL.count(good) == 1
    with pytest.raises(InstallationError, match=r"fen\.toml") as caught:
        loads(TRIAL.replace(good, bad).encode(), source="fen.toml")
    return str(caught.value)


def test_trial_is_read_in_stored_units() -> None:
    """Targets are in g/m2 and L/m2, the margin is a share, and plots name their treatment and zone."""
    found = loads(TRIAL.encode())

    assert found.treatment["full"].target.nutrients == {"N": pytest.approx(0.4)}
    assert found.treatment["full"].target.water == pytest.approx(6.0)
    assert found.treatment["full"].margin == pytest.approx(0.10)
    assert found.treatment["half"].margin is None
    assert [(p.zone, p.treatment) for p in found.plot.values()] == [
        ("long", "full"),
        ("long", "half"),
        ("short", "half"),
    ]


@pytest.mark.parametrize("text", ["6 mm per run", "6 L/m2", "0.236220472 in"])
def test_water_on_the_ground_is_read_in_any_usual_unit(text: str) -> None:
    """A depth of water and litres on a square metre are the same thing."""
    found = loads(TRIAL.replace("6 L/m2 per run", text).encode())

    assert found.treatment["full"].target.water == pytest.approx(6.0, rel=1e-6)


def test_share_of_the_zone_follows_ground_or_emitters() -> None:
    """A plot gets its zone's water by its ground, or by its own emitters where it states them."""
    text = TRIAL.replace('block = "1"', 'emitters = [{ count = 100, flow = "4 L/h" }]')
    plain, own = loads(TRIAL.encode()), loads(text.encode())

    assert share_of_zone(plain.plot["p2"], plain.zone["long"], alone=False) == pytest.approx(0.5)
    assert share_of_zone(own.plot["p1"], own.zone["long"], alone=False) == pytest.approx(0.5)
    assert share_of_zone(plain.plot["p3"], plain.zone["short"], alone=True) == 1.0
    assert area_of_plot(plain.plot["p3"], plain.zone["short"]) == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("good", "bad", "told"),
    [
        (
            'treatment = "full"',
            'treatment = "ful"',
            (
                'line 26, [plot.p1] treatment = "ful": there is no [treatment.ful]; '
                'expected one of "full", "half"; did you mean "full"?'
            ),
        ),
        (
            'zone = "short"\n',
            'zone = "shrot"\n',
            (
                'line 36, [plot.p3] zone = "shrot": there is no [zone.shrot]; '
                'expected one of "long", "short"; did you mean "short"?'
            ),
        ),
        ('block = "1"', 'blok = "1"', '[plot.p1] blok: unknown key; did you mean "block"?'),
        ('margin = "10 %"', "margin = 10", "[treatment.full] margin = 10: the unit is missing"),
        ('margin = "10 %"', 'margin = "0 %"', '[treatment.full] margin = "0 %": expected more than 0'),
        (
            'same_as = "full"',
            'same_as = "fulll"',
            'line 22, [treatment.half] same_as = "fulll": expected another treatment: "full"; did you mean "full"?',
        ),
        ('same_as = "full"', 'same_as = "half"', "expected another treatment"),
        (
            'water = "6 L/m2 per run"',
            'watr = "6 L/m2"',
            'watr is neither an element, like N or K2O, nor water; did you mean "water"?',
        ),
        ('"6 L/m2 per run"', '"6 kPa"', "'kPa' is not a unit of water depth"),
        ('area = "30 m2"\n\n[plot.p2]', "[plot.p2]", "[zone.long] holds more than one plot"),
        (
            'block = "1"\narea = "30 m2"',
            'area = "31 m2"',
            "[plot.p2] area: the plots of [zone.long] add up to 61 m2, and the zone has 60 m2",
        ),
        ('area = "40 m2"\n', "", "[plot.p3] area: this key is missing here and in [zone.short]"),
        (
            'block = "1"',
            'emitters = [{ count = 500, flow = "2 L/h" }]',
            "the plots of [zone.long] take 1000 L/h, and its emitters give 800",
        ),
    ],
)
def test_mistake_in_a_trial_is_told_with_its_mend(good: str, bad: str, told: str) -> None:
    """Names that lead nowhere, wrong keys, missing ground and too many plots each say what was expected."""
    assert told in _told(good, bad)


def test_target_that_the_stock_does_not_state_is_told() -> None:
    """A dose of P cannot be told where the stock states P2O5; without a stock nothing is said."""
    stock = '[injector.main]\nkind = "venturi"\n[stock.A]\ninjector = "main"\nnutrients = { N = "20 g/L", P2O5 = "9 g/L" }\n'
    wrong = TRIAL.replace('N = "0.2 g/m2 per run"', 'P = "0.2 g/m2 per run"')

    assert loads((TRIAL + stock).encode()).stock_of("long") is not None
    assert loads(wrong.encode()).stock_of("long") is None
    with pytest.raises(
        InstallationError, match=r"\[treatment\.half\] target: the stock of \[plot\.p2\] states no P; "
    ):
        loads((wrong + stock).encode())


def test_check_shows_the_trial() -> None:
    """The description names each treatment with target, margin and plots, and each plot with its share."""
    shown = describe(loads(TRIAL.encode()))

    assert "full       N 0.4 g/m2, water 6 L/m2  10 %    p1" in shown
    assert "p2    half       long   -      30 m2   0.5" in shown


def test_schema_knows_the_trial() -> None:
    """The JSON schema takes the trial's tables and refuses a key that they do not have."""
    tables = {
        "treatment": {"full": {"target": {"N": "0.4 g/m2 per run", "water": "6 mm"}, "margin": "5 %"}},
        "plot": {"p1": {"zone": "a", "treatment": "full", "block": "1"}},
    }
    whole = {**schema(), "required": []}

    jsonschema.validate(tables, whole)
    with pytest.raises(jsonschema.ValidationError, match="blok"):
        jsonschema.validate({"plot": {"p1": {"zone": "a", "treatment": "full", "blok": "1"}}}, whole)


def test_sample_installation_has_a_trial() -> None:
    """The sample file describes two treatments on three plots."""
    found = load(ROOT / "sample_data" / "installation.toml")

    assert {plot.treatment for plot in found.plot.values()} == set(found.treatment) == {"even", "fading"}
