"""Measured data that are not part of the project: read where they are, else the test is skipped."""

from __future__ import annotations

from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2].parent / "shared" / "datasets"


def measured(name: str) -> Path:
    """Return a data set's folder, or skip the test that asked for it."""
    folder = FOLDER / name
    if not folder.is_dir():
        pytest.skip(f"the measured data set {name} is not on this machine")
    return folder
