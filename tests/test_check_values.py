"""Walk the published check values: every number as printed, with its source beside it.

A file in ``tests/check_values`` holds ``[[check]]`` tables:

``claim``      what the number shows
``source``     author, title, year; ``place`` the table, equation or page
``mark``       "seen", "seen in a second-hand copy", "from memory", "computed", "constructed",
               or "common practice, no source"
``call``       ``"package.module:function"``
``arguments``  positional arguments; ``keywords`` keyword arguments (both optional)
``pick``       optional: attribute, key or index of what the call returns
``printed``    the result as printed, as text; half a unit of its last digit is the tolerance
``within``     optional: a wider tolerance, with ``why`` it is needed
"""

from __future__ import annotations

import importlib
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parent / "check_values"
MARKS = {
    "seen",
    "seen in a second-hand copy",
    "from memory",
    "computed",
    "constructed",
    "common practice, no source",
}


def _checks() -> list[Any]:
    """Return every check as a parameter whose id is its citation."""
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        for number, check in enumerate(tomllib.loads(path.read_text("utf-8")).get("check", [])):
            name = f"{path.stem}-{number}: {check['claim']} ({check['source']}, {check['mark']})"
            found.append(pytest.param(check, id=name))
    return found


def _half_last_digit(printed: str) -> float:
    """Return half a unit of the last printed digit."""
    exponent = Decimal(printed).as_tuple().exponent
    return float(Decimal(5).scaleb(int(exponent) - 1))


def _pick(result: Any, what: str | int | None) -> Any:
    """Return the part of a result that the check is about."""
    if what is None:
        return result
    if isinstance(what, str) and hasattr(result, what):
        return getattr(result, what)
    return result[what]


@pytest.mark.parametrize("check", _checks())
def test_printed_value_is_met(check: dict[str, Any]) -> None:
    """The function returns the printed number within half a unit of its last digit."""
    module, function = check["call"].split(":")
    call = getattr(importlib.import_module(module), function)

    result = _pick(call(*check.get("arguments", []), **check.get("keywords", {})), check.get("pick"))

    tolerance = check.get("within", _half_last_digit(check["printed"]) * (1 + 1e-9))
    assert float(result) == pytest.approx(float(check["printed"]), abs=tolerance, rel=0)


@pytest.mark.parametrize("check", _checks())
def test_check_names_its_source(check: dict[str, Any]) -> None:
    """Every check names its source, its place and a known mark, and says why where it is looser."""
    assert check["source"]
    assert check["place"]
    assert check["mark"] in MARKS
    assert ("within" in check) == ("why" in check)
