"""SenML packs in which nothing unusual stands, straight into columns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import msgspec
import numpy as np

from ingest.formats.batch import Block
from ingest.formats.senml import RELATIVE_BELOW
from ingest.readings import Quality

if TYPE_CHECKING:
    from ingest.formats.batch import Batch
    from ingest.formats.senml_records import SenmlNames


class Record(msgspec.Struct, gc=False, forbid_unknown_fields=True):
    """The labels that the fast path knows; any other, and any other version, makes decoding fail.

    They are those of RFC 8428 section 4.3.
    """

    n: str = ""
    v: float = float("nan")
    t: float = 0.0
    ut: float = 0.0
    u: str | None = None
    bn: str = ""
    bt: float = 0.0
    bu: str | None = None
    bv: float = 0.0
    bver: Literal[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 26] = 10


@dataclass(slots=True)
class Taken:
    """What the fast path has read so far: one entry a message, and one a record."""

    messages: list[int] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    base_times: list[float] = field(default_factory=list)
    base_values: list[float] = field(default_factory=list)
    entries: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    times: list[float] = field(default_factory=list)

    def add(self, item: int, pack: list[Record], names: SenmlNames) -> bool:
        """Take one pack, base fields in its first record only.

        Parameters
        ----------
        item : int
            Index of the message.
        pack : list of Record
            Not empty.
        names : SenmlNames
            The names that the message may carry.

        Returns
        -------
        bool
            False where a name or a unit of it is not known; nothing is taken then.
        """
        head = pack[0]
        table = names.table(head.bn, head.bu)
        if table is None:
            return False
        try:
            self.entries += [table[r.n, r.u] for r in pack]
        except KeyError:
            return False
        self.values += [r.v for r in pack]
        self.times += [r.t for r in pack]
        self.messages.append(item)
        self.counts.append(len(pack))
        self.base_times.append(head.bt)
        self.base_values.append(head.bv)
        return True

    def put(self, batch: Batch, names: SenmlNames) -> list[int]:
        """Add everything taken to a batch.

        Parameters
        ----------
        batch : Batch
            Takes the columns.
        names : SenmlNames
            The same as at `add`.

        Returns
        -------
        list of int
            Messages with a record that has no value; nothing of them is added.
        """
        if not self.messages:
            return []
        counts = np.array(self.counts)
        message = np.repeat(np.array(self.messages, np.int32), counts)
        code, scale, offset = (column[self.entries] for column in names.columns())
        received = np.repeat([float(batch.messages[item].received_us) for item in self.messages], counts)
        with np.errstate(over="ignore", invalid="ignore"):  # what overflows is told below
            value = np.array(self.values) + np.repeat(self.base_values, counts)
            time_s = np.repeat(self.base_times, counts) + np.array(self.times)
            time_us = np.rint(time_s * 1e6) + np.where(time_s < RELATIVE_BELOW, received, 0.0)
            working = value * scale + offset
        bad = ~(np.isfinite(value) & np.isfinite(time_us) & np.isfinite(working))
        careful = np.unique(message[bad])
        keep = ~np.isin(message, careful)
        unjudged = np.full(len(message), Quality.NOT_EVALUATED, np.int8)
        batch.blocks.append(Block(code[keep], working[keep], time_us[keep], message[keep], unjudged[keep]))
        return [int(item) for item in careful]
