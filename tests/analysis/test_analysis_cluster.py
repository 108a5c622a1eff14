"""The analysis on Dask says what one process says, whatever happens to its workers; a fleet is told site by site."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import signal
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

import tricklebook
from analysis.archive import analyse_archive, period_of
from analysis.cluster import begin, connected, finish
from analysis.document import document, dumps, pieces
from analysis.incremental.book import FOLDER
from analysis.incremental.keys import method
from analysis.pipeline import analyse
from analysis.runs.windows import walk
from analysis.table import table
from analysis.tasks import (
    ALL,
    OtherProgramError,
    conclude_site,
    look_at_zone,
    make_ready,
    put_together,
)
from ingest.errors import UserError
from ingest.fleet import sites_in
from ingest.load_installation import load
from tests.support.plain import HEAD, MIDNIGHT, sensor, write_archive, zone

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from distributed import Client

    from ingest.fleet import Site
    from tests.analysis.conftest import Garden

TABLES = zone("a"), sensor("flow", "flow", "source", "L/h", accuracy='"2 %"', range='["0 L/h", "3000 L/h"]')
"""What a site of one zone and one meter is described by."""

NAMES = "Plain", "Second"
"""The sites' names."""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory, garden: Garden) -> Path:
    """Write two sites of one meter, three days each."""
    folder = tmp_path_factory.mktemp("fleet")
    rows = garden.frame
    for name in NAMES:
        place = folder / name.lower()
        place.mkdir()
        text = "\n".join((HEAD.replace('"Plain"', f'"{name}"'), *TABLES))
        (place / "installation.toml").write_text(text, "utf-8")
        system = load(place / "installation.toml")
        write_archive(place / "archive", system, rows[rows["sensor"] == "flow"])
    return folder


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    """Start two worker processes of Dask."""
    with connected(None, processes=2) as found:
        yield found


def _told(fleet: Path) -> list[str]:
    """Return what one process says of each site, without anything that was kept."""
    return [dumps(analyse_archive(site.archive, load(site.description))) for site in _bare(fleet)]


def _bare(fleet: Path) -> list[Site]:
    """Return the sites, with nothing kept."""
    sites = sites_in(fleet)
    for site in sites:
        for path in (site.archive / FOLDER).rglob("*"):
            if path.is_file():
                path.unlink()
    return sites


@pytest.mark.slow
def test_workers_say_the_same(fleet: Path, client: Client) -> None:
    """Two workers give the bytes of one process."""
    alone = _told(fleet)
    begun = [begin(client, site, load(site.description), None, None) for site in _bare(fleet)]

    assert [dumps(finish(one)) for one in begun] == alone


@pytest.mark.slow
def test_killed_worker_loses_nothing(fleet: Path, client: Client) -> None:
    """A worker that is killed while it works leaves a complete result with the same bytes."""
    alone = _told(fleet)
    begun = [begin(client, site, load(site.description), None, None) for site in _bare(fleet)]
    os.kill(next(iter(client.run(os.getpid).values())), signal.SIGKILL)

    assert [dumps(finish(one)) for one in begun] == alone


@pytest.mark.slow
def test_command_tells_a_fleet(
    fleet: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fleet's document is the list of its sites' documents; one broken site fails the command, not the others."""
    broken = fleet / "third"
    broken.mkdir(exist_ok=True)
    (broken / "installation.toml").write_text("name = 7", "utf-8")
    monkeypatch.setattr(sys, "argv", ["tricklebook", "analyse", "--fleet", str(fleet), "--json"])
    with pytest.raises(SystemExit) as ended:
        tricklebook.main()
    shown, said = capsys.readouterr()

    assert ended.value.code == 2
    assert [one["installation"] for one in json.loads(shown)] == list(NAMES)
    assert "third" in said


def test_zone_by_zone_is_all_at_once(garden: Garden, tmp_path: Path) -> None:
    """Each zone's runs looked at by themselves, from what another process was sent, give the bytes of one process."""
    write_archive(tmp_path, garden.installation, garden.frame)
    period = period_of(tmp_path, garden.installation, None, None)
    alone = dumps(analyse_archive(tmp_path, garden.installation, *period))
    shutil.rmtree(tmp_path / FOLDER)
    end, stretches = period[1], list(walk(*period))
    parts, seen = [], set()
    for some in (stretches[:2], stretches[2:]):
        ready = make_ready(tmp_path, garden.installation, end, method(), some)
        sent = pickle.loads(pickle.dumps(ready, pickle.HIGHEST_PROTOCOL))  # noqa: S301 - our own
        seen |= {name for name, views in ready.items() if views}
        told = [look_at_zone(method(), sent[name]) for name in reversed(garden.installation.zone)]
        parts.append(put_together(tmp_path, garden.installation, end, method(), sent[ALL], told))
    results = conclude_site(garden.installation, *period, (), parts)

    assert seen == {ALL, "a", "b"}
    assert dumps(results) == alone
    again = make_ready(tmp_path, garden.installation, end, method(), stretches)
    assert [again[name] for name in garden.installation.zone] == [[] for _ in garden.installation.zone]
    assert again[ALL] == [entry for part in parts for entry in part]


def test_worker_of_another_version_is_refused(garden: Garden, tmp_path: Path) -> None:
    """Whatever a worker is asked for, it does nothing for another version of the program."""
    with pytest.raises(OtherProgramError, match="install the same on every machine"):
        make_ready(tmp_path, garden.installation, garden.end, "other", [])
    with pytest.raises(OtherProgramError, match="install the same on every machine"):
        look_at_zone("other", [])
    with pytest.raises(OtherProgramError, match="install the same on every machine"):
        put_together(tmp_path, garden.installation, garden.end, "other", [], [])


def test_folder_without_sites_is_told(tmp_path: Path) -> None:
    """A folder in which no site stands says what a site needs."""
    with pytest.raises(UserError, match=r"no site here; each needs .*installation\.toml"):
        sites_in(tmp_path)


@pytest.mark.parametrize(
    "given",
    [[], ["--installation", "a.toml"], ["--fleet", "f", "--archive", "a"]],
    ids=["nothing", "no archive", "both"],
)
def test_command_needs_one_site_or_a_fleet(
    given: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One site or a fleet: anything else says what to give."""
    monkeypatch.setattr(sys, "argv", ["tricklebook", "analyse", *given])
    with pytest.raises(SystemExit):
        tricklebook.main()

    assert "--fleet alone for many" in capsys.readouterr().err


def test_text_in_pieces_is_the_document(garden: Garden) -> None:
    """The document written piece by piece has the bytes that the JSON writer gives at once, empty lists included."""
    for end in (garden.end, MIDNIGHT):
        results = analyse(garden.installation, garden.frame, MIDNIGHT, end)
        at_once = json.dumps(document(results), ensure_ascii=False, allow_nan=False, indent=1)

        assert "".join(pieces(results)) == at_once


def test_table_places_late_estimates_with_their_run(garden: Garden) -> None:
    """Every estimate of a run stands under it, also one that the season added at the end."""
    results = analyse(garden.installation, garden.frame, MIDNIGHT, garden.end)
    first = next(e for e in results.estimates if e.run_start == results.runs[0].start)
    late = replace(first, method="added at the end")
    shown = table(replace(results, estimates=(*results.estimates, late)), garden.installation)
    runs = [line for line in shown.splitlines() if line.startswith(("a  ", "b  ")) or "added at" in line]

    assert runs[0].startswith("a  ")
    assert "added at the end" in runs[1]
    assert len(runs) == len(results.runs) + 1
