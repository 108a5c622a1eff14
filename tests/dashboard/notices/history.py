"""A history of findings, minute by minute, and what was decided in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from dashboard.cases import Case
from dashboard.notices.decide import decide
from dashboard.notices.log import Entry, Log, Notice, moved, noticed
from dashboard.notices.settings import Notices
from tests.support.notices import NOW

UTC = ZoneInfo("UTC")
MINUTE = pd.Timedelta(minutes=1)


def rules(recipient: dict[str, Any] | None = None, gone: str = "30 min", **rule: Any) -> Notices:
    """Return settings with one recipient and one rule."""
    said = {"to": ["ana"], "severity": "watch", "stands": "10 min", "group": "5 min"} | rule
    return Notices.model_validate(
        {
            "mail": {"host": "localhost", "sender": "a@b.example"},
            "recipient": {"ana": {"mail": "ana@b.example"} | (recipient or {})},
            "rule": {"all": said},
            "gone": gone,
        }
    )


@dataclass
class History:
    """Notices as they come out while time goes by, with everything written down at once."""

    settings: Notices
    tz: ZoneInfo = UTC
    log: Log = field(default_factory=lambda: Log(began=NOW - pd.Timedelta(days=1)))
    sent: list[tuple[pd.Timestamp, Notice]] = field(default_factory=list)

    def at(self, now: pd.Timestamp, *cases: Case) -> list[Notice]:
        """Decide once and write it down."""
        decision = decide(cases, self.log, self.settings, self.tz, now)
        self.log = moved(self.log, decision.moves)
        for notice in decision.notices:
            self.log = noticed(self.log, notice)
            self.sent.append((now, notice))
        return list(decision.notices)

    def minutes(self, count: int, *cases: Case, since: pd.Timestamp = NOW) -> list[Notice]:
        """Decide once a minute, both ends included."""
        return [n for minute in range(count + 1) for n in self.at(since + minute * MINUTE, *cases)]

    @property
    def entries(self) -> list[Entry]:
        """Every entry that was sent."""
        return [entry for _, notice in self.sent for entry in notice.entries]
