"""One export of a trial ground in every format, and its workbook as pandas opens it."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.dashboard.export.trial import (
    NAMES,
    Made,
    plainly,
)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return an export of six days of the trial ground in every format."""
    return Made(tmp_path_factory.mktemp("trial"))


@pytest.fixture(scope="session")
def sheets(made: Made) -> dict[str, pd.DataFrame]:
    """Return every sheet of the workbook as pandas opens it."""
    with pd.ExcelFile(made.out / "export.xlsx") as book:
        return {name: pd.read_excel(book, sheet_name=name, **plainly(name)) for name in NAMES}
