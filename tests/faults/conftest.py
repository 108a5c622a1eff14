"""How long the fault suite may take, and the ingesters that it torments."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.command import Running
from tests.support.ingester import Devices, Zygote, zygote

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.broker import Broker


@pytest.fixture
def full(request: pytest.FixtureRequest) -> bool:
    """Whether ``make faults`` asks for the whole suite."""
    return bool(request.config.getoption("--faults") == "full")


@pytest.fixture
def ingester(tmp_path: Path, broker: Broker) -> Iterator[Zygote]:
    """Return a source of ingester processes that use the private broker."""
    with zygote(tmp_path, broker.port) as made:
        yield made


@pytest.fixture
def devices(broker: Broker) -> Iterator[Devices]:
    """Return devices that publish to the private broker."""
    made = Devices(broker.port)
    yield made
    made.close()


@pytest.fixture
def running() -> Iterator[list[Running]]:
    """Collect the ingesters that a test starts; all end with it."""
    started: list[Running] = []
    yield started
    for each in started:
        each.end()
