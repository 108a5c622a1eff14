"""Which sensors a topic concerns, by exact name or by pattern."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

KEPT = 4096
"""Topics whose answer is kept. Computed: more than an installation has; others cost a walk each time."""


def matches(pattern: Sequence[str], topic: Sequence[str]) -> bool:
    """Return whether a topic fits a filter, both as levels.

    Parameters
    ----------
    pattern, topic : sequence of str
        The levels between the slashes.

    Returns
    -------
    bool
        Topics that begin with ``$`` fit no filter that begins with a wildcard.

    References
    ----------
    MQTT 5.0, OASIS 2019, section 4.7.

    Examples
    --------
    >>> matches(["garden", "+", "flow"], ["garden", "bench1", "flow"])
    True
    >>> matches(["garden", "#"], ["garden"])
    True
    >>> matches(["#"], ["$SYS", "uptime"])
    False
    """
    if topic[0].startswith("$") and pattern[0] in ("+", "#"):
        return False
    for place, level in enumerate(pattern):
        if level == "#":
            return True
        if place >= len(topic) or level not in ("+", topic[place]):
            return False
    return len(pattern) == len(topic)


class Topics:
    """Finds the entries whose filter a topic fits.

    Parameters
    ----------
    entries : iterable of (str, int)
        Topic filter and sensor code.
    """

    def __init__(self, entries: Iterable[tuple[str, int]]) -> None:
        self._exact: dict[str, list[int]] = {}
        self._patterns: list[tuple[list[str], int]] = []
        for topic, code in entries:
            if "+" in topic or "#" in topic:
                self._patterns.append((topic.split("/"), code))
            else:
                self._exact.setdefault(topic, []).append(code)

    def codes(self, topic: str) -> tuple[int, ...]:
        """Return the codes that a topic concerns, ascending.

        Examples
        --------
        >>> Topics([("a/+", 0), ("a/b", 1), ("c", 2)]).codes("a/b")
        (0, 1)
        """
        found = list(self._exact.get(topic, ()))
        if self._patterns:
            levels = topic.split("/")
            found += [code for pattern, code in self._patterns if matches(pattern, levels)]
        return tuple(sorted(found))
