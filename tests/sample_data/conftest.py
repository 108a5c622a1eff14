"""One simulated history that the tests of this folder share."""

from __future__ import annotations

import tomllib

import pytest

from ingest.installation import Installation
from sample_data.folder import INSTALLATION
from sample_data.plant import Plant, build
from sample_data.schedule import Scenario, session

ANCHOR = 1_780_000_000
"""When the demo of the tests was first started: 2026-05-28T20:26:40Z."""


@pytest.fixture(scope="session")
def installation() -> Installation:
    """Return the invented garden."""
    return Installation.model_validate(tomllib.loads(INSTALLATION.read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def plant(installation: Installation) -> Plant:
    """Return two days of it, up to three hours after the anchor."""
    return build(installation, Scenario(7, 2, (session(ANCHOR),)), until=ANCHOR + 3 * 3600)
