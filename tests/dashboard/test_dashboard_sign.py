"""Signed records by command: every byte that was changed is named, and what cannot be made says why."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dashboard.paper.evidence import differences, read
from dashboard.paper.signature import public_keys, verify

PASS = b"a long passphrase"
ROOT = Path(__file__).parents[2]


SYSTEM = """
name = "Hollin Row"
timezone = "Europe/Lisbon"
[supply]
kind = "well"
backflow_preventer = "double check valve"
tested = 2026-03-02
[zone.bed]
emitters = [{ count = 400, flow = "2 L/h" }]
[sensor.flow]
quantity = "flow"
point = "zone"
zone = "bed"
unit = "L/h"
accuracy = "2 %"
range = ["0 L/h", "3000 L/h"]
interval = "30 s"
source = { csv = "flow" }
"""


def _run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a person does, with a passphrase in the environment."""
    return subprocess.run(
        [sys.executable, "-m", "tricklebook", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TRICKLEBOOK_KEY_PASSPHRASE": PASS.decode()},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with an archive of two days, a signed record of them, and the public key."""
    folder = tmp_path_factory.mktemp("signed")
    (folder / "installation.toml").write_text(SYSTEM, "utf-8")
    for name in ("contractor.toml", "contractor.svg"):
        (folder / name).write_bytes((ROOT / "sample_data" / name).read_bytes())
    times = pd.date_range("2026-04-10", periods=2 * 2880, freq="30s")
    runs = (times.hour == 6) & (times.minute < 40)
    wobble = np.random.default_rng(8).normal(0.0, 2.0, len(times))
    flow = np.where(runs, 800.0 + wobble, 0.0).round(1)
    pd.DataFrame({"time": times, "flow": flow}).to_csv(folder / "logger.csv", index=False)
    options = ["--installation", "installation.toml", "--archive", "archive"]
    report = ["report", *options, "--contractor", "contractor.toml", "--client", "Orchard House"]
    entry = ["--kind", "filter cleaned", "--person", "R. Alder", "--time", "2026-04-10T12:00Z"]
    for arguments in (
        ["load", "logger.csv", *options, "--timezone", "UTC"],
        ["archive", "merge", "--archive", "archive"],
        ["service", "add", "--archive", "archive", *entry],
        [*report, "--output", "record.pdf"],
        [*report, "--output", "record.html"],
        ["key", "new", "own.pem"],
        ["sign", "record.pdf", "--key", "own.pem"],
        ["sign", "record.html", "--key", "own.pem"],
    ):
        done = _run(folder, *arguments)
        assert done.returncode == 0, (arguments, done.stderr)
    return folder


def _verify(folder: Path) -> subprocess.CompletedProcess[str]:
    """Verify the record with key and archive."""
    return _run(folder, "verify", "record.pdf", "--trusted", ".", "--archive", "archive")


@pytest.mark.slow
def test_signed_record_verifies(signed: Path) -> None:
    """An untouched record with its archive verifies, and without the archive it says what was not compared."""
    with_archive, alone = _verify(signed), _run(signed, "verify", "record.pdf", "--trusted", ".")

    assert (with_archive.returncode, with_archive.stderr) == (0, "")
    assert "signature: good" in with_archive.stdout
    assert alone.returncode == 0
    assert "readings: not compared" in alone.stdout


def _flipped(path: Path, rng: np.random.Generator) -> bytes:
    """Change one bit of one byte somewhere in a file; return what it was."""
    kept = path.read_bytes()
    place, bit = int(rng.integers(len(kept))), 1 << int(rng.integers(8))
    path.write_bytes(kept[:place] + bytes([kept[place] ^ bit]) + kept[place + 1 :])
    return kept


@pytest.mark.slow
@pytest.mark.parametrize(
    "pattern",
    [
        "record.pdf.charts/0*.svg",
        "archive/readings/site=*/date=2026-04-10/*.parquet",
        "record.pdf.evidence.json.sig",
    ],
)
def test_one_changed_byte_is_named_by_the_command(signed: Path, pattern: str) -> None:
    """One byte of chart, day or signature makes the command fail and name the file; the next test walks all files."""
    path = max(signed.glob(pattern))
    kept = _flipped(path, np.random.default_rng(3))
    try:
        done = _verify(signed)
    finally:
        path.write_bytes(kept)

    assert done.returncode in (2, 4)
    assert path.name in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize("name", ["record.pdf", "record.html"])
@pytest.mark.parametrize("with_archive", [True, False])
def test_no_byte_anywhere_can_be_changed_unseen(signed: Path, name: str, *, with_archive: bool) -> None:
    """At forty random places of every file the record has or rests on, a changed bit is told with its file's name."""
    rng, archive = np.random.default_rng(11), signed / "archive"
    papers = [signed / name, *(signed / f"{name}.charts").iterdir()]
    rests = [
        *archive.glob("readings/**/*.parquet"),
        *archive.glob("manifest/**/*.json"),
        archive / "service.jsonl",
    ]
    evidence, keys = signed / f"{name}.evidence.json", public_keys(signed)
    unseen = []
    for path in [*papers, *(rests if with_archive else []), evidence]:
        for _ in range(40):
            kept = _flipped(path, rng)
            told: set[str] = set()
            if path != evidence:
                found = differences(read(evidence), signed, archive if with_archive else None)
                told = {Path(d.what).name for d in found}
            told |= set() if verify(evidence, keys).valid else {evidence.name}
            path.write_bytes(kept)
            unseen += [] if path.name in told else [path.name]

    assert unseen == []
    assert len(papers) >= 4
    assert {"logo.svg", "evidence.json"} < {path.name for path in papers}


@pytest.mark.slow
def test_other_installation_file_is_told(signed: Path) -> None:
    """Where the installation file is at hand, a changed one is named."""
    other = signed / "other.toml"
    other.write_text(SYSTEM.replace("2 L/h", "4 L/h"), "utf-8")
    same, changed = (
        _run(signed, "verify", "record.pdf", "--installation", file)
        for file in ("installation.toml", "other.toml")
    )

    assert same.returncode == 0
    assert changed.returncode == 4
    assert "other.toml: is not the file that the record was made with" in changed.stderr


@pytest.mark.slow
def test_withdrawn_key_fails_the_record(signed: Path, tmp_path: Path) -> None:
    """With the notice beside the trusted key, `verify` fails and tells key, day and reason."""
    (public,) = (p for p in signed.glob("*.pub.pem"))
    copy = tmp_path / public.name
    copy.write_bytes(public.read_bytes())
    done = _run(signed, "key", "revoke", str(copy), "--why", "seen by a stranger")
    told = _run(signed, "verify", "record.pdf", "--trusted", str(tmp_path))

    assert done.returncode == 0
    assert told.returncode == 4
    assert "which was withdrawn on" in told.stderr
    assert "seen by a stranger" in told.stderr


@pytest.mark.slow
def test_record_that_was_changed_is_not_signed(signed: Path) -> None:
    """Signing refuses a record that is no longer what was made."""
    paper = signed / "record.pdf"
    kept = paper.read_bytes()
    paper.write_bytes(kept + b" ")
    try:
        done = _run(signed, "sign", "record.pdf", "--key", "own.pem")
    finally:
        paper.write_bytes(kept)

    assert done.returncode == 2
    assert "record.pdf was changed since the record was made" in done.stderr


@pytest.mark.slow
def test_same_archive_gives_the_same_record(signed: Path) -> None:
    """A second record of the same period has the same bytes."""
    done = _run(
        signed,
        *("report", "--installation", "installation.toml", "--archive", "archive"),
        *("--output", "again.pdf", "--client", "Orchard House", "--contractor", "contractor.toml"),
    )

    assert done.returncode == 0
    assert (signed / "again.pdf").read_bytes() == (signed / "record.pdf").read_bytes()


@pytest.mark.slow
def test_every_kind_of_record_is_made_and_verified(signed: Path) -> None:
    """Commissioning and service records come from the same command; what two days cannot tell is refused in them."""
    options = ["report", "--installation", "installation.toml", "--archive", "archive"]
    for kind, said in (
        ("commissioning", "Not accepted yet"),
        ("service", "Whether it changed anything cannot be told from the data"),
    ):
        done = _run(signed, *options, "--kind", kind, "--output", f"{kind}.html")
        checked = _run(signed, "verify", f"{kind}.html", "--archive", "archive")

        assert (done.returncode, checked.returncode) == (0, 0), (done.stderr, checked.stderr)
        assert said in (signed / f"{kind}.html").read_text("utf-8")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--kind", "weekly"], "--kind weekly: expected one of periodic, commissioning, service"),
        (["--entry", "2026-04-10"], "goes with --kind service"),
        (
            ["--kind", "service", "--entry", "2026-04-11"],
            "names 0 entries; name one of: 2026-04-10 13:00 filter cleaned",
        ),
        (["--contractor", "none.toml"], "none.toml, the file: cannot be read"),
    ],
)
def test_what_cannot_be_made_is_told_with_its_mend(signed: Path, options: list[str], said: str) -> None:
    """A wrong kind, entry or contractor's file ends with status 2 and words that help."""
    base = ["report", "--installation", "installation.toml", "--archive", "archive", "--output", "no.html"]
    done = _run(signed, *base, *options)

    assert done.returncode == 2
    assert said in done.stderr
    assert not (signed / "no.html").exists()
