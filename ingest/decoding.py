"""Decodes batches whatever happens: a message at which a decoder fails is set aside and blocks no other."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING

from ingest.records import Decoded, Message, Reject
from ingest.routing import Router

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.installation import Installation

log = logging.getLogger(__name__)

_DETAIL = 500


class Decoder:
    """Decodes one installation's messages in the order of their arrival.

    Parameters
    ----------
    installation : Installation
        Says what the messages mean.
    memory : str
        What `memory` returned after the messages before; empty at the beginning.
    """

    def __init__(self, installation: Installation, memory: str = "") -> None:
        self._installation = installation
        self._router = Router(installation, memory)

    def memory(self) -> str:
        """Return what must be known of the messages so far to decode those that follow."""
        return self._router.memory()

    def decode(self, messages: Sequence[Message]) -> tuple[Decoded, list[Reject]]:
        """Decode a batch.

        Parameters
        ----------
        messages : sequence of Message
            In the order of arrival.

        Returns
        -------
        Decoded, list of Reject
            The readings, and the messages at which a decoder failed, which is a fault of this program.
        """
        before = self.memory()
        try:
            return self._router.decode(messages), []
        except Exception:
            log.exception("a decoder failed; its messages are tried one by one")
        failed = self._failing(messages, before)
        self._router = Router(self._installation, before)
        sound = list(messages)
        for reject in failed:
            sound[reject.message] = Message("", b"", messages[reject.message].received_us)
        decoded = self._router.decode(sound)
        aside = {reject.message for reject in failed}
        return replace(decoded, rejects=[r for r in decoded.rejects if r.message not in aside]), failed

    def _failing(self, messages: Sequence[Message], memory: str) -> list[Reject]:
        """Return a reject for each message at which a decoder fails."""
        router = Router(self._installation, memory)
        failed = []
        for place, message in enumerate(messages):
            try:
                router.decode([message])
            except Exception as error:  # noqa: BLE001 - whatever it is, the message must not block others
                failed.append(Reject("decoder failed", f"{type(error).__name__}: {error}"[:_DETAIL], place))
        return failed
