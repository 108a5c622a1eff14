"""What is kept beside the readings is used where nothing changed, and never where something did."""

from __future__ import annotations

import shutil
import threading
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis import pipeline
from analysis.archive import analyse_archive
from analysis.document import dumps
from analysis.incremental.book import FOLDER, Book
from analysis.ledger import add_service
from analysis.runs.windows import walk
from analysis.service import Service
from ingest import archive as parquet
from ingest.layout import day_folder, part_name
from ingest.tables import in_order
from tests.analysis.conftest import Garden, at
from tests.support.plain import MIDNIGHT, write_archive

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from analysis.runs.windows import Stretch
    from ingest.installation import Installation

DAYS = 3
"""Days of the garden. [d]"""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, garden: Garden) -> Path:
    """Return an archive of three days whose results are kept."""
    folder = tmp_path_factory.mktemp("whole") / "archive"
    write_archive(folder, garden.installation, garden.frame)
    analyse_archive(folder, garden.installation)
    return folder


@pytest.fixture
def kept(whole: Path, tmp_path: Path) -> Path:
    """Return a copy of that archive that a test may change."""
    return shutil.copytree(whole, tmp_path / "archive")


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[pd.Timestamp]:
    """Return the starts of the stretches that are worked out from now on."""
    starts: list[pd.Timestamp] = []
    honest = pipeline.open_stretch

    def noting(*arguments: object) -> object:
        starts.append(arguments[2].start)  # type: ignore[attr-defined]
        return honest(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("analysis.incremental.book.open_stretch", noting)
    return starts


def late(archive: Path, system: Installation, sensor: str, when: pd.Timestamp, value: float) -> None:
    """Add one late reading as a file of its own, as the archiver does."""
    row = pd.DataFrame(
        {"time": [when], "sensor": [sensor], "value": [value], "quality": np.array([1], np.int8)}
    )
    table = pa.Table.from_pandas(row.assign(received=row["time"]), preserve_index=False).cast(parquet.SCHEMA)
    day = when.value // 1000 // parquet.US_PER_DAY
    folder = archive / day_folder("readings", system.site, day)
    name = part_name(100 + len(list(folder.iterdir())))
    (folder / name).write_bytes(parquet.encode(in_order(table), "readings"))


def anew(archive: Path, system: Installation, folder: Path) -> str:
    """Return the document of the same archive without anything that was kept."""
    bare = shutil.copytree(archive, folder, ignore=shutil.ignore_patterns(FOLDER))
    return dumps(analyse_archive(bare, system))


def test_nothing_is_worked_out_twice(kept: Path, garden: Garden, looked: list[pd.Timestamp]) -> None:
    """Where nothing changed, nothing is worked out, and the document has the same bytes."""
    again = dumps(analyse_archive(kept, garden.installation))

    assert looked == []
    assert again == dumps(pipeline.analyse(garden.installation, garden.frame, MIDNIGHT, garden.end))


@pytest.mark.parametrize(
    ("hour", "days"),
    [(12.0, [1]), (3.0, [0, 1]), (23.5, [1, 2])],
    ids=["by day", "in the hours that the day before sees", "in the hour that the day after sees"],
)
def test_late_reading_is_worked_out_where_it_is_seen(
    kept: Path, garden: Garden, looked: list[pd.Timestamp], tmp_path: Path, hour: float, days: list[int]
) -> None:
    """A late reading has those stretches worked out anew that look at its hour, and no other."""
    late(kept, garden.installation, "flow", at(24.0 + hour) + pd.Timedelta("3s"), 7.0)

    found = dumps(analyse_archive(kept, garden.installation))

    assert looked == [MIDNIGHT + pd.Timedelta(days=day) for day in days]
    assert found == anew(kept, garden.installation, tmp_path / "bare")


def test_merged_files_are_the_same_readings(kept: Path, garden: Garden, looked: list[pd.Timestamp]) -> None:
    """A day whose files are merged is not worked out anew: its readings are the same."""
    folder = kept / day_folder(
        "readings", garden.installation.site, MIDNIGHT.value // 1000 // parquet.US_PER_DAY
    )
    (folder / part_name(0)).rename(folder / part_name(0, 9))

    analyse_archive(kept, garden.installation)

    assert looked == []


def test_service_entry_needs_no_reading(kept: Path, garden: Garden, looked: list[pd.Timestamp]) -> None:
    """What people write down is judged over the season; no stretch is worked out for it."""
    add_service(kept, Service(at(30.0), "A. Weller", "filter cleaned"))

    analyse_archive(kept, garden.installation)

    assert looked == []


def test_new_dilution_curve_is_worked_out(
    kept: Path, garden: Garden, looked: list[pd.Timestamp], tmp_path: Path
) -> None:
    """A new calibration of a stock has everything worked out anew, as a full run does."""
    stock = garden.installation.stock["A"]
    (first, ec), *rest = stock.dilutions
    changed = stock.model_copy(update={"dilutions": ((first, ec + 0.02), *rest)})
    system = garden.installation.model_copy(update={"stock": {"A": changed}})

    found = dumps(analyse_archive(kept, system))

    assert len(looked) == DAYS
    assert found == anew(kept, system, tmp_path / "bare")


def test_names_on_the_screen_do_not_count(kept: Path, garden: Garden, looked: list[pd.Timestamp]) -> None:
    """Units of the screen change no number, and work nothing out anew."""
    analyse_archive(kept, garden.installation.model_copy(update={"units": "us"}))

    assert looked == []


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data[: len(data) // 2],
        lambda data: data[:40] + bytes([data[40] ^ 1]) + data[41:],
        lambda _: b"",
    ],
    ids=["torn", "one bit", "empty"],
)
def test_damaged_files_are_worked_out_anew(
    kept: Path, garden: Garden, looked: list[pd.Timestamp], spoil: Callable[[bytes], bytes]
) -> None:
    """A file that is not whole counts as not there: the document is the same, and nothing fails."""
    before = dumps(analyse_archive(kept, garden.installation))
    for path in (kept / FOLDER).rglob("*"):
        if path.is_file():
            path.write_bytes(spoil(path.read_bytes()))

    assert dumps(analyse_archive(kept, garden.installation)) == before
    assert len(looked) == DAYS


def test_folder_that_cannot_be_written_is_no_harm(
    kept: Path, garden: Garden, caplog: pytest.LogCaptureFixture
) -> None:
    """Where results cannot be kept, they are told all the same, and a warning says so once."""
    before = dumps(analyse_archive(kept, garden.installation))
    shutil.rmtree(kept / FOLDER)
    (kept / FOLDER).write_text("in the way", "utf-8")

    assert dumps(analyse_archive(kept, garden.installation)) == before
    assert sum("cannot be kept for the next time" in record.message for record in caplog.records) == 1


def test_a_stopped_analysis_goes_on(
    whole: Path, tmp_path: Path, garden: Garden, looked: list[pd.Timestamp]
) -> None:
    """What was worked out before somebody stopped it is not worked out again."""
    bare = shutil.copytree(whole, tmp_path / "bare", ignore=shutil.ignore_patterns(FOLDER))

    def stop(share: float) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        analyse_archive(bare, garden.installation, watch=stop)
    analyse_archive(bare, garden.installation)

    assert sorted(looked) == [MIDNIGHT + pd.Timedelta(days=day) for day in range(DAYS)]


def test_writers_side_by_side_say_the_same(whole: Path, tmp_path: Path, garden: Garden) -> None:
    """Three analyses at once over a fresh archive give the same bytes, and leave files that hold."""
    bare = shutil.copytree(whole, tmp_path / "bare", ignore=shutil.ignore_patterns(FOLDER))
    found: list[str] = []
    threads = [
        threading.Thread(target=lambda: found.append(dumps(analyse_archive(bare, garden.installation))))
        for _ in range(3)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(found) == len(threads)
    assert len(set(found)) == 1
    assert all(_holds(bare, garden, stretch) for stretch in walk(MIDNIGHT, garden.end))


def _holds(archive: Path, garden: Garden, stretch: Stretch) -> bool:
    return Book(archive, garden.installation).kept(stretch, garden.end) is not None


def test_shorter_period_keeps_what_it_does_not_change(
    kept: Path, garden: Garden, looked: list[pd.Timestamp]
) -> None:
    """Ending sooner works out the stretch that ends sooner, and the one before where it saw beyond."""
    analyse_archive(kept, garden.installation, MIDNIGHT, at(60.0))

    assert looked == [MIDNIGHT + pd.Timedelta(days=2)]


@pytest.mark.slow
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(
        st.one_of(
            st.tuples(
                st.sampled_from(["flow", "stock", "a_valve"]),
                st.floats(0.0, 24.0 * DAYS - 0.1),
                st.sampled_from([0.0, 1.0, 950.0]),
            ),
            st.tuples(st.just("service"), st.floats(0.0, 24.0 * DAYS), st.just(0.0)),
            st.tuples(st.just("curve"), st.floats(0.01, 0.05), st.just(0.0)),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_kept_results_equal_a_full_run(
    whole: Path,
    tmp_path_factory: pytest.TempPathFactory,
    garden: Garden,
    changes: list[tuple[str, float, float]],
) -> None:
    """Whatever comes late, is entered or is calibrated, in whatever order: the same bytes as from nothing."""
    folder = tmp_path_factory.mktemp("random")
    archive, system = shutil.copytree(whole, folder / "archive"), garden.installation
    for what, number, value in changes:
        if what == "service":
            add_service(archive, Service(at(number), "A. Weller", "emitters replaced", "a"))
        elif what == "curve":
            stock = system.stock["A"]
            (first, ec), *rest = stock.dilutions
            curve = ((first, ec + number), *rest)
            system = system.model_copy(update={"stock": {"A": stock.model_copy(update={"dilutions": curve})}})
        else:
            late(archive, system, what, at(number).floor("s") + pd.Timedelta("1ms"), value)
        analyse_archive(archive, system)

    assert dumps(analyse_archive(archive, system)) == anew(archive, system, folder / "bare")
