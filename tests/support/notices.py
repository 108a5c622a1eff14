"""What the tests of notices share: findings, a garden with planted faults and the process that tells them, a listener."""

from __future__ import annotations

import base64
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pandas as pd
from paho.mqtt.enums import CallbackAPIVersion

from analysis.results import Finding
from dashboard.cases import Case, Remark, mark_of
from ingest.installation import Installation
from tests.dashboard import field as invented
from tests.support.broker import Broker
from tests.support.ingester import ROOT, until
from tests.support.notice_servers import PASSWORD, USER, Certificates

SECRET = base64.b64encode(b"a secret of thirty-two bytes ...").decode()
NOW = pd.Timestamp("2026-05-06 12:00", tz="UTC")


def finding(
    kind: str = "leak", severity: Any = "act", zone: str | None = "bench1", **changed: Any
) -> Finding:
    """Return a finding of ten minutes up to `NOW`."""
    said = {
        "kind": kind,
        "zone": zone,
        "sensor": None,
        "start": NOW - pd.Timedelta(minutes=10),
        "end": NOW,
        "severity": severity,
        "value": 12.5,
        "unit": "kPa",
        "evidence": "what was seen",
        "likely_causes": ("one cause", "another"),
        "advice": "what to do",
    }
    return Finding(**{**said, **changed})


def case(
    kind: str = "leak", severity: Any = "act", *, told: bool = True, acknowledged: bool = False, **more: Any
) -> Case:
    """Return a case that is told, or past; acknowledged or not."""
    found = finding(kind, severity, **more)
    mark = mark_of(found)
    remarks = (Remark(mark, NOW, "Ana", "acknowledge"),) if acknowledged else ()
    return Case(mark, found, told, remarks)


@dataclass
class Listener:
    """Hears everything that is published below the notices' prefix."""

    broker: Broker
    heard: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Connect and wait until the subscription stands."""
        self._ready = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, f"listener-{time.monotonic_ns()}")
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.connect(self.broker.host, self.broker.port)
        self._client.loop_start()
        until(lambda: self._ready, "the listener's subscription", 20)

    def _connected(self, *_: object) -> None:
        self._client.subscribe("tricklebook/state/notices/#", qos=1)

    def _subscribed(self, *_: object) -> None:
        self._ready = True

    def stop(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_message = self._client.on_connect = self._client.on_subscribe = None

    def cards(self) -> dict[str, list[dict[str, Any]]]:
        """Return what was shown of each finding that is not taken away, oldest first; each said once or repeated."""
        shown: dict[str, list[dict[str, Any]]] = {}
        for topic, payload, _ in self.heard:
            if "/finding/" not in topic:
                continue
            mark = topic.rpartition("/")[2]
            if payload:
                shown.setdefault(mark, []).append(json.loads(payload))
            else:
                shown.pop(mark, None)
        return shown


@dataclass
class Garden:
    """An archive in which water ran backwards an hour ago and the preventer was not tested for years."""

    folder: Path
    mail_port: int
    hook_port: int
    broker_port: int
    papers: Certificates
    started: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def archive(self) -> Path:
        """The archive's folder."""
        return self.folder / "archive"

    @property
    def files(self) -> list[str]:
        """The options that name the files."""
        return [
            "--installation",
            str(self.folder / "installation.toml"),
            "--config",
            str(self.folder / "notices.toml"),
        ]

    def write(self, **changed: str) -> None:
        """Write installation, archive and the file of notices, its parts changed where the test wants it."""
        text = invented.installation_text().replace("tested = 2026-03-02", "tested = 2024-03-02")
        (self.folder / "installation.toml").write_text(text, "utf-8")
        system, now = Installation.model_validate(tomllib.loads(text)), time.time()
        readings = invented.frame(now - 3 * 3600, now, invented.usual_runs(now))
        begin = pd.Timestamp(now - 3600, unit="s", tz="UTC")
        hour_ago = readings["time"].between(begin, begin + pd.Timedelta(minutes=5))
        backwards = (readings["sensor"] == "head_flow") & hour_ago
        readings.loc[backwards, "value"] = -120.0
        invented.write(self.archive, system, readings, 1)
        parts = {"rules": RULES, "recipients": RECIPIENTS, "more": ""} | changed
        (self.folder / "notices.toml").write_text(
            WAYS.format(
                mail=self.mail_port, hook=self.hook_port, broker=self.broker_port, ca=self.papers.authority
            )
            + parts["recipients"]
            + parts["rules"]
            + parts["more"],
            "utf-8",
        )

    def environment(self, fault: str = "") -> dict[str, str]:
        """Return the environment of the process: secrets, and a planted fault."""
        return {
            **os.environ,
            "TRICKLEBOOK_NOTICES_MAIL_USER": USER,
            "TRICKLEBOOK_NOTICES_MAIL_PASSWORD": PASSWORD,
            "TRICKLEBOOK_NOTICES_WEBHOOK_OFFICE": SECRET,
            "TRICKLEBOOK_FAULT": fault,
        }

    def run(self, fault: str = "") -> subprocess.Popen[bytes]:
        """Start ``tricklebook notices run``."""
        command = [sys.executable, "-m", "tricklebook", "notices", "run", *self.files]
        command += ["--archive", str(self.archive), "--every", "0.2", "--days", "1"]
        with (self.folder / "notices.log").open("ab") as log:
            process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log, env=self.environment(fault))
        self.started.append(process)
        return process

    def kill_all(self) -> None:
        """Kill what still runs."""
        for process in self.started:
            self.end(process, signal.SIGKILL)

    def log(self) -> str:
        """Return what the process has written to its terminal."""
        return (self.folder / "notices.log").read_text("utf-8")

    def end(self, process: subprocess.Popen[bytes], signum: int = signal.SIGTERM) -> int:
        """End the process and return its exit status."""
        if process.poll() is None:
            process.send_signal(signum)
        return process.wait(60)


WAYS = """
gone = "1 min"
[mail]
host = "localhost"
port = {mail}
sender = "drip@garden.example"
ca_file = "{ca}"

[webhook.office]
url = "http://127.0.0.1:{hook}/drip"
private_addresses = true

[mqtt]
port = {broker}
stands = "0 s"

"""

RECIPIENTS = """
[recipient.ana]
mail = "ana@garden.example"

[recipient.office]
webhook = "office"
"""

RULES = """
[rule.all]
to = ["ana", "office"]
severity = "act"
stands = "0 s"
group = "0 s"
"""
