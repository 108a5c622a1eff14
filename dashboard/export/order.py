"""What was asked of an export."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from analysis.document import iso
from ingest.errors import UserError
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from ingest.installation import Installation

Format = Literal["csv", "parquet", "xlsx"]

FORMATS: tuple[Format, ...] = get_args(Format)
"""Every format, in the order in which they are written."""


@dataclass(frozen=True, slots=True)
class Order:
    """What was asked of an export.

    Attributes
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        The system.
    described : bytes
        The installation file as it stands, for its hash.
    described_as : str
        Its name, without folder.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]
    formats : tuple of str
        Of `FORMATS`.
    bucket_s : int
        Length of a bucket of readings, which divides a day. [s]
    margin : float or None
        Takes the place of the treatments' own margins. [-]
    """

    archive: Path
    installation: Installation
    described: bytes
    described_as: str
    start: pd.Timestamp
    end: pd.Timestamp
    formats: tuple[Format, ...] = FORMATS
    bucket_s: int = 60
    margin: float | None = None

    def command(self) -> str:
        """Return the command that makes the same export, without the folders of this machine."""
        margin = "" if self.margin is None else f" --margin '{100.0 * self.margin:.10g} %'"
        return (
            f"tricklebook export --installation {shlex.quote(self.described_as)} --archive ARCHIVE --from {iso(self.start)} "
            f"--to {iso(self.end)} --formats {','.join(self.formats)} --resolution {self.bucket_s}s{margin} --out OUT"
        )


def read_formats(text: str) -> tuple[Format, ...]:
    """Read a list of formats.

    Parameters
    ----------
    text : str
        Names with commas between.

    Returns
    -------
    tuple of str
        Each once, in the order of `FORMATS`.

    Raises
    ------
    UserError
        If one is not known, or none is named.

    Examples
    --------
    >>> read_formats("xlsx, csv")
    ('csv', 'xlsx')
    """
    named = [word.strip().lower() for word in text.split(",") if word.strip()]
    for word in named:
        if word not in FORMATS:
            msg = f"--formats: {word!r} is not known; expected {', '.join(FORMATS)}{did_you_mean(word, FORMATS)}"
            raise UserError(msg)
    if not named:
        msg = f"--formats {text!r} names none; expected one or more of {', '.join(FORMATS)}"
        raise UserError(msg)
    return tuple(name for name in FORMATS if name in named)
