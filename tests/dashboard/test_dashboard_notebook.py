"""The notebook of the docs: it reads a fresh archive and its export with plain pandas, and its checks hold."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.support import trial_archive

ROOT = Path(__file__).parents[2]
NOTEBOOK = ROOT / "docs" / "reading-the-data.ipynb"
OURS = {"analysis", "dashboard", "ingest", "sample_data", "tricklebook"}


def _cells(path: Path) -> list[dict[str, Any]]:
    """Return the cells of code of a notebook."""
    cells: list[dict[str, Any]] = json.loads(path.read_text("utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


RUN = """
import sys
import nbformat
from nbclient import NotebookClient
notebook = nbformat.read(sys.argv[1], as_version=4)
NotebookClient(notebook, timeout=300, kernel_name="python3").execute()
nbformat.write(notebook, sys.argv[2])
"""


@pytest.mark.slow
def test_notebook_runs_on_a_fresh_archive_and_export(tmp_path: Path) -> None:
    """Every cell runs, every check of the notebook holds, and the planted verdicts are what it prints."""
    trial_archive.make(tmp_path, 4)
    export = [sys.executable, "-m", "tricklebook", "export", "--installation", tmp_path / "installation.toml"]
    export += ["--archive", tmp_path / "archive", "--out", tmp_path / "export", "--resolution", "5min"]
    subprocess.run([str(word) for word in export], cwd=ROOT, check=True, capture_output=True)
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(NOTEBOOK), str(tmp_path / "done.ipynb")],
        cwd=tmp_path,
        env=os.environ
        | {"TRICKLEBOOK_ARCHIVE": str(tmp_path / "archive"), "TRICKLEBOOK_EXPORT": str(tmp_path / "export")},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stderr[-3000:]
    told = "".join(
        "".join(output.get("text", ()))
        for cell in _cells(tmp_path / "done.ipynb")
        for output in cell["outputs"]
    )
    assert "full, N: equivalent" in told
    assert "rich, N: different" in told


def test_notebook_is_kept_without_outputs() -> None:
    """What is kept has no outputs and no counts, so that a change of it is a change of its words."""
    cells = _cells(NOTEBOOK)

    assert cells
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells)


def test_notebook_needs_no_package_of_ours() -> None:
    """Only the standard library, pandas, numpy and scipy are imported, and checks are made."""
    tree = ast.parse("\n".join("".join(cell["source"]) for cell in _cells(NOTEBOOK)))
    imported = {
        alias.name.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.Import) for alias in n.names
    }
    imported |= {(n.module or "").split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}

    assert imported == {"json", "os", "pathlib", "numpy", "pandas", "scipy"}
    assert not imported & OURS
    assert sum(isinstance(n, ast.Assert) for n in ast.walk(tree)) >= 7
