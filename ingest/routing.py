"""From messages to readings: each topic to its format, each name to its sensor, each value to its unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.conversion import Converter
from ingest.formats import senml_json
from ingest.formats.batch import Batch
from ingest.formats.senml_records import SenmlNames
from ingest.records import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.installation import Installation
    from ingest.records import Decoded, Message

MAX_PAYLOAD = 1 << 20
"""A payload larger than this is refused unread; computed: a pack of some 50,000 readings. [B]"""


class Router:
    """Decodes the messages of one installation.

    What comes out depends on the messages and their order alone, so that a journal can be decoded again.

    Parameters
    ----------
    installation : Installation
        Says which topic and name belong to which sensor.
    """

    def __init__(self, installation: Installation) -> None:
        self._converter = Converter(installation)
        self._names = SenmlNames(
            {
                (sensor.source.senml, "v"): code
                for code, sensor in enumerate(installation.sensor.values())
                if sensor.source.senml is not None
            },
            self._converter.sensors,
        )

    def decode(self, messages: Sequence[Message]) -> Decoded:
        """Decode a batch of messages.

        Parameters
        ----------
        messages : sequence of Message
            In the order of receipt.

        Returns
        -------
        Decoded
            Readings as columns, in the order of the messages, and what was not stored with its reason.
        """
        batch = Batch(messages, self._converter)
        senml: list[int] = []
        for item, message in enumerate(messages):
            if len(message.payload) > MAX_PAYLOAD:
                detail = f"topic {shown(message.topic)}: {len(message.payload)} bytes; at most {MAX_PAYLOAD}"
                batch.rejects.add("too large", detail, item)
            else:
                senml.append(item)
        senml_json.read(batch, senml, self._names)
        return batch.finish()
