"""The embedded broker, as a program of its own: ``python -m sample_data.embedded_broker PORT``.

It keeps its queue in memory and is young: good enough to show, never for data that must last.
"""

from __future__ import annotations

import logging
import sys

MAX_PAYLOAD = 1_000_000
"""Largest message. [bytes]"""


def main(port: int) -> None:
    """Listen on the loopback until the process is ended."""
    from iotcore import IotCoreBroker  # noqa: PLC0415 - an optional dependency

    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)  # it logs every packet as an error
    IotCoreBroker(listen="127.0.0.1", port=port, max_payload_size=MAX_PAYLOAD).run_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]))
