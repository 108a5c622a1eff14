"""Flags of a day: provisional while it is open, final and always the same once it is closed."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

from analysis.flagged import flagged_days
from analysis.prepare import prepare
from analysis.quality.daily import DayFlags, counts, day_flags
from analysis.quality.outcomes import WORDS, Outcome, Status
from ingest import upkeep
from ingest.installation import Installation
from ingest.readings import Quality
from tests.support.archives import NOON, SITE, pack, small_installation, store, write

if TYPE_CHECKING:
    from pathlib import Path

DAY = pd.Timestamp("2026-05-01", tz="UTC")
HOURS = pd.Timedelta(hours=1)
NOISE = 0.002


def _garden() -> Installation:
    """Return a system with a flow meter, an EC cell, a thermometer and a pressure sensor in one zone."""
    return Installation.model_validate(
        {
            "name": "Home",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {"a": {"emitters": [{"count": 400, "flow": "2 L/h"}]}},
            "sensor": {
                name: {"quantity": quantity, "point": point, "unit": unit, "interval": "10 s", "source": {"csv": name}}
                | more
                for name, quantity, point, unit, more in (
                    ("flow", "flow", "zone", "L/h", {"zone": "a"}),
                    ("ec", "conductivity", "mixed", "mS/cm", {"range": ["0 mS/cm", "20 mS/cm"]}),
                    ("warm", "temperature", "mixed", "°C", {}),
                    ("pressure", "pressure", "zone", "kPa", {"zone": "a", "range": ["0 kPa", "600 kPa"]}),
                )
            },
        }
    )  # fmt: skip


def _times(start: pd.Timestamp, end: pd.Timestamp) -> pd.DatetimeIndex:
    return pd.date_range(start, end, freq="10s", inclusive="left")


def _frame(**series: pd.Series) -> pd.DataFrame:
    """Return readings as the archive has them: not evaluated at the door."""
    parts = [
        pd.DataFrame({"time": s.index, "sensor": name, "value": s.to_numpy(), "quality": np.int8(2)})
        for name, s in series.items()
    ]
    frame = pd.concat(parts, ignore_index=True)
    frame["sensor"] = pd.Categorical(frame["sensor"])
    return frame


def _ec(start: pd.Timestamp, end: pd.Timestamp) -> pd.Series:
    """Return a healthy EC cell in water of 0.5 mS/cm."""
    times = _times(start, end)
    return pd.Series(0.5 + np.random.default_rng(11).normal(0.0, NOISE, len(times)), times)


def _flags(frame: pd.DataFrame, status: Status) -> pd.Series:
    """Return the flags of the day's EC by time."""
    rows = day_flags(_garden(), frame, DAY, status).readings
    return rows[rows["sensor"] == "ec"].set_index("time")["flag"]


def test_last_readings_of_an_open_day_are_not_evaluated_yet() -> None:
    """A jump in the last reading is neither good nor suspect: nobody knows yet whether it comes back."""
    ec = _ec(DAY, DAY + HOURS)
    ec.iloc[-1] = 2.0
    flags = _flags(_frame(ec=ec), "provisional")

    assert flags.iloc[-2:].tolist() == [Quality.NOT_EVALUATED] * 2
    assert set(flags.iloc[:-2]) == {Quality.GOOD}


@pytest.mark.parametrize(
    ("after", "expected"), [(0.5, Quality.SUSPECT), (2.0, Quality.GOOD)], ids=["spike", "step"]
)
def test_next_readings_tell_a_spike_from_a_step(after: float, expected: Quality) -> None:
    """The same jump is suspect once the readings come back, and good once they stay."""
    ec = _ec(DAY, DAY + HOURS)
    ec.iloc[-4] = 2.0
    ec.iloc[-3:] = after + np.array([NOISE, -NOISE, NOISE])
    flags = _flags(_frame(ec=ec), "provisional")

    assert flags.iloc[-4] == expected


@pytest.mark.parametrize("seed", range(3))
def test_provisional_ends_where_the_reference_library_cannot_evaluate_either(seed: int) -> None:
    """At the last reading the library says 2; on the closed day both call every planted spike suspect, ours no other."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from ioos_qc import qartod  # noqa: PLC0415 - its import warns
    rng = np.random.default_rng(seed)
    ec = _ec(DAY, DAY + 26 * HOURS)
    places = np.sort(rng.choice(np.arange(10, 8600, 15), 12, replace=False))
    ec.iloc[places] += 1.5
    now = int(places[-1]) + 1
    open_day, closed = _flags(_frame(ec=ec.iloc[:now]), "provisional"), _flags(_frame(ec=ec), "final")
    theirs: Any = qartod.spike_test(ec.to_numpy()[:now], suspect_threshold=0.5, fail_threshold=5.0)
    theirs_closed = np.asarray(qartod.spike_test(ec.to_numpy(), suspect_threshold=0.5, fail_threshold=5.0))[
        :8640
    ]

    assert (int(theirs[-1]), int(open_day.iloc[-1])) == (2, 2)
    assert np.flatnonzero(closed == Quality.SUSPECT).tolist() == places.tolist()
    assert set(places) <= set(np.flatnonzero(theirs_closed == 3))


def test_first_and_last_reading_of_a_day_are_judged_by_their_neighbours() -> None:
    """Spikes in the first and in the last reading are seen because the hour before and after is known."""
    ec = _ec(DAY - HOURS, DAY + 25 * HOURS)
    inside = ec.index.get_indexer(pd.DatetimeIndex([DAY, DAY + 24 * HOURS - pd.Timedelta("10s")]))
    ec.iloc[inside] += 1.5
    whole, alone = (
        _flags(_frame(ec=ec), "final"),
        _flags(_frame(ec=ec[DAY : DAY + 24 * HOURS - pd.Timedelta("1s")]), "final"),
    )

    assert np.flatnonzero(whole == Quality.SUSPECT).tolist() == [0, 8639]
    assert np.flatnonzero(alone == Quality.SUSPECT).tolist() == []


def test_final_flags_are_those_of_the_hours_around_and_of_nothing_else() -> None:
    """What lies further away, and the order of the rows, change no flag of the day."""
    ec = _ec(DAY - 30 * HOURS, DAY + 50 * HOURS)
    ec.iloc[5000::977] += 1.5
    near = ec[DAY - HOURS : DAY + 25 * HOURS - pd.Timedelta("1s")]
    shuffled = _frame(ec=ec).sample(frac=1.0, random_state=3)

    pd.testing.assert_series_equal(_flags(_frame(ec=near), "final"), _flags(shuffled, "final"))


def _planted() -> dict[str, pd.Series]:
    """Return a day of four sensors, each fault planted once."""
    times = _times(DAY - HOURS, DAY + 25 * HOURS)
    rng = np.random.default_rng(5)
    hour = (times - DAY).total_seconds().to_numpy() / 3600.0
    running = ((hour >= 6) & (hour < 8)).astype(float)
    flow = pd.Series(800.0 * running * (1 + 0.003 * rng.standard_normal(len(times))), times)
    pressure = pd.Series(300.0 - 60.0 * running + rng.normal(0, 0.4, len(times)), times)
    ec = _ec(DAY - HOURS, DAY + 25 * HOURS)
    warm = pd.Series(15.0 + 5.0 * np.sin(hour / 24.0) + rng.normal(0, 0.02, len(times)), times)
    ec[(hour >= 12) & (hour < 12.5)] = 0.004
    ec.iloc[2000] = 3.0
    warm[hour >= 15] += 30.0
    pressure[(hour >= 6.5) & (hour < 7.5)] = 241.0
    pressure.iloc[4000] = 900.0
    flow.iloc[1000] = np.nan
    return {"flow": flow, "ec": ec, "warm": warm, "pressure": pressure}


def test_each_planted_fault_is_counted_under_its_own_test() -> None:
    """Dry cell, spike, rate of change, flat line, gross range and a missing value each have their word and their number."""
    made = day_flags(_garden(), _frame(**_planted()), DAY, "final")
    told = {(c.sensor, WORDS[c.outcome]): c.count for c in counts(made) if c.outcome != Outcome.PASSED}

    assert told == {
        ("ec", "dry cell"): 180,
        ("ec", "beside a dry cell"): 12,
        ("ec", "spike"): 1,
        ("warm", "rate of change"): 1,
        ("pressure", "flat line"): 360,
        ("pressure", "gross range"): 1,
        ("flow", "missing"): 1,
    }
    assert sum(c.count for c in counts(made)) == 4 * 8640
    assert {c.status for c in counts(made)} == {"final"}


def test_clean_day_has_no_flag() -> None:
    """A day without a fault is good throughout."""
    made = day_flags(_garden(), _frame(ec=_ec(DAY - HOURS, DAY + 25 * HOURS)), DAY, "final")

    assert [(c.outcome, c.count) for c in counts(made)] == [(Outcome.PASSED, 8640)]


def test_flags_are_the_ones_that_the_estimates_rest_on() -> None:
    """What is good by the day's flags is good for the runs' estimates too, and the other way round."""
    frame = _frame(**_planted())
    made = day_flags(_garden(), frame, DAY, "final").readings
    ready = prepare(_garden(), frame)
    theirs = pd.concat(
        [f.loc[DAY : DAY + 24 * HOURS - pd.Timedelta("1us")] for _, f in sorted(ready.flags.items())]
    )

    assert made["flag"].tolist() == theirs.tolist()


def _day(archive: Path) -> DayFlags:
    """Return the flags of the archive's first day."""
    noon = pd.Timestamp(NOON, unit="s", tz="UTC")
    return next(iter(flagged_days(archive, small_installation(), noon, noon + HOURS)))


def test_day_becomes_final_with_its_manifest_and_open_again_with_late_readings(tmp_path: Path) -> None:
    """Provisional until the manifest is written, again while a late reading waits, then final once more with it."""
    store(tmp_path, [pack(*(("ec", NOON + 10.0 * n, 3.0 if n == 5 else 0.5) for n in range(20)))])
    before = _day(tmp_path)
    upkeep.upkeep(tmp_path, SITE, everything=True, limit=10)
    closed = _day(tmp_path)
    write(tmp_path, [pack(("ec", NOON + 51.0, 3.0), ("ec", NOON + 52.0, 3.0))])
    waiting = _day(tmp_path)
    store(tmp_path, [])
    stored = _day(tmp_path)
    upkeep.upkeep(tmp_path, SITE, everything=True, limit=10)
    again = _day(tmp_path)

    assert [d.status for d in (before, closed, waiting, stored, again)] == [
        "provisional",
        "final",
        "provisional",
        "provisional",
        "final",
    ]
    assert before.readings["flag"].tolist() == [1] * 5 + [3] + [1] * 12 + [2, 2]
    assert closed.readings["flag"].tolist() == [1] * 5 + [3] + [1] * 14
    assert again.readings["flag"].tolist() == [1] * 22
