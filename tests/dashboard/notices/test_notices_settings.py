"""``notices.toml``: what is taken, and how every mistake is told with its place and its mend."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from dashboard.notices.hours import daily, last_daily, within
from dashboard.notices.load import NoticesError, load, loads
from dashboard.notices.reference import reference
from ingest.load_installation import load as load_installation

if TYPE_CHECKING:
    from ingest.installation import Installation

ROOT = Path(__file__).parents[3]
GOOD = """
gone = "20 min"
[mail]
host = "mail.garden.example"
sender = "drip@garden.example"
[recipient.ana]
mail = "ana@garden.example"
quiet = ["21:00", 06:30:00]
digest = "07:00"
[rule.danger]
severity = "stop"
to = ["ana"]
[rule.day]
to = ["ana"]
zones = ["bench1", "head"]
kinds = ["leak", "ingest stopped"]
stands = "15 min"
repeat = "4 h"
"""


def test_times_and_durations_are_read_as_people_write_them(installation: Installation) -> None:
    """Clock times as text or TOML times; durations with their unit."""
    read = loads(GOOD.encode(), installation)

    assert read.recipient["ana"].quiet == (time(21), time(6, 30))
    assert (read.gone, read.rule["day"].stands, read.rule["day"].repeat) == (1200, 900, 14400)
    assert read.mail is not None
    assert read.mail.door == 465


def test_the_example_beside_the_sample_installation_is_right() -> None:
    """What people copy loads without a word."""
    system = load_installation(ROOT / "sample_data" / "installation.toml")

    assert load(ROOT / "sample_data" / "notices.toml", system).recipient


def test_the_page_of_keys_is_what_the_model_says() -> None:
    """Every key with its meaning, as the model has it now."""
    page = (ROOT / "docs" / "notices-file.md").read_text("utf-8")

    assert page == reference(), "run: python -m dashboard.notices.reference > docs/notices-file.md"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('mail = "ana', 'mial = "ana', r'line 7, \[recipient\.ana\] mial: unknown key; did you mean "mail"\?'),
        ('"07:00"', '"7 am"', r'line 9, \[recipient\.ana\] digest = "7 am": expected a local time of day, like "07:00"'),
        ('"stop"', '"stopp"', r'severity = "stopp": expected one of "watch", "act", "stop"; did you mean "stop"\?'),
        ('host = "mail', 'password = "x"\nhost = "mail', "secrets never stand in this file"),
        ('"15 min"', '"15 mni"', r'line 17, \[rule\.day\] stands = "15 mni": .*'),
        ('"4 h"', '"5 s"', r'\[rule\.day\] repeat = "5 s": expected 60\.0 or more'),
        ('to = ["ana"]\nzones', 'to = ["anna"]\nzones', r'line 14, \[rule\.day\] to = "anna": .*did you mean "ana"\?'),
        ('"bench1"', '"bench3"', r'\[rule\.day\] zones = "bench3": there is no such zone; did you mean "bench2"\?'),
        ('"leak"', '"leek"', r'kinds = "leek": there is no such kind of finding; did you mean "leak"\?'),
        ('[rule.danger]\nseverity = "stop"\nto = ["ana"]', "", "no rule takes every stop"),
        ('[mail]\nhost = "mail.garden.example"\nsender = "drip@garden.example"', "", r"there is no table \[mail\]"),
        ('"ana@garden.example"', '"Ana <ana@garden.example>"', "expected one mail address"),
        ("gone", '[recipient.none]\ndigest = "07:00"\n[x]\ngone', "there is no way to this recipient"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place_and_its_mend(
    installation: Installation, old: str, new: str, told: str
) -> None:
    """Line, table, key, value, what was expected, and the nearest right word."""
    assert old in GOOD
    with pytest.raises(NoticesError, match=told):
        loads(GOOD.replace(old, new, 1).encode(), installation)


def test_topics_that_the_ingester_reads_are_refused(installation: Installation) -> None:
    """A prefix below the ingester's own subscription would be taken for readings."""
    with pytest.raises(NoticesError, match=r"the ingester subscribes to # there"):
        loads(GOOD.encode() + b'[mqtt]\nprefix = "garden/notices"\n', installation)
    assert loads(GOOD.encode() + b"[mqtt]\n", installation).mqtt is not None


def test_a_file_that_is_missing_is_told_with_the_nearest_name(
    tmp_path: Path, installation: Installation
) -> None:
    """The folder's files are looked through."""
    (tmp_path / "notices.toml").write_text(GOOD, "utf-8")

    with pytest.raises(
        NoticesError, match=r'cannot be read: no such file or directory; did you mean "notices.toml"\?'
    ):
        load(tmp_path / "notice.toml", installation)


def test_quiet_hours_go_by_the_wall_on_nights_when_clocks_change(installation: Installation) -> None:
    """In the night in which an hour comes twice, quiet until 1:30 ends, begins again, and ends."""
    hours, tz = (time(21), time(1, 30)), installation.tz
    night = pd.Timestamp("2026-10-25 00:00", tz="UTC")  # in Lisbon 1:00, and again 1:00 an hour later

    quiet = [within(night + pd.Timedelta(minutes=m), hours, tz) for m in (0, 29, 30, 59, 60, 89, 90)]

    assert quiet == [True, True, False, False, True, True, False]


def test_a_daily_time_that_is_jumped_over_comes_after_the_jump(installation: Installation) -> None:
    """In Lisbon the clock jumps from 1:00 to 2:00 on 29 March 2026; 1:30 comes at 2:00, and once."""
    jump = pd.Timestamp("2026-03-29 01:00", tz="UTC")

    assert daily(jump.date(), time(1, 30), installation.tz) == jump
    assert last_daily(jump - pd.Timedelta(seconds=1), time(1, 30), installation.tz)[0].day == 28
    assert last_daily(jump, time(1, 30), installation.tz) == (jump.date(), jump)


def test_a_daily_time_that_comes_twice_comes_first(installation: Installation) -> None:
    """In Lisbon 1:30 comes at 0:30 and at 1:30 UTC on 25 October 2026."""
    assert daily(pd.Timestamp("2026-10-25").date(), time(1, 30), installation.tz) == pd.Timestamp(
        "2026-10-25 00:30", tz="UTC"
    )
