"""A small reverse proxy on loopback: passes everything on as it stands and says for whom, as real ones do."""

from __future__ import annotations

import http.client
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

_HOPS = {"connection", "transfer-encoding", "keep-alive", "host", "content-length"}


class Front:
    """Listens on a port of its own and passes requests on.

    Parameters
    ----------
    port : int
        Of the server behind.

    Attributes
    ----------
    address : str
        Where browsers go.
    paths : list of str
        What was asked for.
    """

    def __init__(self, port: int) -> None:
        front = self
        self.paths: list[str] = []

        class Handler(BaseHTTPRequestHandler):
            """Passes one request on."""

            protocol_version = "HTTP/1.1"

            def log_message(self, *said: Any) -> None:
                """Say nothing."""

            def pass_on(self) -> None:
                """Ask the server behind, and hand its answer over."""
                front.paths.append(self.path)
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                headers = {k: v for k, v in self.headers.items() if k.lower() not in _HOPS}
                headers |= {
                    "Host": f"127.0.0.1:{port}",
                    "X-Forwarded-For": self.client_address[0],
                    "X-Forwarded-Host": self.headers["Host"],
                    "X-Forwarded-Proto": "http",
                }
                behind = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
                behind.request(self.command, self.path, body, headers)
                answer = behind.getresponse()
                content = answer.read()
                behind.close()
                self.send_response(answer.status)
                for name, value in answer.getheaders():
                    if name.lower() not in _HOPS:
                        self.send_header(name, value)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            do_GET = do_POST = pass_on  # noqa: N815 - names that the library looks for

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
