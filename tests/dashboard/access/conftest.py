"""A watched installation with a leak, its users, and a browser that has not logged in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from dashboard.access.users import User, save
from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.records import Records
from dashboard.roles import ROLES
from dashboard.watch import Watch
from ingest.installation import Installation
from tests.dashboard.access.gate import LEAK, NOW, WORD, Clock


@pytest.fixture(scope="module")
def users(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a file with one user of each role, all with the same password."""
    path = tmp_path_factory.mktemp("access") / "users.toml"
    cheap = generate_password_hash(WORD, "pbkdf2:sha256:1000")
    save(path, {role: User(role, cheap) for role in ROLES})
    return path


@pytest.fixture
def clock() -> Clock:
    """Return a clock that stands at noon."""
    return Clock()


@pytest.fixture
def watch(installation: Installation, tmp_path: Path, clock: Clock) -> Watch:
    """Return a watch over an empty archive in which one leak was found."""
    feed = ArchiveFeed(tmp_path, installation)
    made_watch = Watch(feed, clock=clock, records=Records(tmp_path))
    assert made_watch.records is not None
    made_watch.records.cases.take_in([LEAK], NOW)
    made_watch.refresh()
    return made_watch


@pytest.fixture
def client(watch: Watch, users: Path) -> Iterator[FlaskClient]:
    """Return a browser that has not logged in."""
    with create_app(watch, Settings(users=users)).server.test_client() as asked:
        yield asked
