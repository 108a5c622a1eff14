"""The archive gives the same results as the readings in memory, a day at a time; the command prints them."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import pandas as pd
import pytest

import tricklebook
from analysis.archive import NothingStoredError, analyse_archive, span_of
from analysis.document import dumps
from analysis.pipeline import analyse
from analysis.table import clock
from tests.analysis.conftest import Garden, at, grown
from tests.support.plain import HEAD, MIDNIGHT, installation, sensor, write_archive, zone

if TYPE_CHECKING:
    from collections.abc import Sequence

TRICKLEBOOK = str(Path(sys.executable).with_name("tricklebook"))

DESCRIPTION = "\n".join(
    (
        HEAD,
        zone("a"),
        sensor("flow", "flow", "source", "L/h", accuracy='"2 %"', range='["0 L/h", "3000 L/h"]'),
    )
)
"""An installation file of one zone and one meter."""


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory, garden: Garden) -> Path:
    """Store the clean garden's three days in an archive."""
    folder = tmp_path_factory.mktemp("archive")
    write_archive(folder, garden.installation, garden.frame)
    return folder


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory, garden: Garden) -> tuple[Path, Path]:
    """Write an installation file of one meter, and an archive with the garden's flow."""
    folder = tmp_path_factory.mktemp("plain")
    (folder / "installation.toml").write_text(DESCRIPTION, "utf-8")
    rows = garden.frame
    plain = installation(zone("a"), sensor("flow", "flow", "source", "L/h", accuracy='"2 %"'))
    write_archive(folder / "archive", plain, rows[rows["sensor"] == "flow"])
    return folder / "installation.toml", folder / "archive"


class Command(Protocol):
    """Runs ``tricklebook analyse`` through the front door, in this process."""

    def __call__(self, *arguments: str | Path) -> tuple[int, str, str]:
        """Return exit status, standard output and standard error."""


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Return the command."""

    def run(*arguments: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["tricklebook", "analyse", *(str(a) for a in arguments)])
        with pytest.raises(SystemExit) as ended:
            tricklebook.main()
        return (int(ended.value.code or 0), *capsys.readouterr())

    return run


def _where(described: tuple[Path, Path]) -> Sequence[str | Path]:
    """Return the options that name the file and the archive."""
    return "--installation", described[0], "--archive", described[1]


def test_archive_and_memory_say_the_same(stored: Path, garden: Garden) -> None:
    """What an archive holds gives the same bytes as the same readings in memory."""
    from_archive = analyse_archive(stored, garden.installation, MIDNIGHT, garden.end)

    assert dumps(from_archive) == dumps(analyse(garden.installation, garden.frame, MIDNIGHT, garden.end))


def test_period_left_out_is_the_whole_archive(stored: Path, garden: Garden) -> None:
    """Without a period the whole archive is analysed, to just after its last reading."""
    assert span_of(stored, garden.installation) == (MIDNIGHT, garden.end)
    assert len(analyse_archive(stored, garden.installation).runs) == 6


def test_empty_archive_says_where_it_looked(tmp_path: Path, garden: Garden) -> None:
    """An archive without a reading of this installation is an error that names folder and site."""
    with pytest.raises(NothingStoredError, match="site=plain"):
        analyse_archive(tmp_path, garden.installation)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_archive(tmp_path: Path) -> None:
    """Twelve days need no more memory than four, but for the results themselves."""
    peaks = {}
    for days in (4, 12):
        runs = tuple(
            ("a", 24.0 * d + 6.0, 24.0 * d + 7.0, 24.0 * d + 6.2, 24.0 * d + 6.6) for d in range(days)
        )
        garden = grown(runs, hours=24.0 * days)
        write_archive(tmp_path / str(days), garden.installation, garden.frame)
        plain = garden.installation
        del garden
        tracemalloc.start()
        analyse_archive(tmp_path / str(days), plain)
        peaks[days] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()

    assert peaks[12] < 1.3 * peaks[4]


def test_command_prints_one_document(described: tuple[Path, Path]) -> None:
    """With --json one document stands on standard output and nothing on standard error."""
    words = [TRICKLEBOOK, "analyse", *(str(w) for w in _where(described)), "--json"]

    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)

    assert done.stderr == ""
    assert len(json.loads(done.stdout)["runs"]) == 4


def test_command_is_deterministic(described: tuple[Path, Path], command: Command) -> None:
    """Two runs of the command print the same bytes."""
    assert command(*_where(described), "--json") == command(*_where(described), "--json")


def test_command_prints_a_table(described: tuple[Path, Path], command: Command) -> None:
    """Without --json a person reads runs in local time with their numbers and intervals."""
    status, shown, _ = command(*_where(described))

    assert status == 0
    assert "a  2026-05-01 06:59:55" in shown  # Lisbon is an hour ahead of UTC in May
    assert "water volume: " in shown
    assert "No findings." in shown


def test_command_explains(described: tuple[Path, Path], command: Command) -> None:
    """With --explain each number is followed by the shares of what makes it uncertain."""
    assert "%  meter gain (flow)" in command(*_where(described), "--explain")[1]


def test_command_takes_a_period_in_local_time(described: tuple[Path, Path], command: Command) -> None:
    """A period without a zone is local; one that names a zone is taken as it says."""
    where = [*_where(described), "--json"]
    local = json.loads(command(*where, "--from", "2026-05-02", "--to", "2026-05-03")[1])
    named = json.loads(command(*where, "--from", "2026-05-01T23:00Z", "--to", "2026-05-02T23:00Z")[1])

    assert local == named
    assert local["from"] == "2026-05-01T23:00:00Z"
    assert len(local["runs"]) == 2


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--from", "yesterday-ish"], "--from: 'yesterday-ish' is no time"),
        (["--from", "2026-05-03", "--to", "2026-05-02"], "must be later than"),
        (["--installation", "nowhere.toml"], "nowhere.toml"),
        (["--archive", "nowhere"], "there is no reading"),
    ],
)
def test_command_says_what_to_mend(
    described: tuple[Path, Path], command: Command, options: list[str], words: str
) -> None:
    """What a person got wrong goes to standard error with a failing status, and nothing to standard output."""
    given = {"--installation": str(described[0]), "--archive": str(described[1])}
    given.update(zip(options[::2], options[1::2], strict=True))

    status, shown, said = command(*(word for pair in given.items() for word in pair), "--json")

    assert status != 0
    assert shown == ""
    assert words in said


def test_progress_shows_on_a_terminal_only(described: tuple[Path, Path]) -> None:
    """On a terminal a bar moves on standard error; the document on standard output stays clean."""
    screen, terminal = pty.openpty()
    words = [TRICKLEBOOK, "analyse", *(str(w) for w in _where(described)), "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=terminal, text=True) as process:
        os.close(terminal)
        text = process.stdout.read() if process.stdout else ""
        shown = os.read(screen, 10_000).decode()
    os.close(screen)

    assert "analysing [" in shown
    assert json.loads(text)["runs"]


def test_us_units_are_shown_where_asked_for(
    tmp_path: Path, described: tuple[Path, Path], command: Command
) -> None:
    """An installation that asks for US units reads gallons."""
    file = tmp_path / "us.toml"
    file.write_text('units = "us"\n' + DESCRIPTION, "utf-8")

    assert " gal (" in command("--installation", file, "--archive", described[1])[1]


@pytest.mark.parametrize(("seconds", "words"), [(-95, "-1 min 35 s"), (0, "0 s"), (86400, "24 h 0 min")])
def test_clock_says_it_as_people_do(seconds: float, words: str) -> None:
    """Durations are told in hours, minutes and seconds."""
    assert clock(seconds) == words


def test_from_inside_a_run_leaves_that_run_out(stored: Path, garden: Garden) -> None:
    """A period that begins in the middle of a run does not make half a run of it."""
    found = analyse_archive(stored, garden.installation, at(6.5), at(12)).runs

    assert [(r.zone, r.start.round("1min")) for r in found] == [("b", pd.Timestamp(at(7)))]
