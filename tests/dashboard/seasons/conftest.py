"""The garden whose seasons are told."""

from __future__ import annotations

import pytest

from ingest.installation import Installation
from ingest.load_installation import load
from tests.dashboard.seasons.planted import (
    ROOT,
)


@pytest.fixture(scope="module")
def garden() -> Installation:
    """Return the sample garden."""
    return load(ROOT / "sample_data" / "installation.toml")
