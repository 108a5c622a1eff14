"""The record tells what its numbers tell, and its evidence names every byte that was changed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.commissioning.example import garden
from analysis.results import Estimate, Finding, Interval, Results, Run
from dashboard.paper.completeness import Completeness
from dashboard.paper.evidence import differences, gather, read, sha256, write
from dashboard.paper.press import html
from dashboard.paper.record import Matter, record
from dashboard.paper.record_words import summary
from dashboard.paper.signature import SignatureError, key_id, new_key, public_keys, sign, verify

START = pd.Timestamp("2026-04-01", tz="UTC")
END = pd.Timestamp("2026-05-01", tz="UTC")
PASS = b"a long passphrase"
ROOT = Path(__file__).parents[2]


def _estimate(
    quantity: str, value: float, unit: str, run: pd.Timestamp | None, half: float = 0.015
) -> Estimate:
    """Return an estimate of bench1 with an interval of some share."""
    method = "mean of 30 runs in the whole period" if run is None else "totals of two meters"
    low, high = value * (1 - half), value * (1 + half)
    return Estimate(quantity, "bench1", run, value, unit, low, high, method, ("flow", "ec"))


def _results(fraction: float = 0.0101) -> Results:
    """Return a month with one run a day; its mean fraction is known to 1.5 %."""
    starts = [START + pd.Timedelta(days=d, hours=6) for d in range(30)]
    runs = [
        Run(
            "bench1", s, s + pd.Timedelta(minutes=40), 560.0, 840.0, Interval(s, s + pd.Timedelta(minutes=20))
        )
        for s in starts
    ]
    estimates = [_estimate("injection fraction", fraction, "1", s) for s in starts]
    refusal = Estimate(
        "clear-out time",
        "bench1",
        starts[0],
        None,
        "s",
        None,
        None,
        "EC",
        (),
        "refused",
        "no EC cell at the far end",
    )
    finding = Finding(
        "short flush",
        "bench1",
        None,
        starts[3],
        starts[3],
        "act",
        2.0,
        "min",
        "water ran 2 min",
        ("schedule",),
        "Run on.",
    )
    return Results(
        "Hollin Row",
        START,
        END,
        "tricklebook 0",
        tuple(runs),
        (*estimates, refusal, _estimate("injection fraction", fraction, "1", None)),
        (finding,),
    )


def _matter(results: Results | None = None) -> Matter:
    """Return what a record is made from."""
    return Matter(
        results or _results(),
        (Completeness("flow", 100, 2, 200), Completeness("ec", 5, 0, None)),
        client="A <b>",
    )


@pytest.mark.parametrize(
    ("fraction", "said"),
    [
        (0.0101, "the whole interval within 5 %"),
        (0.0105, "the interval reaches over the edge of 5 %"),
        (0.0120, "the whole interval more than 5 % off"),
    ],
)
def test_summary_says_what_the_interval_allows(fraction: float, said: str) -> None:
    """Inside, across and outside the tolerance are three different sentences."""
    first = summary(_results(fraction), (), garden(), "metric")[0]

    assert said in first
    assert "30 runs, 30 with stock" in first


def test_record_tells_refusals_findings_and_gaps() -> None:
    """What was not told, what was found and which sensor was silent all stand in the record."""
    page = html(record(_matter(), garden(), "metric"))

    for words in (
        "no EC cell at the far end",
        "water ran 2 min",
        "flow (50 %)",
        "nothing is noted; first: Run on.",
    ):
        assert words in page
    assert "A &lt;b&gt;" in page


def test_us_record_shows_gallons() -> None:
    """16 800 L are 4 438 gal."""
    page = html(record(_matter(), garden(), "us"))

    assert "4\N{NARROW NO-BREAK SPACE}438.1\N{NO-BREAK SPACE}gal" in page


def test_empty_period_is_told() -> None:
    """A period without runs says so, without a number."""
    nothing = Results("Hollin Row", START, END, "tricklebook 0", (), (), ())
    page = html(record(Matter(nothing, ()), garden(), "metric"))

    assert "bench1: no run was seen." in page
    assert "Nothing was found that needs a person." in page


def test_evidence_names_each_change(tmp_path: Path) -> None:
    """A changed, a missing and an added file are each named."""
    (tmp_path / "archive" / "readings" / "day").mkdir(parents=True)
    paper, chart, day = (
        tmp_path / "record.pdf",
        tmp_path / "chart.svg",
        tmp_path / "archive" / "readings" / "day",
    )
    for path in (paper, chart, day / "a.parquet", day / "b.parquet"):
        path.write_bytes(path.name.encode())
    said = gather(
        [paper, chart],
        tmp_path,
        days={"readings/day": {n: _sha(day / n) for n in ("a.parquet", "b.parquet")}},
    )
    write(tmp_path / "e.json", said)
    kept = read(tmp_path / "e.json")

    assert differences(kept, tmp_path, tmp_path / "archive") == []

    chart.write_bytes(b"chart.svh")
    (day / "a.parquet").unlink()
    (day / "c.parquet").write_bytes(b"new")

    found = {(d.what, d.how) for d in differences(kept, tmp_path, tmp_path / "archive")}
    assert found == {
        ("chart.svg", "changed"),
        ("readings/day/a.parquet", "missing"),
        ("readings/day/c.parquet", "added"),
    }


def _sha(path: Path) -> str:
    """Return a file's hash."""
    return sha256(path)


def test_signature_holds_for_the_file_and_for_no_other(tmp_path: Path) -> None:
    """A good signature is valid, a changed file is not, and a stranger's key is unknown."""
    paper = tmp_path / "paper"
    paper.write_bytes(b"what was found")
    public = new_key(tmp_path / "own.pem", PASS)
    sign(paper, tmp_path / "own.pem", PASS)
    stranger = new_key(tmp_path / "other.pem", PASS)

    assert verify(paper, public_keys(public)).valid
    assert not verify(paper, public_keys(stranger)).known
    paper.write_bytes(b"what was Found")
    assert not verify(paper, public_keys(public)).valid


def test_retired_key_still_proves_old_records(tmp_path: Path) -> None:
    """A folder of public keys holds old and new; each proves what it signed."""
    keys = []
    for name in ("first", "second"):
        paper = tmp_path / name
        paper.write_bytes(name.encode())
        new_key(tmp_path / f"{name}.pem", PASS)
        sign(paper, tmp_path / f"{name}.pem", PASS)
        keys.append(verify(paper, public_keys(tmp_path)))

    assert [verdict.valid for verdict in keys] == [True, True]
    assert keys[0].key != keys[1].key


def test_private_key_is_the_owners_alone(tmp_path: Path) -> None:
    """The private key is encrypted, readable by its owner only, and never overwritten."""
    path = tmp_path / "own.pem"
    public = new_key(path, PASS)

    assert path.stat().st_mode & 0o077 == 0
    assert b"ENCRYPTED" in path.read_bytes()
    assert public.name == f"{key_id(next(iter(public_keys(public).values())))}.pub.pem"
    with pytest.raises(SignatureError, match="exists already; a key is never overwritten"):
        new_key(path, PASS)
    with pytest.raises(SignatureError, match="check the file and its passphrase"):
        sign(public, path, b"wrong")
    with pytest.raises(SignatureError, match="needs a passphrase"):
        new_key(tmp_path / "none.pem", b"")


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
    times = pd.date_range("2026-04-10", periods=2 * 2880, freq="30s")
    runs = (times.hour == 6) & (times.minute < 40)
    wobble = np.random.default_rng(8).normal(0.0, 2.0, len(times))
    flow = np.where(runs, 800.0 + wobble, 0.0).round(1)
    pd.DataFrame({"time": times, "flow": flow}).to_csv(folder / "logger.csv", index=False)
    options = ["--installation", "installation.toml", "--archive", "archive"]
    for arguments in (
        ["load", "logger.csv", *options, "--timezone", "UTC"],
        ["archive", "merge", "--archive", "archive"],
        ["report", *options, "--output", "record.pdf", "--client", "Orchard House"],
        ["key", "new", "own.pem"],
        ["sign", "record.pdf", "--key", "own.pem"],
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


@pytest.mark.slow
@pytest.mark.parametrize(
    "pattern",
    [
        "record.pdf",
        "record.pdf.charts/*.svg",
        "archive/readings/site=*/date=2026-04-10/*.parquet",
        "archive/manifest/site=*/*.json",
        "record.pdf.evidence.json",
    ],
)
def test_one_changed_byte_is_named(signed: Path, pattern: str) -> None:
    """One byte of record, chart, day, manifest or evidence makes `verify` fail and name the file."""
    path = max(signed.glob(pattern))
    kept = path.read_bytes()
    place = len(kept) // 2
    path.write_bytes(kept[:place] + bytes([kept[place] ^ 1]) + kept[place + 1 :])
    try:
        done = _verify(signed)
    finally:
        path.write_bytes(kept)

    assert done.returncode in (2, 4)
    assert path.name in done.stderr


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
        *("--output", "again.pdf", "--client", "Orchard House"),
    )

    assert done.returncode == 0
    assert (signed / "again.pdf").read_bytes() == (signed / "record.pdf").read_bytes()
