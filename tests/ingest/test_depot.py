"""Closed days go to the depot and are read there as if they were here."""

from __future__ import annotations

import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import archive_info, manifest, prune, upkeep
from ingest import checkpoint as checkpoints
from ingest.days import BusyArchiveError, days_of, files, mark_of
from ingest.depot import DESCRIPTION, DepotError, depot_of
from ingest.recovery import forget
from ingest.store import latest, read_readings
from ingest.verify import verify
from tests.support.archives import DAY_S, NOON, SITE, pack, parts, small_installation, store
from tests.support.objects import PASSWORD, ROOT, USER, ObjectStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DAYS = ["2024-03-04", "2024-03-05", "2024-03-06"]


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ObjectStore]:
    """Return a running object store."""
    made = ObjectStore(tmp_path_factory.mktemp("objects"))
    made.start()
    yield made
    made.kill()


@pytest.fixture(params=["disk", "objects"])
def archive(
    request: pytest.FixtureRequest, tmp_path: Path, objects: ObjectStore, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Return the folder of an archive with a depot on another disk, or in an object store."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", USER)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", PASSWORD)
    made = tmp_path / "archive"
    made.mkdir()
    if request.param == "disk":
        (made / DESCRIPTION).write_text(f'url = "file://{tmp_path}/far"\n', encoding="utf-8")
    else:
        objects.describe(made, tmp_path.name)
    return made


def tricklebook(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command as a person does."""
    command = [sys.executable, "-m", "tricklebook", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def fill(archive: Path) -> pd.DataFrame:
    """Store some packs on each of three days, close the days, send them away; return what was stored."""
    for day in range(len(DAYS)):
        for number in range(3):
            when = NOON + day * DAY_S + number
            store(archive, [pack(("ec", when, float(number)), ("flow", when, 9.0))])
    stored = read_readings(archive, small_installation())
    settle(archive)
    return stored


def settle(archive: Path) -> None:
    """Do all upkeep that is due."""
    while upkeep.upkeep(archive, SITE, everything=True, limit=100):
        pass


def faults(archive: Path) -> list[tuple[str, str]]:
    """Return what is wrong with an archive: kind and place."""
    return [(problem.kind, problem.place) for problem in verify(archive, SITE) if problem.is_fault]


def test_closed_days_are_in_the_depot_alone_and_are_read_from_there(archive: Path) -> None:
    """No file of a closed day stays here; readings, newest readings, days and numbers are as before."""
    stored = fill(archive)

    assert parts(archive) == []
    assert days_of(archive, SITE) == DAYS
    pd.testing.assert_frame_equal(read_readings(archive, small_installation()), stored)
    pd.testing.assert_frame_equal(
        latest(archive, small_installation()),
        stored.groupby("sensor", observed=True, sort=True).tail(1).reset_index(drop=True),
    )
    assert archive_info.info(archive, SITE).readings == len(stored)
    assert faults(archive) == []


def test_part_of_a_depot_is_read_alone(archive: Path) -> None:
    """A sensor's hour of one day comes back as from a folder."""
    stored = fill(archive)
    start = pd.Timestamp(NOON + DAY_S, unit="s", tz="UTC")

    found = read_readings(
        archive, small_installation(), sensors=["ec"], start=start, end=start + pd.Timedelta("2s")
    )

    wanted = stored[(stored["sensor"] == "ec") & (stored["time"] >= start)].head(2).reset_index(drop=True)
    assert found[["time", "value"]].equals(wanted[["time", "value"]])


def test_late_readings_join_a_day_in_the_depot(archive: Path) -> None:
    """A late reading is stored once, a repeated one is dropped, and what is in the depot stays as it is."""
    stored = fill(archive)
    before = files(archive, f"readings/site={SITE}/date={DAYS[0]}")
    mark = mark_of(archive, f"readings/site={SITE}/date={DAYS[0]}")

    store(archive, [pack(("ec", NOON - 60, 5.0), ("ec", NOON, 0.0))])
    settle(archive)

    after = read_readings(archive, small_installation())
    assert len(after) == len(stored) + 1
    assert parts(archive) == []
    assert set(before) < set(files(archive, f"readings/site={SITE}/date={DAYS[0]}"))
    assert mark_of(archive, f"readings/site={SITE}/date={DAYS[0]}") != mark
    assert [manifest.read(path).why for _, _, path in manifest.names(archive, SITE)][-1] == "late readings"
    assert faults(archive) == []


def test_another_machine_reads_the_depot_without_the_folder(archive: Path, tmp_path: Path) -> None:
    """A folder with nothing but the depot's description gives the same readings and the same verdict."""
    stored = fill(archive)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(archive / DESCRIPTION, elsewhere)

    pd.testing.assert_frame_equal(read_readings(elsewhere, small_installation()), stored)
    assert archive_info.sites(elsewhere) == [SITE]
    assert faults(elsewhere) == []


def test_changed_and_missing_files_of_a_depot_are_named(archive: Path) -> None:
    """A byte changed, a file removed and a file added in the depot are each found with its place."""
    fill(archive)
    depot = depot_of(archive)
    assert depot is not None
    one, two, three = (files(archive, f"readings/site={SITE}/date={day}")[0] for day in DAYS)
    data = bytearray(one.read_bytes())
    data[len(data) // 2] ^= 1

    depot.put(f"{one.folder}/{one.name}", bytes(data))
    depot.remove(f"{two.folder}/{two.name}")
    depot.put(f"{three.folder}/part-0000000099.parquet", bytes(data))
    chain = manifest.names(archive, SITE)[0][2]
    depot.put(f"manifest/site={SITE}/{chain.name}", b"{}")

    found = faults(archive)
    assert ("changed file", f"{one.folder}/{one.name}") in found
    assert ("removed file", f"{two.folder}/{two.name}") in found
    assert ("added file", f"{three.folder}/part-0000000099.parquet") in found
    assert ("changed manifest", f"{depot.url}/manifest/site={SITE}/{chain.name}") in found


def test_pruned_days_leave_the_depot(archive: Path) -> None:
    """Days that are removed go from the depot too, and the chain of manifests says so."""
    fill(archive)
    period = (pd.Timestamp(DAYS[0]).date(), pd.Timestamp(DAYS[1]).date())
    depot = depot_of(archive)
    assert depot is not None

    prune.prune(archive, SITE, *period, prune.plan(archive, SITE, *period).code)
    settle(archive)

    assert days_of(archive, SITE) == DAYS[2:]
    assert depot.names(f"readings/site={SITE}/date={DAYS[0]}") == {}
    assert len(depot.names(f"readings/site={SITE}/date={DAYS[2]}")) == 1
    assert faults(archive) == []


def test_lost_checkpoint_is_made_again_with_a_depot(archive: Path) -> None:
    """Without its checkpoint the archive still knows what is in the depot, and numbers go on after it."""
    stored = fill(archive)
    before = {file for day in DAYS for file in files(archive, f"readings/site={SITE}/date={day}")}
    checkpoints.path_of(archive, SITE).unlink()
    forget()

    store(archive, [pack(("ec", NOON + 100, 5.0))])
    settle(archive)

    after = {file for day in DAYS for file in files(archive, f"readings/site={SITE}/date={day}")}
    assert before < after
    assert len(read_readings(archive, small_installation())) == len(stored) + 1
    assert faults(archive) == []


def test_file_that_is_damaged_here_is_not_sent(tmp_path: Path) -> None:
    """A closed file whose bytes have changed stays where it is, and the rest goes."""
    archive = tmp_path / "archive"
    for day in range(2):
        store(archive, [pack(("ec", NOON + day * DAY_S, 1.0))])
    upkeep.upkeep(archive, SITE, everything=True, limit=100)
    path = parts(archive)[0]
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    (archive / DESCRIPTION).write_text(f'url = "file://{tmp_path}/far"\n', encoding="utf-8")

    with pytest.raises(DepotError, match="is not as it was written and is not sent"):
        settle(archive)

    assert parts(archive) == [path]
    assert len(parts(tmp_path / "far")) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("url = 5", r"depot\.toml, line 1, url = 5: expected text in quotes"),
        ('adress = "s3://a/b"', r"line 1, adress: unknown key; known here are url, endpoint, region"),
        ('url = "s3://a/b"\nhost = "x"', r"depot\.toml, line 2, host: unknown key"),
        ("url = ", r"depot\.toml, line 1, the file: not TOML"),
        ('url = "s3://user:word@a/b"', "without user, password or options"),
        ('url = "https://a/b"', "is no address of a depot"),
        ('url = "s3://a/b"\nendpoint = "objects.example"', "is no address of an object store"),
    ],
)
def test_wrong_description_of_a_depot_is_told_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    """Each mistake in depot.toml names the file, the key and what was expected."""
    (tmp_path / DESCRIPTION).write_text(text, encoding="utf-8")
    with pytest.raises(DepotError, match=said):
        depot_of(tmp_path)


def test_silent_depot_loses_nothing_and_says_so(archive: Path, tmp_path: Path, objects: ObjectStore) -> None:
    """While the depot is out of reach new readings are stored and read; afterwards all is there."""
    stored = fill(archive)
    now = int(pd.Timestamp.now().timestamp())
    if objects.endpoint in (archive / DESCRIPTION).read_text(encoding="utf-8"):
        objects.kill()
    else:
        (tmp_path / "far").rename(tmp_path / "unmounted")
        (tmp_path / "far").write_text("no disk", encoding="utf-8")

    store(archive, [pack(("ec", now, 1.0)), pack(("ec", NOON + 10 * DAY_S, 2.0))])
    with pytest.raises(DepotError, match=r"nothing is lost"):
        settle(archive)
    recent = read_readings(
        archive, small_installation(), start=pd.Timestamp(NOON + 9 * DAY_S, unit="s", tz="UTC")
    )
    with pytest.raises((DepotError, BusyArchiveError), match=r"nothing is lost|archive verify"):
        read_readings(archive, small_installation())
    if (tmp_path / "far").is_file():
        (tmp_path / "far").unlink()
        (tmp_path / "unmounted").rename(tmp_path / "far")
    else:
        objects.start()
    settle(archive)

    assert len(recent) == 2
    assert len(read_readings(archive, small_installation())) == len(stored) + 2
    assert faults(archive) == []


def test_command_gives_an_archive_its_depot(tmp_path: Path) -> None:
    """The command tries the depot first, writes where it is, and refuses to leave days behind in another."""
    archive, far = tmp_path / "archive", tmp_path / "far"
    store(archive, [pack(("ec", NOON, 1.0))])
    command = ["archive", "depot", "--archive", str(archive), "--url"]

    first = tricklebook(*command, f"file://{far}")
    merged = tricklebook("archive", "merge", "--archive", str(archive))
    second = tricklebook(*command, f"file://{tmp_path}/other")
    wrong = tricklebook(*command, "ftp://far")

    assert first.returncode == 0
    assert f"closed days go to file://{far}" in first.stdout
    assert "1 folders sent to the depot" in merged.stdout
    assert len(parts(far)) == 1
    assert "copy them to" in second.stderr
    assert "'ftp://far' is no address of a depot" in wrong.stderr
    assert list(far.glob("trial-*")) == []
