"""Evidence and signatures tell every change; keys follow each other and can be withdrawn."""

from __future__ import annotations

from pathlib import Path

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
