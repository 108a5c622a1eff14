"""Where readings come from, as the installation file says it: a sensor's source, and the broker."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from ingest.installation_types import Table

FIELD_PATH = re.compile(r"[^.\[\]]+(\[\d+\])*(\.[^.\[\]]+(\[\d+\])*)*|(\[\d+\])+(\.[^.\[\]]+(\[\d+\])*)*")
"""A way into a JSON document: names joined by points, list places in brackets, like ``a.b[0].c``."""

SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""What a SenML name looks like; RFC 8428 section 4.5.1."""


class Source(Table):
    """Where a sensor's readings come from: SenML name, topic and field, Sparkplug metric, or CSV column."""

    senml: Annotated[str, Field(pattern=rf"^{SENML_NAME.pattern}$")] | None = None
    """Its whole SenML name, base name included."""
    topic: str | None = None
    """Topic of a plain value or of JSON; + and # as in MQTT. With senml: where that name is looked for."""
    field: Annotated[str, Field(pattern=rf"^(?:{FIELD_PATH.pattern})$")] | None = None
    """Way to the value in JSON, like "a.b[0].c"; with senml, "s" takes the sum instead of the value."""
    time: Annotated[str, Field(pattern=rf"^(?:{FIELD_PATH.pattern})$")] | None = None
    """Way to the time in JSON: ISO 8601 with its offset, or seconds, milli- or microseconds since 1970."""
    sparkplug: Annotated[str, Field(min_length=1)] | None = None
    """Metric name in Sparkplug B."""
    edge_node: Annotated[str, Field(pattern=r"^[^/+#]+/[^/+#]+$")] | None = None
    """The Sparkplug group and edge node, like "garden/node1"."""
    device: Annotated[str, Field(pattern=r"^[^/+#]+$")] | None = None
    """The Sparkplug device, where the metric is not the edge node's own."""
    csv: Annotated[str, Field(min_length=1)] | None = None
    """Column of a logger's file, or the name in its sensor column."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [self.senml, self.sparkplug, self.topic if self.senml is None else None]
        if not any((*ways, self.csv)):
            msg = (
                "expected one of senml, topic, sparkplug or csv, "
                'like { senml = "urn:dev:ow:10e2073a01080063" }'
            )
        elif sum(way is not None for way in ways) > 1:
            msg = "expected one way only of senml, topic and sparkplug; csv may stand beside it"
        elif self.sparkplug is not None and self.edge_node is None:
            msg = 'a sparkplug metric needs its edge_node, like "garden/node1"'
        elif self.field is not None and self.senml is not None and self.field != "s":
            msg = 'beside senml, field can only be "s", which takes the sum'
        elif (self.field or self.time) is not None and self.topic is None and self.senml is None:
            msg = "field and time belong to a topic"
        else:
            return self
        raise ValueError(msg)

    @field_validator("topic", mode="after")
    @classmethod
    def _is_filter(cls, topic: str | None) -> str | None:
        if topic is not None and not is_topic_filter(topic):
            msg = "expected an MQTT topic; + stands for one whole level, # for all levels at its end"
            raise ValueError(msg)
        return topic


def is_topic_filter(topic: str) -> bool:
    """Return whether a text is an MQTT topic filter.

    References
    ----------
    MQTT 5.0, OASIS 2019, section 4.7.

    Examples
    --------
    >>> [is_topic_filter(t) for t in ("garden/+/flow", "garden/#", "garden/x+/flow", "garden/#/flow", "")]
    [True, True, False, False, False]
    """
    levels = topic.split("/")
    return (
        topic != ""
        and "\0" not in topic
        and all(level == "+" or "+" not in level for level in levels)
        and all("#" not in level for level in levels[:-1])
        and (levels[-1] == "#" or "#" not in levels[-1])
    )


class Broker(Table):
    """Where the devices publish. Secrets never stand here: they come from files or the environment."""

    host: Annotated[str, Field(min_length=1)] = "127.0.0.1"
    """Name or address."""
    port: Annotated[int, Field(gt=0, lt=65536)] = 1883
    """Port; 8883 is usual with TLS."""
    topics: tuple[str, ...] = ("#",)
    """What to subscribe to."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version; 3.1.1 for brokers that know no other."""
    client_id: Annotated[str, Field(min_length=1)] | None = None
    """Name of the session, one for each ingester; made from the installation's name where none is given."""
    group: Annotated[str, Field(pattern=r"^[^/+#]+$")] | None = None
    """Name of a shared subscription, where several ingesters split the work."""
    tls: bool = False
    """Whether to use TLS."""
    ca_file: str | None = None
    """Certificates of the authority that signed the broker's; the system's own where none is given."""
    certificate_file: str | None = None
    """The client's certificate, where the broker wants one."""
    key_file: str | None = None
    """The key of the client's certificate."""
    username_file: str | None = None
    """A file that holds the user's name only."""
    password_file: str | None = None
    """A file that holds the password only."""

    @field_validator("topics", mode="after")
    @classmethod
    def _are_filters(cls, topics: tuple[str, ...]) -> tuple[str, ...]:
        for topic in topics:
            if not is_topic_filter(topic):
                msg = f"{topic!r} is no MQTT topic; + stands for one whole level, # for all levels at its end"
                raise ValueError(msg)
        return topics

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            msg = "certificate_file and key_file go together"
            raise ValueError(msg)
        if self.certificate_file and not self.tls:
            msg = "a client certificate needs tls = true"
            raise ValueError(msg)
        return self
