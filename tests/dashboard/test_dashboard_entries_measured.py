"""What was measured by hand is checked as the files are, and told as used or not used by the analysis."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from dashboard import entries_measured as measured
from dashboard.in_file import states
from ingest.errors import UserError
from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")


def test_calibration_gives_the_lines_that_the_file_needs(installation: Installation) -> None:
    """A calibration is checked by the file's own model, and told as its lines."""
    form = {"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 0\n1000; 1012,5"}

    made = measured.calibration(form, installation, NOW)

    assert made["file"] == (
        "[sensor.head_flow]\ncalibration = [{ from = 2026-11-25, points = [[0, 0], [1000, 1012.5]] }]"
    )


@pytest.mark.parametrize(
    ("form", "problem"),
    [
        ({"sensor": "nope", "when": "2026-11-25", "pairs": "0 0"}, "no sensor"),
        ({"sensor": "head_flow", "when": "soon", "pairs": "0 0"}, "no day"),
        ({"sensor": "head_flow", "when": "2026-11-26", "pairs": "0 0"}, "in the future"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": '0 0 "'}, "with its unit"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 0 mg/L"}, "mg/L"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": ""}, "nothing is filled in"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 zero"}, "as numbers"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": "1 inf"}, "as numbers"),
    ],
)
def test_calibration_refuses(installation: Installation, form: dict[str, object], problem: str) -> None:
    """A calibration that the file would refuse is refused here."""
    with pytest.raises(ValueError, match=problem):
        measured.calibration(form, installation, NOW)


def test_dilutions_are_checked_as_the_file_is(installation: Installation) -> None:
    """A series that rises is kept; one that falls is refused with the file's own words."""
    good = measured.dilutions({"stock": "A", "series": "water 0.48\n1:200 1,31\n1:100 2.05"}, installation)

    assert (
        'dilutions = [["water", "0.48 mS/cm"], ["1:200", "1.31 mS/cm"], ["1:100", "2.05 mS/cm"]]'
        in good["file"]
    )
    with pytest.raises(ValueError, match="EC to rise"):
        measured.dilutions({"stock": "A", "series": "water 0.48\n1:200 3\n1:100 2.05"}, installation)
    with pytest.raises(ValueError, match="no stock"):
        measured.dilutions({"stock": "Z", "series": "water 0.48"}, installation)


CATCHES = (
    "100 100\n98; 102",
    "2.0 2.0 1.96 2.04 L/h",
    "flow [L/h],pressure [kPa]\n2.0,100\n2.0,101\n1.96,98\n2.04,103\n",
    "volume [mL],time [min]\n100,3\n100,3\n98,3\n102,3\n",
)


@pytest.mark.parametrize("caught", CATCHES)
def test_catch_test_is_turned_into_flow(installation: Installation, caught: str) -> None:
    """100 mL in 3 min are 2 L/h, typed as millilitres, as flows with their unit, or as a table."""
    form = {"zone": "bench1", "when": "2026-11-24 10:00", "minutes": "3", "caught": caught}
    made = measured.catch_test(form, installation, NOW)

    assert made["flow_l_h"] == pytest.approx([2.0, 2.0, 1.96, 2.04])
    assert (made["time"], made["written"]) == ("2026-11-24T10:00:00+00:00", NOW.isoformat())
    assert ("pressure_kpa" in made) == ("pressure" in caught)


@pytest.mark.parametrize(
    ("caught", "minutes", "problem"),
    [
        ("", "3", "nothing is filled in"),
        ("100", "3", "at least 4"),
        ("100 100 100 -1", "3", "not negative"),
        ("100 100 100 100", "", "as numbers"),
        ("100 100 100 100", "0", "above 0"),
        ("a b c d", "3", "expected flows and their unit"),
        ("2 2 2 2 parsecs", "3", "parsecs"),
        ("flow\n2\n2\n2\n2\n", "3", "expected flows and their unit"),
        ("flow [L/h],pressure [kPa]\n2,100\n2,100\n2,0\n2,100\n", "3", "above zero"),
        ("flow [L/h]\n2\n2\ntwo\n2\n", "3", "line 4"),
    ],
)
def test_catch_test_refuses(installation: Installation, caught: str, minutes: str, problem: str) -> None:
    """What is no catch test is refused in words that name what is wrong."""
    with pytest.raises((ValueError, UserError), match=problem):
        measured.catch_test({"zone": "bench1", "minutes": minutes, "caught": caught}, installation, NOW)


def _row(what: str, content: dict[str, Any]) -> dict[str, Any]:
    return {"what": what, "person": "B. Ash", "time": NOW.isoformat(), **content}


def _with_calibration(
    installation: Installation, sensor: str, calibration: list[dict[str, Any]]
) -> Installation:
    """Return the installation as it is once the lines are in its file."""
    table = installation.model_copy(deep=True)
    described = table.sensor[sensor].model_copy(
        update={
            "calibration": type(table.sensor[sensor])
            .model_validate({**SENSOR, "calibration": calibration})
            .calibration
        }
    )
    return table.model_copy(update={"sensor": {**table.sensor, sensor: described}})


SENSOR = {"quantity": "flow", "point": "source", "unit": "L/h", "source": {"csv": "x"}}


def test_calibration_waits_until_the_file_has_it(installation: Installation) -> None:
    """A calibration waits until the installation has it, is replaced by a newer one, and then is used."""
    form = {"sensor": "head_flow", "when": "2026-11-20", "pairs": "0 0\n1000 1012.5"}
    first = _row("calibration", measured.calibration(form, installation, NOW))
    second = _row("calibration", measured.calibration({**form, "pairs": "0 0\n1000 1010"}, installation, NOW))
    there = _with_calibration(
        installation, "head_flow", [{"from": "2026-11-20", "points": [[0, 0], [1000, 1010]]}]
    )

    assert [state for _, state in states([second, first], installation)] == ["waiting", "replaced"]
    assert [state for _, state in states([second, first], there)] == ["used", "replaced"]


def test_calibration_keeps_those_that_the_file_has(installation: Installation) -> None:
    """The lines for the file hold the calibrations that are there already, so that none is lost."""
    there = _with_calibration(
        installation, "head_flow", [{"from": "2026-03-01", "points": [[0, 0], [1000, 1010]]}]
    )
    made = measured.calibration({"sensor": "head_flow", "when": "", "pairs": "0 1"}, there, NOW)

    assert '{ from = 2026-03-01, points = [[0, "0 L/h"], [1000, "1010 L/h"]] }' in made["file"]
    assert "{ from = 2026-11-25, points = [[0, 1]] }" in made["file"]


def test_dilutions_of_the_file_are_in_use(installation: Installation) -> None:
    """A series that the file has is told as used, another one as waiting, one of a lost stock as gone."""
    same = "water 0.48\n1:400 0.93\n1:200 1.31\n1:100 2.05\n1:50 3.46"
    rows = [
        _row("dilution series", measured.dilutions({"stock": "A", "series": series}, installation))
        for series in ("water 0.48\n1:100 2.11", same)
    ]
    lost = {**rows[0], "stock": "Z"}

    assert [state for _, state in states([*rows, lost], installation)] == ["waiting", "used", "gone"]
