"""Puts the notices of one installation together from its files: ways, secrets, outbox, watch."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashboard.feed import ArchiveFeed
from dashboard.lately import SEASON_DAYS
from dashboard.notices.board import Board
from dashboard.notices.load import load
from dashboard.notices.mail import Mailer
from dashboard.notices.outbox import Outbox
from dashboard.notices.own import ingest_watcher
from dashboard.notices.runner import Parts
from dashboard.notices.secrets import login, signing_secrets
from dashboard.notices.state import status_path
from dashboard.notices.webhook import Poster
from dashboard.notices.words import Place
from dashboard.records import Records
from dashboard.watch import Pace, Watch, utc_now
from ingest.address import Address
from ingest.errors import UserError
from ingest.files import locked
from ingest.load_installation import load as load_installation
from ingest.packets import V311
from ingest.status import StatusFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from dashboard.notices.settings import Mqtt, Notices
    from ingest.installation import Installation

LOOK_S = 60.0
"""How often the newest readings are looked at; notices rest on the analysis, not on them. [s]"""


@dataclass(frozen=True, slots=True)
class Files:
    """Where everything stands.

    Attributes
    ----------
    installation, archive, config : Path
        The installation file, the archive's folder, and the file of notices.
    """

    installation: Path
    archive: Path
    config: Path


@dataclass(frozen=True, slots=True)
class Ways:
    """Every way that the file names, ready to be used.

    Attributes
    ----------
    settings : Notices
        What the file says.
    place : Place
        The installation.
    senders : dict of str to Mailer or Poster
        By channel.
    """

    settings: Notices
    place: Place
    senders: dict[str, Mailer | Poster]


def ways_of(files: Files) -> Ways:
    """Read both files and every secret.

    Raises
    ------
    UserError
        If anything must be mended; no secret stands in its text.
    """
    system = load_installation(files.installation)
    settings = load(files.config, system)
    folder, place = files.config.parent, Place(system, settings.page)
    senders: dict[str, Mailer | Poster] = {}
    if settings.mail is not None:
        mail = settings.mail
        user = login("MAIL", folder, mail.username_file, mail.password_file)
        senders["mail"] = Mailer(mail, user, folder, place)
    for name, hook in settings.webhook.items():
        senders[f"webhook {name}"] = Poster(hook, signing_secrets(name, folder, hook.secret_file), folder)
    return Ways(settings, place, senders)


def board_of(
    settings: Mqtt, installation: Installation, folder: Path, client_id: str, before: Callable[[str], bool]
) -> Board:
    """Return the board at the broker that the file names."""
    user = login("MQTT", folder, settings.username_file, settings.password_file)
    address = Address(
        host=settings.host,
        port=settings.port,
        client_id=client_id,
        topics=(),
        level=V311,
        tls=settings.tls,
        ca=folder / settings.ca_file if settings.ca_file else None,
        certificate=folder / settings.certificate_file if settings.certificate_file else None,
        key=folder / settings.key_file if settings.key_file else None,
        user=user[0] if user else None,
        password=user[1] if user else None,
    )
    return Board(address, f"{settings.prefix}/{installation.site}", before)


@contextmanager
def assembled(files: Files, *, every_s: float, days: float, season: float = SEASON_DAYS) -> Iterator[Parts]:
    """Put everything together, and hold the right to send for this archive meanwhile.

    Parameters
    ----------
    files : Files
        Where everything stands.
    every_s : float
        Time between two analyses. [s]
    days, season : float
        As in `dashboard.watch.Pace`. [d]

    Yields
    ------
    Parts
        For `dashboard.notices.runner.Runner`.

    Raises
    ------
    UserError
        If anything must be mended, or notices run for this archive already.
    """
    ways = ways_of(files)
    system, settings = ways.place.installation, ways.settings
    status = status_path(files.archive, system.site)
    with locked(status.with_suffix(".lock"), wait=False) as mine:
        if not mine:
            msg = f"{files.archive}: notices run for this archive already; two would tell everything twice"
            raise UserError(msg)
        now = utc_now()
        outbox, records = Outbox(files.archive, now), Records(files.archive)
        pace = Pace(look_s=LOOK_S, analyse_s=every_s, days=days, season=season)
        ingest = ingest_watcher(files.archive, system.site, now)
        watch = Watch(ArchiveFeed(files.archive, system), pace, records=records, also=ingest)
        board = None
        if settings.mqtt is not None:
            client = f"tricklebook-notices-{system.site[:40]}"
            folder = files.config.parent
            board = board_of(settings.mqtt, system, folder, client, lambda key: outbox.show(key, utc_now()))
        beat = settings.heartbeat
        poster = ways.senders[f"webhook {beat.webhook}"] if beat is not None and beat.webhook else None
        yield Parts(
            settings,
            ways.place,
            watch,
            records,
            outbox,
            ways.senders,
            board,
            poster if isinstance(poster, Poster) else None,
            StatusFile(status),
        )
