"""Evidence and signatures name every byte that was changed; keys follow each other and can be withdrawn."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dashboard.paper.evidence import EvidenceError, differences, gather, prefix, read, sha256, write
from dashboard.paper.keyring import accept, revoke, revoked, rotate
from dashboard.paper.signature import SignatureError, key_id, new_key, public_keys, sign, verify

PASS = b"a long passphrase"
ROOT = Path(__file__).parents[2]


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


def test_rotated_key_is_vouched_for_and_old_records_stay_verifiable(tmp_path: Path) -> None:
    """Who trusts the old key can take in the new one; a stranger's key is not taken in."""
    trusted, house = tmp_path / "trusted", tmp_path / "house"
    trusted.mkdir()
    house.mkdir()
    old = new_key(house / "old.pem", PASS)
    (trusted / old.name).write_bytes(old.read_bytes())
    paper = tmp_path / "paper"
    paper.write_bytes(b"signed before")
    sign(paper, house / "old.pem", PASS)
    new = rotate(house / "old.pem", house / "new.pem", PASS)
    accept(new, trusted)
    later = tmp_path / "later"
    later.write_bytes(b"signed after")
    sign(later, house / "new.pem", PASS)

    assert [verify(one, public_keys(trusted)).valid for one in (paper, later)] == [True, True]
    stranger = new_key(tmp_path / "stranger.pem", PASS)
    sign(stranger, tmp_path / "stranger.pem", PASS)
    with pytest.raises(SignatureError, match="vouched for by a key that is not trusted"):
        accept(stranger, trusted)


def test_rotation_needs_the_old_key(tmp_path: Path) -> None:
    """With a wrong passphrase no new key is made."""
    new_key(tmp_path / "old.pem", PASS)

    with pytest.raises(SignatureError, match="check the file and its passphrase"):
        rotate(tmp_path / "old.pem", tmp_path / "new.pem", b"wrong")
    assert not (tmp_path / "new.pem").exists()


def test_withdrawn_key_is_told_and_vouches_for_nothing(tmp_path: Path) -> None:
    """The notice tells day and reason, a successor of a withdrawn key is refused, a torn notice is no pardon."""
    public = new_key(tmp_path / "old.pem", PASS)
    follower = rotate(tmp_path / "old.pem", tmp_path / "new.pem", PASS)
    notice = revoke(public, "2026-11-01", "the laptop was stolen")
    (told,) = revoked(tmp_path).values()

    assert (told.key, told.day, told.why) == (
        public.name.split(".")[0],
        "2026-11-01",
        "the laptop was stolen",
    )
    with pytest.raises(SignatureError, match="withdrawn on 2026-11-01: the laptop was stolen"):
        accept(follower, tmp_path)
    notice.write_text('{"key": "', "utf-8")
    with pytest.raises(SignatureError, match="get it anew, or remove it knowingly"):
        revoked(tmp_path)
    with pytest.raises(SignatureError, match="say why the key is withdrawn"):
        revoke(public, "2026-11-01", " ")


def test_every_byte_of_a_signature_counts(tmp_path: Path) -> None:
    """No byte of the signature's file can be changed, not even one whose bits the signature does not use."""
    paper = tmp_path / "paper"
    paper.write_bytes(b"what was found")
    keys = public_keys(new_key(tmp_path / "own.pem", PASS))
    beside = sign(paper, tmp_path / "own.pem", PASS)
    kept = beside.read_bytes()
    good = []
    for place in range(len(kept)):
        for bit in (1, 2, 16, 128):
            beside.write_bytes(kept[:place] + bytes([kept[place] ^ bit]) + kept[place + 1 :])
            try:
                good += [(place, bit)] if verify(paper, keys).valid else []
            except SignatureError:
                continue

    assert good == []


def test_ledger_may_grow_but_not_change(tmp_path: Path) -> None:
    """Lines added to a ledger later are no difference; a byte of those that were there is."""
    ledger = tmp_path / "service.jsonl"
    ledger.write_bytes(b"one\ntwo\n")
    said = gather([], tmp_path, ledgers={"service.jsonl": prefix(ledger)})
    ledger.write_bytes(b"one\ntwo\nthree\n")

    assert differences(said, tmp_path, tmp_path) == []
    ledger.write_bytes(b"one\ntwO\nthree\n")
    assert [(d.what, d.how) for d in differences(said, tmp_path, tmp_path)] == [("service.jsonl", "changed")]


@pytest.mark.parametrize(
    "content", ["[]", '{"form": "x"}', '{"form": "tricklebook evidence 1", "files": ["a"]}', "{"]
)
def test_what_is_no_evidence_is_refused(tmp_path: Path, content: str) -> None:
    """A file of another shape is refused in words, and never believed."""
    path = tmp_path / "evidence.json"
    path.write_text(content, "utf-8")

    with pytest.raises(EvidenceError, match=r"expected the \.evidence|are not lists of names"):
        read(path)


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
