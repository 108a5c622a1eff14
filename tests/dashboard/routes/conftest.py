"""The application with everything that it can have, and browsers that ask it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from dash import Dash
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from dashboard.access.users import User, save
from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.records import Records
from dashboard.roles import ROLES
from dashboard.watch import Watch
from ingest.installation import Installation
from tests.dashboard.routes.crawl import (
    NOW,
    PREFIX,
    WORD,
    log_in,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write users, one of each role."""
    path = tmp_path_factory.mktemp("routes")
    cheap = generate_password_hash(WORD, "pbkdf2:sha256:1000")
    save(path / "users.toml", {role: User(role, cheap) for role in ROLES})
    return path


@pytest.fixture(scope="module")
def app(folder: Path, installation: Installation) -> Dash:
    """Return the application with everything that it can have: users, records, a prefix."""
    feed = ArchiveFeed(folder / "archive", installation)
    watch = Watch(feed, clock=lambda: NOW, records=Records(folder / "archive"))
    watch.refresh()
    return create_app(watch, Settings(PREFIX, folder / "users.toml"))


@pytest.fixture
def client(app: Dash) -> Iterator[FlaskClient]:
    """Return a browser that has not logged in."""
    with app.server.test_client() as asked:
        yield asked


@pytest.fixture
def manager(client: FlaskClient) -> FlaskClient:
    """Return a browser in which a manager has logged in."""
    log_in(client, "manage")
    return client
