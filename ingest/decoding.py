"""Decodes a batch whatever happens: a message at which a decoder fails is set aside and blocks no other."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING

from ingest.records import Decoded, Message, Reject

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.routing import Router

log = logging.getLogger(__name__)

_DETAIL = 500


def decode_all(router: Router, messages: Sequence[Message]) -> tuple[Decoded, list[Reject]]:
    """Decode a batch.

    Parameters
    ----------
    router : Router
        The installation's.
    messages : sequence of Message
        In the order of arrival.

    Returns
    -------
    Decoded, list of Reject
        The readings, and the messages at which a decoder failed, which is a fault of this program.
    """
    try:
        return router.decode(messages), []
    except Exception:
        log.exception("a decoder failed; its messages are tried one by one")
    failed = []
    sound = list(messages)
    for place, message in enumerate(messages):
        try:
            router.decode([message])
        except Exception as error:  # noqa: BLE001 - whatever it is, the message must not block others
            failed.append(Reject("decoder failed", f"{type(error).__name__}: {error}"[:_DETAIL], place))
            sound[place] = Message("", b"", message.received_us)
    decoded = router.decode(sound)
    aside = {reject.message for reject in failed}
    return replace(decoded, rejects=[r for r in decoded.rejects if r.message not in aside]), failed
