"""Fixtures that every test may use."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Protocol

import pytest
from hypothesis import settings
from playwright.sync_api import sync_playwright

from tests.support.broker import OPEN_LISTENER, Broker

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

settings.register_profile("house", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("house")


@pytest.fixture(autouse=True)
def broken_steps_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let an error within a step of the analysis fail the test, where users would get a finding."""
    monkeypatch.setattr("analysis.broken.SURVIVED", ())


class StartBroker(Protocol):
    """Starts a private mosquitto with the given configuration text."""

    def __call__(self, conf: str = OPEN_LISTENER) -> Broker:
        """Return the broker, its port open."""


@pytest.fixture
def start_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StartBroker]:
    """Start brokers with a configuration of the test's own; all end with the test."""
    started: list[Broker] = []

    def start(conf: str = OPEN_LISTENER) -> Broker:
        folder: Path = tmp_path_factory.mktemp("broker")
        broker = Broker(folder=folder, conf=conf)
        started.append(broker)
        broker.start()
        return broker

    yield start
    for broker in started:
        broker.kill()


@pytest.fixture
def broker(start_broker: StartBroker) -> Broker:
    """Return a private mosquitto that takes anyone on this machine and drops nothing."""
    return start_broker()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let the fault suite run in its full form."""
    parser.addoption(
        "--faults",
        choices=("short", "full"),
        default="short",
        help="how long the fault suite may take: short (part of every test run) or full (make faults)",
    )


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return Debian's Chromium without a window, one for all tests: Playwright runs once in a process."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed on this machine")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program)
        yield chromium
        chromium.close()
