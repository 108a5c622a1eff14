"""The files for service managers name what exists, and the broker's configuration is one that it accepts."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.conftest import StartBroker
from tricklebook import app

DEPLOY = Path(__file__).parents[2] / "deploy"


def options_of(text: str) -> set[str]:
    """Return the options that a text gives to the command."""
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text))


def help_of(*command: str) -> str:
    """Return what a command says of its options."""
    return CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200", "TERM": "dumb"}).output


@pytest.mark.parametrize(
    ("name", "commands"),
    [
        ("tricklebook-ingest.service", [("ingest",)]),
        ("tricklebook-notices.service", [("notices", "run")]),
        ("compose.yaml", [("ingest",), ("notices", "run")]),
    ],
)
def test_command_has_the_options_that_are_used(name: str, commands: list[tuple[str, ...]]) -> None:
    """Every option that a deployment uses is one that its commands have."""
    text = "\n".join(
        line for line in (DEPLOY / name).read_text("utf-8").splitlines() if line.lstrip()[:1] != "#"
    )
    shown = "\n".join(help_of(*command) for command in commands)

    used = options_of(text)

    assert {"--installation", "--archive"} <= used
    assert [option for option in used if option not in shown] == []


def test_unit_is_one_that_systemd_accepts(tmp_path: Path) -> None:
    """Where systemd is installed it finds nothing to complain about, but for the program's place."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed on this machine")
    text = (DEPLOY / "tricklebook-ingest.service").read_text("utf-8")
    unit = tmp_path / "tricklebook-ingest.service"
    unit.write_text(text.replace("/opt/tricklebook/bin/tricklebook", "/bin/true"), encoding="utf-8")

    result = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)

    assert [line for line in result.stderr.splitlines() if unit.name in line] == []


def test_unit_has_its_sections_and_keeps_secrets_off_the_command_line() -> None:
    """Each line of the unit is a section, a setting or a comment, and no secret stands in it."""
    text = (DEPLOY / "tricklebook-ingest.service").read_text("utf-8")

    assert re.findall(r"^\[(\w+)\]$", text, re.MULTILINE) == ["Unit", "Service", "Install"]
    assert all(re.fullmatch(r"(#.*|\[\w+\]|[A-Z]\w+=.+|)", line) for line in text.splitlines())
    assert "PASSWORD=" not in text
    assert "Restart=always" in text


def test_broker_starts_with_the_shipped_configuration(tmp_path: Path, start_broker: StartBroker) -> None:
    """Mosquitto takes every line of the configuration, on paths of this test."""
    (tmp_path / "passwords").touch(mode=0o600)
    text = (DEPLOY / "mosquitto.conf").read_text("utf-8")
    text = text.replace("listener 1883", "listener {port} 127.0.0.1").replace(
        "/mosquitto/data/", f"{tmp_path}/"
    )
    text = text.replace("/mosquitto/config/passwords", str(tmp_path / "passwords"))

    broker = start_broker(text)

    assert "Error" not in broker.log


def test_compose_mounts_files_that_exist_or_are_told_of() -> None:
    """What compose takes from this folder is here, or the text says that people make it."""
    text = (DEPLOY / "compose.yaml").read_text("utf-8")
    told = (DEPLOY / "README.md").read_text("utf-8")

    wanted = set(re.findall(r"(?:- |file: )\./([\w.-]+)", text)) | {"Dockerfile"}

    assert [name for name in wanted if not (DEPLOY / name).exists() and f"`{name}`" not in told] == []


def test_image_copies_what_exists() -> None:
    """Every file that the image is built from is in the repository."""
    copied = re.findall(r"^COPY (.+) \S+$", (DEPLOY / "Dockerfile").read_text("utf-8"), re.MULTILINE)

    names = [name for line in copied for name in line.split()]

    assert [name for name in names if not (DEPLOY.parent / name).exists()] == []
