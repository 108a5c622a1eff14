"""Values as people read them."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from dashboard.display import duration, quantity_scale, ratio, scale, when, zone_name

NB = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("quantity", "value", "metric", "us"),
    [
        ("flow", 800.0, "800 L/h", "3.52 gal/min"),
        ("pressure", 100.0, "100 kPa", "14.5 psi"),
        ("conductivity", 2.05, "2.05 mS/cm", "2.05 mS/cm"),
        ("temperature", 25.0, "25.0 °C", "77.0 °F"),
        ("level", 254.0, "254 mm", "10.0 in"),
        ("valve state", 1.0, "1.00", "1.00"),
    ],
)
def test_scale_shows_both_unit_systems(quantity: str, value: float, metric: str, us: str) -> None:
    """A stored value is shown in the reader's unit, with the decimals of a meter of the trade."""
    assert quantity_scale(quantity, "metric").text(value).replace(NB, " ") == metric
    assert quantity_scale(quantity, "us").text(value).replace(NB, " ") == us


def test_scale_writes_no_number_where_there_is_none() -> None:
    """None and NaN are a dash, never a nought."""
    assert scale("L", "metric").text(None) == "\N{EN DASH}"
    assert scale("L", "metric").text(float("nan")) == "\N{EN DASH}"


def test_scale_of_arrays_is_that_of_single_values() -> None:
    """A chart's axis and a table's cell agree."""
    us = scale("°C", "us")

    assert us.shown(np.array([0.0, 100.0])).tolist() == [32.0, 212.0]


@pytest.mark.parametrize(
    ("fraction", "text"),
    [(0.01, "1:100"), (0.005, "1:200"), (0.0645, "1:15.5"), (0.0, "\N{EN DASH}"), (None, "\N{EN DASH}")],
)
def test_ratio_is_one_part_in_parts_of_solution(fraction: float | None, text: str) -> None:
    """1:100 is 1 part in 100 parts of solution, so f = 0.01."""
    assert ratio(fraction) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (59.6, "1 min"),
        (754, "12 min 34 s"),
        (3600, "1 h"),
        (93784, "1 d 2 h"),
        (-5, "\N{MINUS SIGN}5 s"),
    ],
)
def test_duration_uses_the_units_that_matter(seconds: float, text: str) -> None:
    """Two units at most, the largest first."""
    assert duration(seconds) == text


def test_when_is_short_but_never_in_doubt() -> None:
    """Today and yesterday go by the site's calendar, older times carry their date."""
    tz = ZoneInfo("America/New_York")
    now = pd.Timestamp("2026-11-25T03:00:00Z")

    assert when(pd.Timestamp("2026-11-25T02:30:00Z"), tz, now) == "today 21:30"
    assert when(pd.Timestamp("2026-11-24T04:00:00Z"), tz, now) == "yesterday 23:00"
    assert when(pd.Timestamp("2026-11-01T12:00:00Z"), tz, now) == "Sun 1 Nov 2026, 07:00"


def test_zone_name_carries_the_offset_of_the_moment() -> None:
    """Summer and winter time of one zone are told apart."""
    tz = ZoneInfo("America/St_Johns")

    assert zone_name(pd.Timestamp("2026-07-01", tz="UTC"), tz) == "America/St_Johns (UTC\N{MINUS SIGN}2:30)"
    assert zone_name(pd.Timestamp("2026-12-01", tz="UTC"), tz) == "America/St_Johns (UTC\N{MINUS SIGN}3:30)"
