"""Append-only files: what a crash or an editor leaves at their end, and what reading and writing make of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis import ledger


@pytest.mark.parametrize("block", [1, 7, 1 << 16])
def test_reading_and_writing_agree_on_every_torn_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block: int
) -> None:
    """Cut anywhere, what is read before the next line is written is still there after it."""
    monkeypatch.setattr(ledger, "BLOCK", block)
    path = tmp_path / "file.jsonl"
    ledger.append(path, {"number": 1, "text": "naïve\u2028 and more"})
    ledger.append(path, {"number": 2})
    whole = path.read_bytes()
    for cut in range(len(whole) + 1):
        path.write_bytes(whole[:cut])
        before = ledger.rows(path)
        ledger.append(path, {"number": 3})

        assert ledger.rows(path) == [*before, {"number": 3}]
        assert all(isinstance(json.loads(line), dict) for line in path.read_bytes().split(b"\n")[:-1])
