"""What must not stand in ``notices.toml``: read from files or the environment, never shown."""

from __future__ import annotations

import base64
import binascii
import os
from typing import TYPE_CHECKING

from ingest.address import read_secret
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

PREFIX = "TRICKLEBOOK_NOTICES"
"""Environment variables begin with it: ``_MAIL_USER``, ``_MAIL_PASSWORD``, ``_MQTT_USER``, ``_MQTT_PASSWORD``,
``_WEBHOOK_NAME``; with ``_FILE`` added, of files that hold them."""

SECRET_START = "whsec_"  # noqa: S105 - what a signing secret begins with, as the specification writes it
SECRET_BYTES = (24, 64)
"""Length of a signing secret. Standard Webhooks specification 1.0.0, section "Symmetric". [B]"""


def login(
    way: str,
    folder: Path,
    user_file: str | None,
    password_file: str | None,
    environment: Mapping[str, str] = os.environ,
) -> tuple[str, str] | None:
    """Return user and password of a way, or None where it has none.

    Parameters
    ----------
    way : {"MAIL", "MQTT"}
        Which.
    folder : Path
        Where relative paths of the file begin.
    user_file, password_file : str or None
        As the file names them.
    environment : mapping of str to str
        Goes before the files.

    Raises
    ------
    UserError
        If one of the two is missing, or a file cannot be read.
    """
    user = read_secret(f"{PREFIX}_{way}_USER", folder / user_file if user_file else None, environment)
    password = read_secret(
        f"{PREFIX}_{way}_PASSWORD", folder / password_file if password_file else None, environment
    )
    if user is None and password is None:
        return None
    if not user or not password:
        missing = "password" if user else "user"
        msg = (
            f"[{way.lower()}]: the {missing} is missing; set {PREFIX}_{way}_{missing.upper()}, or name a file in "
            f"{'password_file' if user else 'username_file'}"
        )
        raise UserError(msg)
    return user, password


def signing_secrets(
    name: str, folder: Path, secret_file: str | None, environment: Mapping[str, str] = os.environ
) -> tuple[bytes, ...]:
    """Return the secrets that messages to a webhook are signed with, the present one first.

    Parameters
    ----------
    name : str
        Of the webhook.
    folder : Path
        Where relative paths of the file begin.
    secret_file : str or None
        As the file names it.
    environment : mapping of str to str
        Goes before the file.

    Returns
    -------
    tuple of bytes
        One, or two while the secret is being changed.

    Raises
    ------
    UserError
        If there is none, or it is no secret of 24 to 64 bytes in base64.
    """
    variable = f"{PREFIX}_WEBHOOK_{name.upper().replace('-', '_')}"
    text = read_secret(variable, folder / secret_file if secret_file else None, environment)
    if not text:
        msg = (
            f"[webhook.{name}]: the signing secret is missing; set {variable}, or name a file in secret_file"
        )
        raise UserError(msg)
    return tuple(_decoded(name, line.strip()) for line in text.splitlines() if line.strip())


def _decoded(name: str, text: str) -> bytes:
    try:
        secret = base64.b64decode(text.removeprefix(SECRET_START), validate=True)
    except binascii.Error:
        secret = b""
    least, most = SECRET_BYTES
    if least <= len(secret) <= most:
        return secret
    msg = (
        f"[webhook.{name}]: the signing secret is not right; expected {least} to {most} random bytes in base64, "
        "as `openssl rand -base64 32` prints them"
    )
    raise UserError(msg)
