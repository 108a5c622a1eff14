"""The servers that notices go to, and a garden with planted faults."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.notices.words import Place
from ingest.installation import Installation
from tests.dashboard import field as invented
from tests.support.broker import Broker
from tests.support.notice_servers import Certificates, HookServer, MailServer, certificates
from tests.support.notices import Garden


@pytest.fixture(scope="session")
def installation() -> Installation:
    """Return two benches in Lisbon's time zone."""
    return Installation.model_validate(tomllib.loads(invented.installation_text()))


@pytest.fixture(scope="session")
def place(installation: Installation) -> Place:
    """Return the benches, with a page."""
    return Place(installation, "https://drip.example.org/")


@pytest.fixture(scope="session")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Make an authority of the tests and a certificate of this machine."""
    return certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def mail_server(papers: Certificates) -> Iterator[MailServer]:
    """Run a mail server with TLS from the first byte."""
    server = MailServer(papers)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def hook_server() -> Iterator[HookServer]:
    """Run a receiver of webhooks."""
    server = HookServer()
    server.start()
    yield server
    server.stop()


@pytest.fixture
def garden(
    tmp_path: Path, papers: Certificates, mail_server: MailServer, hook_server: HookServer, broker: Broker
) -> Iterator[Garden]:
    """Make an archive with planted faults, and servers that take notices."""
    made = Garden(tmp_path, mail_server.port, hook_server.port, broker.port, papers)
    yield made
    made.kill_all()
