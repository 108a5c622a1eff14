"""An object store that keeps its objects on the disk: in place before a request is answered, there after a kill."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from moto.core.models import DEFAULT_ACCOUNT_ID
from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from moto.s3.models import S3Backend, s3_backends
from werkzeug.serving import run_simple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


def backend() -> S3Backend:
    """Return the objects of the one account."""
    return s3_backends[DEFAULT_ACCOUNT_ID]["aws"]


class Kept:
    """The store's application, with a folder that holds what it holds.

    Parameters
    ----------
    app : callable
        The WSGI application.
    folder : Path
        One file an object, named after it.
    """

    def __init__(self, app: Callable[..., Iterable[bytes]], folder: Path) -> None:
        self._app = app
        self._folder = folder
        for path in sorted(folder.iterdir()):
            bucket, _, key = unquote(path.name).partition("/")
            if bucket not in backend().buckets:
                backend().create_bucket(bucket, "us-east-1")
            if key:
                backend().put_object(bucket, key, path.read_bytes())

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer a request; what it changed is on the disk before."""
        body = b"".join(self._app(environ, start_response))
        if environ["REQUEST_METHOD"] in {"PUT", "POST", "DELETE"}:
            self._keep(unquote(environ["PATH_INFO"]).strip("/"))
        return [body]

    def _keep(self, name: str) -> None:
        bucket, _, key = name.partition("/")
        path = self._folder / quote(name, safe="")
        found = backend().get_object(bucket, key) if key and bucket in backend().buckets else None
        if key and found is None:
            path.unlink(missing_ok=True)
            return
        part = path.with_name(f".{path.name}"[:200])
        part.write_bytes(found.value if found is not None else b"")
        part.rename(path)


def main() -> None:
    """Serve a folder at a port of this machine: ``FOLDER PORT``."""
    folder, port = Path(sys.argv[1]), int(sys.argv[2])
    folder.mkdir(exist_ok=True)
    for path in folder.glob(".*"):
        path.unlink()
    app = Kept(DomainDispatcherApplication(create_backend_app), folder)
    run_simple("127.0.0.1", port, app, threaded=True)


if __name__ == "__main__":
    main()
