"""Old days go only when a person names the period and confirms what was shown."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from typer.testing import CliRunner

from ingest import checkpoint as checkpoints
from ingest import manifest
from ingest.errors import UserError
from ingest.prune import plan, prune
from ingest.store import read_readings
from ingest.upkeep import upkeep
from ingest.verify import verify
from tests.support.archives import DAY_S, NOON, SITE, pack, small_installation, store
from tricklebook import app

if TYPE_CHECKING:
    from pathlib import Path

FIRST, LAST = date(2024, 3, 4), date(2024, 3, 5)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Return an archive of three days, the first closed."""
    for day in range(3):
        store(tmp_path, [pack(("ec", NOON + day * DAY_S, 1.0))])
        if day == 0:
            upkeep(tmp_path, SITE, everything=True, limit=10)
    return tmp_path


def test_plan_removes_nothing(archive: Path) -> None:
    """The first run only shows what would go."""
    cut = plan(archive, SITE, FIRST, LAST)

    assert (len(cut.folders), cut.files) == (2, 2)
    assert len(read_readings(archive, small_installation())) == 3


def test_prune_removes_the_period_and_says_so_in_the_chain(archive: Path) -> None:
    """The days are gone, the others stay, and the chain tells of it."""
    prune(archive, SITE, FIRST, LAST, plan(archive, SITE, FIRST, LAST).code)

    chain = [manifest.read(path) for _, _, path in manifest.names(archive, SITE)]
    assert [(m.day, m.why) for m in chain[-2:]] == [("2024-03-04", "pruned"), ("2024-03-05", "pruned")]
    assert set(pd.read_parquet(archive / "readings")["date"]) == {"2024-03-06"}
    assert [problem for problem in verify(archive, SITE) if problem.is_fault] == []


def test_code_of_another_state_is_refused(archive: Path) -> None:
    """Where readings have come since they were shown, nothing goes until they are shown again."""
    code = plan(archive, SITE, FIRST, LAST).code
    store(archive, [pack(("ec", NOON + 5, 1.0))])

    with pytest.raises(UserError, match="run it without --confirm first"):
        prune(archive, SITE, FIRST, LAST, code)
    assert len(read_readings(archive, small_installation())) == 4


@pytest.mark.parametrize(
    ("first", "last", "match"),
    [
        (LAST, FIRST, "ends on 2024-03-04, before it begins on 2024-03-05"),
        (FIRST, datetime.now(UTC).date(), "is not over long enough"),
    ],
)
def test_period_that_makes_no_sense_is_refused(archive: Path, first: date, last: date, match: str) -> None:
    """A period must end after it begins, and be over."""
    with pytest.raises(UserError, match=match):
        plan(archive, SITE, first, last)


def test_interrupted_removal_is_finished(archive: Path) -> None:
    """After a crash between the decision and the removal, the next user of the archive finishes it."""
    found = checkpoints.load(archive, SITE)
    assert found is not None
    folder = f"readings/site={SITE}/date=2024-03-05"
    found.doomed = [folder]
    found.open.pop(folder)
    checkpoints.save(archive, SITE, found)
    checkpoints.lock_of(archive, SITE).write_text("unfinished\n")

    store(archive, [pack(("ec", NOON + 2 * DAY_S + 9, 1.0))])

    assert not (archive / folder).exists()


def test_commands_show_then_remove(archive: Path) -> None:
    """The command shows a code, removes with it, counts what is left and finds it sound."""
    run = CliRunner().invoke
    where = ["--archive", str(archive)]
    period = ["--from", "2024-03-04", "--to", "2024-03-04"]

    shown = run(app, ["archive", "prune", *where, *period])
    code = re.search(r"--confirm (\w+)", shown.output)
    assert code is not None
    removed = run(app, ["archive", "prune", *where, *period, "--confirm", code[1]])
    merged = run(app, ["archive", "merge", *where])
    told = run(app, ["archive", "info", *where])
    sound = run(app, ["archive", "verify", *where])

    assert "would be removed; nothing has been" in shown.output
    assert removed.output.endswith("removed\n")
    assert merged.output == "home: 0 folders merged, 2 days closed\n"
    assert "readings    2 of 2 days, 2024-03-05 to 2024-03-06" in told.output
    assert "home: 2 readings of 2 days are as they were written" in sound.output
    assert sound.exit_code == 0


def test_faults_end_with_status_1(archive: Path) -> None:
    """The command names a fault and ends so that a script notices."""
    next((archive / "readings").rglob("part-*.parquet")).unlink()

    result = CliRunner().invoke(app, ["archive", "verify", "--archive", str(archive)])

    assert result.exit_code == 1
    assert result.output.startswith("removed file: readings/site=home/date=2024-03-0")


def test_folder_that_is_no_archive_is_refused(tmp_path: Path) -> None:
    """A wrong path is told as such."""
    result = CliRunner().invoke(app, ["archive", "info", "--archive", str(tmp_path)])

    assert isinstance(result.exception, UserError)
    assert "is no archive; name the folder that `tricklebook ingest --archive` writes to" in str(
        result.exception
    )


def test_day_that_is_none_is_refused(archive: Path) -> None:
    """A day is written as year, month and day."""
    result = CliRunner().invoke(
        app, ["archive", "prune", "--archive", str(archive), "--from", "March", "--to", "2024-03-05"]
    )

    assert result.exit_code == 2
    assert "'March' is no day" in result.output
