"""Loggers' files: long and wide, separators and decimals, time zones and their clocks, rows that are none."""

from __future__ import annotations

from datetime import UTC, datetime
from io import StringIO
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.formats.logger import pack, refused, topic
from ingest.logger_files import BadRow, Entry, LoggerFile
from ingest.logger_layout import LayoutError
from ingest.logger_stamps import StampError, Stamps, TimezoneError, parse_zone
from ingest.records import Message
from ingest.routing import Router
from tests.support.bench import NOW_US, bench, readings

FENLAND = bench(
    """
[sensor.ec]
quantity = "conductivity"
point = "mixed"
unit = "mS/cm"
source = { csv = "EC 1" }
"""
)
LISBON = ZoneInfo("Europe/Lisbon")
SIX_US = 1_777_615_200_000_000
"""2026-05-01 06:00 UTC. [µs since 1970]"""


def rows(text: str, **options: str) -> list[Entry | BadRow]:
    """Return what a file holds; its times are in UTC unless it says otherwise."""
    stamps = Stamps(parse_zone(options.pop("zone", "UTC")), options.pop("pattern", None))
    decimal = options.pop("decimal", "auto")
    assert decimal in ("auto", "comma", "point")
    return list(LoggerFile("a.csv", StringIO(text), FENLAND, stamps, NOW_US, decimal).read())  # type: ignore[arg-type]  # one of the three


def entries(text: str, **options: str) -> list[tuple[str, float, str | None]]:
    """Return sensor, value and unit of each reading of a file that has nothing else."""
    found = rows(text, **options)
    assert not [row for row in found if isinstance(row, BadRow)]
    return [(row.sensor, row.value, row.unit) for row in found if isinstance(row, Entry)]


def bad(text: str, **options: str) -> list[tuple[int, str, str]]:
    """Return line, reason and detail of each bad row of a file."""
    return [(r.line, r.reason, r.detail) for r in rows(text, **options) if isinstance(r, BadRow)]


def test_long_file_has_a_row_for_each_reading() -> None:
    """A long file names sensor, value and unit in each row; an empty unit is the sensor's own."""
    text = "time,sensor,value,unit\n2026-05-01 06:00,EC 1,1.31,\n2026-05-01 06:00,flow,8.5,L/min\n"

    assert entries(text) == [("ec", 1.31, None), ("flow", 8.5, "L/min")]


def test_wide_file_has_a_column_for_each_sensor() -> None:
    """A wide file names sensors in its first line, by column or by sensor, with a unit in brackets or not."""
    text = "time;EC 1 (uS/cm);flow [L/min];Rain\n2026-05-01T06:00:00Z;1310;8.5;0\n"

    assert entries(text) == [("ec", 1310.0, "uS/cm"), ("flow", 8.5, "L/min")]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_any_usual_separator_is_seen(mark: str) -> None:
    """Comma, semicolon and tab separate columns without being named."""
    text = "time,EC 1,flow\n2026-05-01 06:00,1.31,500\n".replace(",", mark)

    assert entries(text) == [("ec", 1.31, None), ("flow", 500.0, None)]


def test_date_and_time_may_stand_apart() -> None:
    """Date and time in two columns are one stamp."""
    found = rows("Date;Time;EC 1\n2026-05-01;06:00:00;1.31\n")

    assert [row.time_us for row in found if isinstance(row, Entry)] == [SIX_US]


def test_decimal_comma_is_seen_where_commas_do_not_separate() -> None:
    """The first decimals decide for the file; a number with the other kind is told, not guessed."""
    text = "time;EC 1\n2026-05-01 06:00;1\n2026-05-01 06:01;1,31\n2026-05-01 06:02;1.31\n"

    assert [row.value for row in rows(text) if isinstance(row, Entry)] == [1.0, 1.31]
    assert bad(text) == [
        (4, "not a number", "a.csv, line 4: column EC 1: '1.31' is no number; expected one like 1,31")
    ]


def test_thousands_are_never_guessed() -> None:
    """A number with point and comma is told, whatever the decimals are."""
    for decimal in ("auto", "point", "comma"):
        text = "time;EC 1\n2026-05-01 06:00;1.310,5\n"
        assert [reason for _, reason, _ in bad(text, decimal=decimal)] == ["not a number"]


@pytest.mark.parametrize("cell", ["", " ", "-", "---", "NaN", "NA", "null"])
def test_empty_cell_is_no_reading_and_no_fault(cell: str) -> None:
    """What loggers write for "no value" is passed over and counted."""
    stamps = Stamps(parse_zone("UTC"))
    file = LoggerFile("a.csv", StringIO(f"time;EC 1\n2026-05-01 06:00;{cell}\n"), FENLAND, stamps, NOW_US)

    assert list(file.read()) == []
    assert file.empty == 1


@pytest.mark.parametrize(
    ("row", "reason", "detail"),
    [
        ("2026-05-01 06:00;1;2", "", ""),
        ("2026-05-01 06:00", "syntax", "a.csv, line 2: 1 columns; expected 2"),
        (
            "1.5.2026 06:00;1.3",
            "time",
            (
                "a.csv, line 2: '1.5.2026 06:00' is no time; expected ISO 8601, like 2026-05-01 06:00:00, "
                'or say --time-format, like "%d.%m.%Y %H:%M"'
            ),
        ),
        ("1999-05-01 06:00;1", "clock", "a.csv, line 2: the time is before 2000, or more than a day ahead"),
        ("2036-05-01 06:00;1", "clock", "a.csv, line 2: the time is before 2000, or more than a day ahead"),
        ("2026-05-01 06:00;1..3", "not a number", "a.csv, line 2: column EC 1: '1..3' is no number"),
    ],
)
def test_bad_row_is_told_with_file_line_column_and_mend(row: str, reason: str, detail: str) -> None:
    """A row that is no reading names its place, its value and what was expected; one column too many is none."""
    found = bad(f"time;EC 1\n{row}\n2026-05-01 06:00;1.31\n")

    assert [(found_reason, line) for line, found_reason, _ in found] == ([(reason, 2)] if reason else [])
    assert all(told.startswith(detail) for _, _, told in found)


def test_unknown_sensor_and_unit_of_a_long_file_are_told() -> None:
    """A misspelled sensor gets the nearest name; a unit of another quantity is refused."""
    text = "time,sensor,value,unit\n2026-05-01 06:00,EC1,1,\n2026-05-01 06:00,flow,1,kPa\n"

    assert bad(text) == [
        (
            2,
            "unknown sensor",
            "a.csv, line 2: column sensor: no sensor is named 'EC1'; did you mean \"EC 1\"?",
        ),
        (3, "unit", "a.csv, line 3: column unit: 'kPa' is no unit of sensor flow"),
    ]


@pytest.mark.parametrize(
    ("first", "words"),
    [
        ("", "line 1: expected the names of the columns, found nothing"),
        ("zeit;EC 1", "line 1: no column is named time; the columns are zeit, EC 1"),
        ("time;EC one", 'line 1: no column is a sensor of the installation; did you mean "EC 1"'),
        ("time;EC 1;EC 1", "line 1: column 'EC 1' stands there twice"),
        (
            "time;EC 1 (bar)",
            "line 1, column EC 1 (bar): 'bar' is no unit of sensor ec; expected one of mS/cm",
        ),
    ],
)
def test_first_line_that_says_nothing_is_refused(first: str, words: str) -> None:
    """A file whose columns are not understood is refused before anything is read."""
    with pytest.raises(LayoutError) as caught:
        rows(first + "\n2026-05-01 06:00;1\n")

    assert str(caught.value).startswith(f"a.csv, {words}")


def test_quote_that_is_not_closed_costs_its_own_line() -> None:
    """An open quote swallows no further lines."""
    text = 'time;EC 1\n"2026-05-01 06:00;1\n2026-05-01 06:01;2\n'

    assert [row.value for row in rows(text) if isinstance(row, Entry)] == [2.0]
    assert [line for line, _, _ in bad(text)] == [2]


@pytest.mark.parametrize(
    ("stamp", "zone", "seconds"),
    [
        ("2026-05-01 06:00", "UTC", 0),
        ("2026-05-01T06:00:00.25Z", "Europe/Lisbon", 0.25),
        ("2026-05-01 07:00", "Europe/Lisbon", 0),
        ("2026-05-01 08:00", "+02:00", 0),
        ("2026-05-01 08:00", "UTC+2", 0),
        ("2026-04-30 23:00", "America/Denver", -3600),
    ],
)
def test_stamp_is_read_in_its_zone(stamp: str, zone: str, seconds: float) -> None:
    """A stamp without offset is in the stated zone; an offset of its own wins."""
    assert Stamps(parse_zone(zone)).parse(stamp) == SIX_US + round(seconds * 1e6)


def test_stamp_in_another_pattern_is_read() -> None:
    """A pattern says how times are written."""
    assert Stamps(LISBON, "%d.%m.%Y %H:%M").parse("1.5.2026 07:00") == SIX_US


def test_file_without_zone_is_refused() -> None:
    """Times without a zone are never guessed; the message says how to state it."""
    with pytest.raises(TimezoneError, match="say which with --timezone"):
        Stamps().parse("2026-05-01 06:00")


@pytest.mark.parametrize(("twice", "us"), [("earlier", 0), ("later", 3_600_000_000)])
def test_hour_that_comes_twice_is_taken_as_stated(twice: str, us: int) -> None:
    """At the end of summer time an hour comes twice; the stated one is taken."""
    assert twice in ("earlier", "later")
    stamps = Stamps(LISBON, None, twice)  # type: ignore[arg-type]  # one of the two

    assert stamps.parse("2025-10-26 01:30") == 1_761_438_600_000_000 + us


def test_hour_that_comes_twice_is_refused_unless_stated() -> None:
    """Without a word about it, a time of the hour that comes twice is refused, and the mend named."""
    with pytest.raises(
        StampError, match="shows 2025-10-26 01:30:00 twice; say --twice earlier or --twice later"
    ):
        Stamps(LISBON).parse("2025-10-26 01:30")


def test_hour_that_never_comes_is_refused() -> None:
    """At the begin of summer time an hour is skipped; a time in it is no time."""
    with pytest.raises(StampError, match="skips 2026-03-29 01:30:00; does the logger keep an offset"):
        Stamps(LISBON).parse("2026-03-29 01:30")


@pytest.mark.parametrize("name", ["Europe/Lisboa", "+15:00", "local", ""])
def test_unknown_zone_is_refused(name: str) -> None:
    """A zone that does not exist is refused with what was expected."""
    with pytest.raises(TimezoneError, match="is no time zone; expected one like"):
        parse_zone(name)


def test_rows_survive_the_journal() -> None:
    """What a file gave is what the router makes of its messages, bad rows with their own reason and detail."""
    good = [Entry(2, "flow", NOW_US - 1_234_567, 8.5, "L/min"), Entry(3, "pulses", NOW_US, 12.0, None)]
    row = BadRow(4, "time", "a.csv, line 4: no time", "x;y")
    sent = [Message(topic("a.csv"), payload, NOW_US) for payload in (pack(good), refused(row))]
    decoded = Router(FENLAND).decode(sent)

    assert readings(decoded) == [("flow", -1.234567, 510.0), ("pulses", 0.0, pytest.approx(1.2))]
    assert [(r.reason, r.detail, r.message) for r in decoded.rejects] == [("time", row.detail, 1)]


def test_file_s_topic_carries_nothing_else() -> None:
    """Something on the loader's topic that the loader did not write is refused."""
    decoded = Router(FENLAND).decode([Message(topic("a.csv"), b'{"reason":7}', NOW_US)])

    assert [r.reason for r in decoded.rejects] == ["syntax"]


@settings(max_examples=150)
@given(
    text=st.text(st.characters(codec="utf-8"), max_size=200),
    header=st.sampled_from(["time;EC 1", "time,sensor,value,unit"]),
)
def test_any_rows_end_in_readings_or_bad_rows(text: str, header: str) -> None:
    """Whatever stands under a good first line is read or told, each with the line on which it stands."""
    found = rows(f"{header}\n{text}\n")
    last = text.count("\n") + text.count("\r") + 3

    assert all(2 <= row.line <= last for row in found)


@settings(max_examples=100)
@given(
    values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20),
    comma=st.booleans(),
    seconds=st.integers(0, 10**6),
)
def test_written_numbers_are_read_back(values: list[float], seconds: int, *, comma: bool) -> None:
    """Numbers and times written in a usual way are read back to the last digit."""
    stamps = [(SIX_US // 1_000_000 - seconds - n) for n in range(len(values))]
    lines = [
        f"{_iso(stamp)};{str(v).replace('.', ',') if comma else v}"
        for stamp, v in zip(stamps, values, strict=True)
    ]
    found = rows("time;EC 1\n" + "\n".join(lines) + "\n")

    assert [(row.value, row.time_us) for row in found if isinstance(row, Entry)] == [
        (value, stamp * 1_000_000) for stamp, value in zip(stamps, values, strict=True)
    ]


def _iso(seconds: int) -> str:
    """Return an instant as ISO 8601 in UTC, without saying so."""
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat(" ")
