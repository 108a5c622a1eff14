"""Certificates and passwords: what is wrong is said plainly, tried again with patience, and never shown."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.conftest import StartBroker
from tests.support.broker import Broker
from tests.support.certificates import Authority
from tests.support.command import Running, run_ingest

if TYPE_CHECKING:
    from pathlib import Path

PASSWORD = "corr3ct-h0rse-battery"  # noqa: S105 - made up for this test

INSTALLATION = """
name = "Home"
timezone = "UTC"
supply = { kind = "well", backflow_preventer = "none" }
zone.a = {}
sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { senml = "ec" } }
"""


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    """Return a certificate authority of the test's own."""
    return Authority(tmp_path / "ca")


def secure_broker(start_broker: StartBroker, folder: Path, certificate: Path, key: Path, ca: Path) -> Broker:
    """Return a broker that wants TLS, a client certificate and a password."""
    users = folder / "users"
    subprocess.run(["mosquitto_passwd", "-c", "-b", users, "gardener", PASSWORD], check=True)
    return start_broker(
        "listener {port} 127.0.0.1\nallow_anonymous false\n"
        f"password_file {users}\ncertfile {certificate}\nkeyfile {key}\ncafile {ca}\nrequire_certificate true\n"
    )


def describe(folder: Path, port: int, client: tuple[Path, Path], ca: Path) -> Path:
    """Write an installation that connects over TLS."""
    path = folder / "installation.toml"
    path.write_text(
        INSTALLATION
        + f'[broker]\nhost = "localhost"\nport = {port}\ntls = true\nca_file = "{ca}"\n'
        + f'certificate_file = "{client[0]}"\nkey_file = "{client[1]}"\n',
        encoding="utf-8",
    )
    return path


def test_tls_with_client_certificate_and_password(
    tmp_path: Path, start_broker: StartBroker, authority: Authority, running: list[Running]
) -> None:
    """With authority, client certificate, user and password, the ingester receives."""
    server = authority.issue("localhost")
    client = authority.issue("ingester")
    broker = secure_broker(start_broker, tmp_path, *server, authority.certificate)
    path = describe(tmp_path, broker.port, client, authority.certificate)
    secret = tmp_path / "password"
    secret.write_text(PASSWORD + "\n", encoding="utf-8")

    ingester = run_ingest(
        path,
        tmp_path / "archive",
        {"TRICKLEBOOK_MQTT_USER": "gardener", "TRICKLEBOOK_MQTT_PASSWORD_FILE": str(secret)},
    )
    running.append(ingester)

    ingester.wait_for("receiving")


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("expired", "the broker's certificate is not accepted: certificate has expired"),
        ("stranger", "the broker's certificate is not accepted: unable to get local issuer certificate"),
        ("other name", "the broker's certificate is not accepted: Hostname mismatch"),
    ],
)
def test_certificate_that_is_wrong_is_named(
    tmp_path: Path,
    start_broker: StartBroker,
    authority: Authority,
    running: list[Running],
    fault: str,
    told: str,
) -> None:
    """An expired certificate, one of a stranger, or one of another name is refused with that reason."""
    issuer = Authority(tmp_path / "stranger") if fault == "stranger" else authority
    server = issuer.issue("elsewhere" if fault == "other name" else "localhost", expired=fault == "expired")
    broker = secure_broker(start_broker, tmp_path, *server, authority.certificate)
    path = describe(tmp_path, broker.port, authority.issue("ingester"), authority.certificate)

    ingester = run_ingest(path, tmp_path / "archive", {})
    running.append(ingester)

    ingester.wait_for("disconnected")
    assert ingester.status()["problem"].startswith(told)
    assert ingester.is_running()


def test_wrong_password_is_named_and_shown_nowhere(
    tmp_path: Path, start_broker: StartBroker, authority: Authority, running: list[Running]
) -> None:
    """A wrong password is told as such; it is in no log, status, metric, archive file or process list."""
    server = authority.issue("localhost")
    broker = secure_broker(start_broker, tmp_path, *server, authority.certificate)
    path = describe(tmp_path, broker.port, authority.issue("ingester"), authority.certificate)
    wrong = "wr0ng-s3cret-value"

    ingester = run_ingest(
        path,
        tmp_path / "archive",
        {"TRICKLEBOOK_MQTT_USER": "gardener", "TRICKLEBOOK_MQTT_PASSWORD": wrong},
        health=True,
    )
    running.append(ingester)
    ingester.wait_for("disconnected")

    assert "not authorized" in ingester.status()["problem"]
    seen = [ingester.fetch("/metrics"), ingester.fetch("/health"), ingester.command_lines(), ingester.log()]
    seen += [
        file.read_text("utf-8", "replace") for file in (tmp_path / "archive").rglob("*") if file.is_file()
    ]
    assert ingester.children_environments()
    seen += ingester.children_environments()
    assert [text for text in seen if wrong in text] == []
