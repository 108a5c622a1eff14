"""The house keeps its own rules: imports run one way, documents name what exists, the wheel works."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from analysis.results import ESTIMATE_UNITS, FINDING_KINDS
from benchmarks.__main__ import BENCHMARKS
from ingest.installation import POINTS
from ingest.quantities import QUANTITIES

ROOT = Path(__file__).parents[1]
RULES = ("preventer test due", "preventer test failed", "not judged", "ingest stopped", "analysis stopped")
"""Findings that state a rule and need no measuring."""

PACKAGES = ("ingest", "analysis", "dashboard", "sample_data")


def _copy_of_the_code(folder: Path) -> None:
    """Copy the packages and the project file, as a fresh checkout has them."""
    for package in PACKAGES:
        shutil.copytree(ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)


def _lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run the import rules as ``make check`` does."""
    lint = Path(sys.executable).with_name("lint-imports")
    return subprocess.run([lint, "--no-cache"], cwd=folder, capture_output=True, text=True, check=False)


def test_imports_never_run_back(tmp_path: Path) -> None:
    """The three layers hold as they stand."""
    _copy_of_the_code(tmp_path)

    assert _lint_imports(tmp_path).returncode == 0


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("ingest/quantities.py", "import analysis.results"),
        ("analysis/results.py", "import dashboard.cli"),
        ("analysis/results.py", "import pyarrow"),
        ("ingest/readings.py", "import dash"),
        ("analysis/archive.py", "import distributed"),
    ],
)
def test_planted_import_is_found(tmp_path: Path, module: str, line: str) -> None:
    """An import that runs back, or brings a rim's library into a pure folder, fails the rules."""
    _copy_of_the_code(tmp_path)
    with (tmp_path / module).open("a", encoding="utf-8") as file:
        file.write(f"\n{line}\n")

    verdict = _lint_imports(tmp_path)

    assert verdict.returncode == 1
    assert "BROKEN" in verdict.stdout


@pytest.mark.parametrize("word", [*POINTS, *QUANTITIES, *ESTIMATE_UNITS, *FINDING_KINDS])
def test_readme_tells_of_it(word: str) -> None:
    """Every point, quantity, estimate and finding has its row in the README."""
    readme = (ROOT / "README.md").read_text("utf-8")

    assert re.search(rf"^\| {re.escape(word)} \|", readme, re.MULTILINE)


def _costs() -> dict[str, list[list[str]]]:
    """Return the README's table of what each detector costs: kind to the cells of its rows."""
    readme = (ROOT / "README.md").read_text("utf-8")
    part = readme.split("### What each detector costs\n", 1)[1].split("\n## ", 1)[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in part.splitlines()
        if line[:2] == "| "
    ]
    found: dict[str, list[list[str]]] = {}
    for kind, *cells in rows[1:]:
        found.setdefault(kind, []).append(cells)
    return found


@pytest.mark.parametrize("kind", FINDING_KINDS)
def test_cost_of_each_detector_is_told(kind: str) -> None:
    """Every finding says from what size it is found, how soon, with how many false alarms, and what measured that.

    What no benchmark measured says so in words, or states the rule that it is.
    """
    for found_from, soon, alarms, sensors, command in _costs()[kind]:
        assert sensors
        if command.strip("`") in BENCHMARKS:
            assert re.search(r"\d|no stock", found_from)
            assert re.match(r"\d+ \(\d+\.\d+\)", alarms)
        else:
            assert command == "\N{EN DASH}"
            assert found_from == soon == alarms == "not measured" or (kind in RULES and alarms == command)


def test_dependencies_earn_their_place() -> None:
    """Every dependency has its line of reason in DEVELOPERS.md."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(d for group in project["optional-dependencies"].values() for d in group),
    ]
    reasons = (ROOT / "DEVELOPERS.md").read_text("utf-8")

    silent = [name for name in (re.split(r"[<>=;\[ ]", d)[0] for d in wanted) if f"| {name} |" not in reasons]

    assert silent == []


def test_locks_have_hashes_and_no_host() -> None:
    """Every pinned package carries hashes, and no lock names a host."""
    for lock in (ROOT / "requirements.lock", ROOT / "requirements-dev.lock"):
        text = lock.read_text("utf-8")
        pins = re.findall(r"^([a-z0-9._-]+)==", text, re.MULTILINE)
        hashed = re.findall(r"^([a-z0-9._-]+)==[^\n]*\\\n\s+--hash=sha256:", text, re.MULTILINE)

        assert pins
        assert pins == hashed
        assert "://" not in text


def test_every_named_benchmark_is_there() -> None:
    """Each benchmark that `make bench` names is a module with a `main`."""
    for name in BENCHMARKS:
        source = (ROOT / "benchmarks" / f"{name}.py").read_text("utf-8")

        assert re.search(r"^def main\(", source, re.MULTILINE), name


def test_doors_hold_no_code() -> None:
    """A package's ``__init__`` is a docstring and nothing else: names come from their own module."""
    for package in PACKAGES:
        for path in (ROOT / package).rglob("__init__.py"):
            assert re.fullmatch(r'"""[^"]+"""\s*', path.read_text("utf-8")), path


@pytest.mark.slow
def test_wheel_works_from_another_folder(tmp_path: Path) -> None:
    """The built wheel holds every module and its command runs without the checkout."""
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--quiet",
            "--no-deps",
            "--no-build-isolation",
            "-w",
            tmp_path,
            ROOT,
        ],
        check=True,
    )
    wheel = next(tmp_path.glob("tricklebook-*.whl"))
    target = tmp_path / "installed"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", target, wheel],
        check=True,
    )

    shown = subprocess.run(
        [sys.executable, "-c", "import tricklebook; tricklebook.main()", "--help"],
        cwd=tmp_path,
        env={"PYTHONPATH": str(target), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=True,
    )

    for command in ("run", "ingest", "load", "analyse", "dashboard", "check"):
        assert re.search(rf"\b{command}\b", shown.stdout)
