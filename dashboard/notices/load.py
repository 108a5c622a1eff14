"""Read ``notices.toml``, or say in one go everything that is wrong with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationError

from dashboard.notices.settings import HEAD, KINDS, Notices
from ingest.installation_problems import Problem, in_file_order, problems
from ingest.load_installation import InstallationError, content, toml
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from ingest.installation import Installation
    from ingest.toml_places import Path as Place

Slip = tuple["Place", str, str]
"""Where, the value that stands there, and what was expected."""


class NoticesError(InstallationError):
    """Raised when ``notices.toml`` must be mended; its text names every problem."""


def load(path: Path, installation: Installation) -> Notices:
    """Read a file of notices.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    installation : Installation
        The system whose zones it names.

    Returns
    -------
    Notices
        What it says.

    Raises
    ------
    NoticesError
        If it cannot be read, is no TOML, or anything in it must be mended.
    """
    try:
        return loads(content(path), installation, source=path.name)
    except NoticesError:
        raise
    except InstallationError as error:
        raise NoticesError(error.source, error.problems) from error


def loads(data: bytes, installation: Installation, *, source: str = "notices.toml") -> Notices:
    """Read the content of a file of notices; as `load`."""
    tables, lines = toml(data, source)
    try:
        notices = Notices.model_validate(tables)
    except ValidationError as error:
        raise NoticesError(source, problems(error, tables, lines, root=Notices)) from error
    found = [
        Problem(place, lines.get(place) or lines.get(place[:2]), f'"{value}"' if value else "", expected)
        for place, value, expected in _slips(notices, installation)
    ]
    if found:
        raise NoticesError(source, sorted(found, key=in_file_order))
    return notices


def _slips(notices: Notices, installation: Installation) -> Iterator[Slip]:
    """Yield what does not hang together."""
    yield from _ways(notices)
    zones = (*installation.zone, HEAD)
    for name, rule in notices.rule.items():
        yield from _unknown(("rule", name, "to"), rule.to, notices.recipient, "recipient")
        yield from _unknown(("rule", name, "zones"), rule.zones or (), zones, "zone")
        yield from _unknown(("rule", name, "kinds"), rule.kinds or (), KINDS, "kind of finding")
    if not any(rule.zones is None and rule.kinds is None for rule in notices.rule.values()):
        yield (
            ("rule",),
            "",
            'no rule takes every stop; expected one without zones and kinds, as [rule.danger] with severity = "stop"',
        )
    yield from _broker(notices, installation)


def _ways(notices: Notices) -> Iterator[Slip]:
    """Yield every way that leads nowhere."""
    for name, recipient in notices.recipient.items():
        if recipient.mail and notices.mail is None:
            yield (
                ("recipient", name, "mail"),
                recipient.mail,
                "there is no table [mail]; it says which server takes mail",
            )
        hooks = (recipient.webhook,) if recipient.webhook else ()
        yield from _unknown(("recipient", name, "webhook"), hooks, notices.webhook, "webhook")
    beat = notices.heartbeat
    if beat is not None:
        yield from _unknown(
            ("heartbeat", "webhook"), (beat.webhook,) if beat.webhook else (), notices.webhook, "webhook"
        )
        if beat.webhook is None and notices.mqtt is None:
            yield (
                ("heartbeat",),
                "",
                "expected webhook here, or a table [mqtt]: the sign of life has no way to go",
            )


def _broker(notices: Notices, installation: Installation) -> Iterator[Slip]:
    """Yield what is wrong with the broker: a half certificate, or topics that the ingester would take in."""
    mqtt = notices.mqtt
    if mqtt is None:
        return
    if (mqtt.certificate_file is None) != (mqtt.key_file is None):
        yield ("mqtt",), "", "certificate_file and key_file go together"
    same = (mqtt.host, mqtt.port) == (installation.broker.host, installation.broker.port)
    taken = [t for t in installation.broker.topics if _covers(t, f"{mqtt.prefix}/x/y/z")]
    if same and taken and not mqtt.prefix.startswith("tricklebook/state/"):
        yield (
            ("mqtt", "prefix"),
            mqtt.prefix,
            f"the ingester subscribes to {taken[0]} there and would take notices for readings; choose another",
        )


def _covers(topic_filter: str, topic: str) -> bool:
    """Return whether an MQTT topic filter takes a topic; MQTT 5.0 section 4.7."""
    wanted, levels = topic_filter.split("/"), topic.split("/")
    if wanted[-1] == "#":
        wanted, levels = wanted[:-1], levels[: len(wanted) - 1]
    return len(wanted) == len(levels) and all(
        w in ("+", level) for w, level in zip(wanted, levels, strict=True)
    )


def _unknown(place: Place, names: Iterable[str], known: Iterable[str], what: str) -> Iterator[Slip]:
    """Yield every name that is not known."""
    there = list(known)
    for name in names:
        if name not in there:
            listed = f"; there are {', '.join(there)}" if 0 < len(there) <= 8 else ""  # noqa: PLR2004 - a line's worth
            yield place, name, f"there is no such {what}{did_you_mean(name, there) or listed}"
