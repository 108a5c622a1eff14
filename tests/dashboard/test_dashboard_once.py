"""An entry that is sent twice because its answer was lost is written down once."""

from __future__ import annotations

from pathlib import Path

from analysis import ledger
from dashboard.once import ENTERED, Once

MARK = "0123456789abcdef" * 2


def test_same_entry_is_kept_once_also_after_a_restart(tmp_path: Path) -> None:
    """The same mark with the same words gets the first answer; another word, kind or mark is another entry."""
    kept: list[str] = []

    def keep() -> str:
        kept.append("x")
        return f"kept as number {len(kept)}"

    first = Once(tmp_path / "archive").keep(MARK, "service", {"note": "a"}, keep)
    again = Once(tmp_path / "archive")

    assert again.keep(MARK, "service", {"note": "a"}, keep) == first == "kept as number 1"
    assert again.keep(MARK, "service", {"note": "b"}, keep) == "kept as number 2"
    assert again.keep(MARK, "finding", {"note": "a"}, keep) == "kept as number 3"
    assert again.keep(MARK[::-1], "service", {"note": "a"}, keep) == "kept as number 4"
    assert "note" not in (tmp_path / "archive" / ENTERED).read_text("utf-8")


def test_entry_whose_answer_a_crash_swallowed_is_known_by_its_own_line(tmp_path: Path) -> None:
    """Where only the entry reached the disk and not the note of its answer, the same again is not kept anew."""
    path, kept = tmp_path / "service.jsonl", []

    def keep() -> str:
        ledger.append(path, {"note": "a"})
        kept.append("x")
        return "kept"

    Once(tmp_path, ("service.jsonl",)).keep(MARK, "service", {"note": "a"}, keep)
    (tmp_path / ENTERED).unlink()
    again = Once(tmp_path, ("service.jsonl",))

    assert again.keep(MARK, "service", {"note": "a"}, keep) == ""
    assert again.keep(MARK, "service", {"note": "b"}, keep) == "kept"
    assert len(kept) == 2
    ledger.append(path, {"note": "by command"})
    assert ledger.MARK not in ledger.rows(path)[-1]


def test_broken_log_keeps_nobody_from_entering(tmp_path: Path) -> None:
    """A file with a line that cannot be read is passed over here; the pages name it."""
    (tmp_path / "service.jsonl").write_text("no line\n{}\n", encoding="utf-8")

    assert Once(tmp_path, ("service.jsonl",)).keep(MARK, "service", {}, lambda: "kept") == "kept"


def test_entry_that_is_refused_is_not_remembered(tmp_path: Path) -> None:
    """A form that is refused and mended is not mistaken for the one that was refused."""
    once = Once(tmp_path)

    def refuse() -> str:
        raise ValueError

    try:
        once.keep(MARK, "service", {}, refuse)
    except ValueError:
        assert once.keep(MARK, "service", {}, lambda: "kept") == "kept"
    else:
        raise AssertionError


def test_unmarked_entries_are_all_kept(tmp_path: Path) -> None:
    """Who sends no mark, or a made-up one, writes as often as they send, and leaves no file."""
    once = Once(tmp_path)

    assert [once.keep(mark, "service", {}, lambda: "kept") for mark in ("", "", "../x", MARK[:-1])] == [
        "kept"
    ] * 4
    assert not (tmp_path / ENTERED).exists()
