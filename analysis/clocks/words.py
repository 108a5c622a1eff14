"""What is said of clocks: what was seen, how sure it is, what to check first, what waiting costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.results import Finding
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.clocks.judge import Moved

GRAVE_S = 30.0
"""Error of a clock from which it is to be acted on. [s] No source: a tenth of a short travel time."""

OF_ONE = (
    "a device that is not set over the network (NTP), or could not reach the time server",
    "its battery or its quartz, after frost, heat or a lost supply",
    "a clock that is set to local time, or to summer time, where UTC is due",
    "a gateway that holds its messages back",
)
"""Why one clock is wrong, in the order to check. Common practice, from memory."""

OF_ALL = (
    "the clock of the machine on which the ingester runs",
    "a gateway that stamps or holds back the readings of all devices",
    "a time server that tells all devices the wrong time",
)
"""Why all clocks move at once."""

COSTS = (
    "Waiting moves what rests on times between sensors by the same amount: travel and clear-out times, the ends of "
    "injections, which reading belongs to which run."
)

SET = (
    "Let the device set its clock over the network (NTP) in UTC, or set it by hand, and see whether the delay falls to "
    "what it was; readings that are stored keep their times."
)


def of_one(moved: Moved) -> Finding:
    """Return the finding of one sensor's clock."""
    return Finding(
        kind="clock fault",
        zone=moved.zone,
        sensor=moved.sensor,
        start=moved.start,
        end=moved.end,
        severity="act" if moved.going and abs(moved.size) >= GRAVE_S else "watch",
        value=moved.size,
        unit="s",
        evidence=_seen(moved, moved.sensor),
        likely_causes=OF_ONE,
        advice=f"{SET} {COSTS}",
    )


def of_all(group: Sequence[Moved], sensors: int) -> Finding:
    """Return the one finding of nearly all clocks."""
    largest = max(group, key=lambda m: abs(m.size))
    names = sorted({m.sensor for m in group})
    return Finding(
        kind="clock fault",
        zone=None,
        sensor=None,
        start=min(m.start for m in group),
        end=max(m.end for m in group),
        severity="act" if largest.going and abs(largest.size) >= GRAVE_S else "watch",
        value=largest.size,
        unit="s",
        evidence=(
            f"{len(names)} of {sensors} sensors moved alike and at once, which one clock that they share explains best; "
            f"{_seen(largest, largest.sensor)}"
        ),
        likely_causes=OF_ALL,
        advice=(
            "Compare the clock of the ingester's machine with a time server first: its own readings of receipt are what "
            f"all are judged by. {COSTS}"
        ),
    )


def _seen(moved: Moved, name: str) -> str:
    """Return what was seen of one sensor."""
    size, side = clock(abs(moved.size)), "ahead" if moved.size > 0 else "back"
    past = "" if moved.going else "; it was so until the time given"
    if moved.kind == "jump":
        sure = (
            "sure, since no network delivers sooner than before"
            if moved.size > 0
            else "likely; messages that are held back for that long look the same"
        )
        return f"the time of {name} jumped {side} by {size} against the time of receipt; {sure}{past}"
    if moved.kind == "ahead":
        return f"readings of {name} come from {size} in the future by the time of receipt; sure, but for the receiver's own clock{past}"  # noqa: E501
    if moved.kind == "behind":
        return (
            f"readings of {name} come in {size} after their own time, day after day and near a multiple of a quarter of an "
            f"hour, as a clock of another time zone shows; likely{past}"
        )
    return (
        f"the time of {name} runs {'fast' if moved.size > 0 else 'slow'} by {abs(moved.rate):.1f} s a day against the time "
        f"of receipt, {size} in all so far; a network does not delay by ever more, so this is very likely{past}"
    )
