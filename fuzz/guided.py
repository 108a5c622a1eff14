"""Fuzz one decoder guided by coverage: ``python -m fuzz.guided "SenML JSON" -max_total_time=600``.

Everything after the name goes to libFuzzer. It stops at the first payload that raises or takes long, and
leaves its bytes in a file. libFuzzer's own memory grows; ``fuzz.mutate`` is for memory.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import atheris

with atheris.instrument_imports(include=["ingest", "json", "cbor2", "tomllib"]):
    from fuzz.targets import TOKENS, targets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fuzz.targets import Target


def main(arguments: Sequence[str]) -> None:
    """Run libFuzzer on one target, from its seeds and the pieces that formats are made of."""
    known = targets()
    if len(arguments) < 2 or arguments[1] not in known:
        sys.exit(f"name one of: {', '.join(known)}")
    target = known[arguments[1]]
    with tempfile.TemporaryDirectory() as folder:
        corpus, words = Path(folder, "corpus"), Path(folder, "words")
        corpus.mkdir()
        for number, seed in enumerate(target.seeds):
            (corpus / str(number)).write_bytes(seed)
        words.write_text("\n".join(f'"{_escaped(token)}"' for token in TOKENS), "ascii")
        options = [arguments[0], f"-dict={words}", "-timeout=1", "-max_len=4096", *arguments[2:], str(corpus)]
        atheris.Setup(options, lambda data: _once(target, data))
        atheris.Fuzz()


def _once(target: Target, data: bytes) -> None:
    """Decode one payload on each of its topics."""
    target.run([bytes(data)] * target.topics)


def _escaped(token: bytes) -> str:
    """Return a token as libFuzzer's dictionary wants it."""
    return "".join(f"\\x{byte:02x}" for byte in token)


if __name__ == "__main__":
    main(sys.argv)
