"""An object store on loopback that has after a kill what it had before."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from pyarrow import fs

ROOT = Path(__file__).parents[2]

USER, PASSWORD = "depot-user", "depot-password"
BUCKET = "garden"
DEADLINE_S = 60.0
"""How long a start may take before the test fails."""


@dataclass
class ObjectStore:
    """One object store.

    Attributes
    ----------
    folder : Path
        For its objects.
    port : int
        Where it listens, the same after every start.
    """

    folder: Path
    port: int = 0
    _process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    def start(self) -> None:
        """Start it, with everything that it had been given before."""
        if not self.port:
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                self.port = free.getsockname()[1]
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.support.objects_server",
                str(self.folder / "objects"),
                str(self.port),
            ],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._wait()
        self.client().create_dir(BUCKET)

    def _wait(self) -> None:
        end = time.monotonic() + DEADLINE_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=5).close()
            except OSError:
                if time.monotonic() > end:
                    raise
                time.sleep(0.05)
            else:
                return

    @property
    def endpoint(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}"

    def client(self) -> fs.S3FileSystem:
        """Return a client that knows its user and password."""
        return fs.S3FileSystem(
            access_key=USER,
            secret_key=PASSWORD,
            endpoint_override=f"127.0.0.1:{self.port}",
            scheme="http",
            region="us-east-1",
            allow_bucket_creation=True,
        )

    def kept(self) -> list[str]:
        """Return the names of the objects on the disk."""
        return sorted(path.name for path in (self.folder / "objects").iterdir() if path.name[0] != ".")

    def kill(self) -> None:
        """Kill it, in the middle of whatever it does."""
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(DEADLINE_S)
            self._process = None

    def describe(self, archive: Path, prefix: str = "archive") -> None:
        """Write into an archive's folder that this is its depot."""
        archive.mkdir(parents=True, exist_ok=True)
        text = f'url = "s3://{BUCKET}/{prefix}"\nendpoint = "{self.endpoint}"\nregion = "us-east-1"\n'
        (archive / "depot.toml").write_text(text, encoding="utf-8")
