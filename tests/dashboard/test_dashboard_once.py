"""An entry that is sent twice because its answer was lost is written down once."""

from __future__ import annotations

from pathlib import Path

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
