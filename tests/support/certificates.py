"""Certificates for tests, made with the openssl command: good ones, expired ones, a stranger's."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

_CONF = """
[ca]
default_ca = here
[here]
database = {folder}/index
serial = {folder}/serial
new_certs_dir = {folder}
certificate = {folder}/ca.pem
private_key = {folder}/ca.key
default_md = sha256
policy = any
copy_extensions = copy
unique_subject = no
[any]
commonName = supplied
"""


def _openssl(*arguments: object) -> None:
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


class Authority:
    """A certificate authority in a folder.

    Parameters
    ----------
    folder : Path
        Made here.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder = folder
        self.certificate = folder / "ca.pem"
        (folder / "index").touch()
        (folder / "serial").write_text("1000\n", encoding="ascii")
        (folder / "ca.cnf").write_text(_CONF.format(folder=folder), encoding="utf-8")
        _openssl(
            *(
                "req",
                "-x509",
                "-newkey",
                "rsa:2048",
                "-nodes",
                "-days",
                "2",
                "-subj",
                f"/CN={folder.name} authority",
            ),
            *("-keyout", folder / "ca.key", "-out", self.certificate),
        )

    def issue(self, name: str, *, expired: bool = False) -> tuple[Path, Path]:
        """Return certificate and key for a name."""
        request, key, certificate = (self._folder / f"{name}.{end}" for end in ("csr", "key", "pem"))
        _openssl(
            *(
                "req",
                "-newkey",
                "rsa:2048",
                "-nodes",
                "-subj",
                f"/CN={name}",
                "-keyout",
                key,
                "-out",
                request,
            ),
            *("-addext", f"subjectAltName=DNS:{name}"),
        )
        period = ("-startdate", "200101000000Z", "-enddate", "200201000000Z") if expired else ("-days", "2")
        _openssl(
            *("ca", "-batch", "-notext", "-config", self._folder / "ca.cnf", *period, "-in", request),
            *("-out", certificate),
        )
        return certificate, key
