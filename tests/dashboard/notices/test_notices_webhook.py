"""Webhooks against a real receiver: signed, never to the own network unasked, doubts told."""

from __future__ import annotations

import base64
import hashlib
import hmac
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

import pandas as pd
import pytest

from dashboard.notices.deliveries import Delivery, Message
from dashboard.notices.secrets import login, signing_secrets
from dashboard.notices.settings import Webhook
from dashboard.notices.webhook import Poster, is_public
from ingest.errors import UserError
from tests.support.broker import free_port
from tests.support.notice_servers import REFUSE, SWALLOW, HookServer
from tests.support.notices import NOW, SECRET

OLD = base64.b64encode(b"the secret that was used before, once").decode()


def delivery() -> Delivery:
    """Return a message that is due."""
    said: Any = ("STOP: backflow, head", "NOW: stop the injection.", {"findings": []})
    message = Message("m1.webhook.office", "m1", "office", "stop", "webhook office", "office", NOW, *said)
    return Delivery(message, "queued", 0, NOW)


def poster(url: str, *secrets: str, private: bool = True) -> Poster:
    """Return what posts to an address."""
    known = [base64.b64decode(secret) for secret in secrets or (SECRET,)]
    return Poster(Webhook(url=url, private_addresses=private), known, Path())


def test_the_receiver_can_verify_who_sent_it(hook_server: HookServer) -> None:
    """Identifier, time and body are signed, with the new secret and with the old one."""
    answer = poster(f"http://127.0.0.1:{hook_server.port}/x", SECRET, OLD).send(delivery(), NOW)

    assert (answer.arrived, answer.said) == (True, "200 OK taken over")
    (post,) = hook_server.taken
    signed = f"{post.headers['webhook-id']}.{post.headers['webhook-timestamp']}.".encode() + post.body
    made = [
        "v1," + base64.b64encode(hmac.new(base64.b64decode(s), signed, hashlib.sha256).digest()).decode()
        for s in (SECRET, OLD)
    ]
    assert post.headers["webhook-signature"].split() == made
    assert post.headers["webhook-id"] == "m1.webhook.office"
    assert post.content["type"] == "tricklebook.stop"
    assert post.content["data"]["text"] == "NOW: stop the injection."
    assert post.content["repeated"] is False


def test_own_addresses_are_refused_unless_the_file_allows_them(hook_server: HookServer) -> None:
    """Neither by number nor by name does a message reach this machine; nothing is sent."""
    with pytest.raises(ValueError, match="http is for the own network only"):
        Webhook(url=f"http://127.0.0.1:{hook_server.port}/x")
    for host in ("127.0.0.1", "localhost"):
        answer = poster(f"https://{host}:{hook_server.port}/x", private=False).send(delivery(), NOW)
        assert (answer.arrived, answer.sure) == (False, True)
        assert "is an address of the own network; private_addresses = true allows it" in answer.said
    assert hook_server.taken == []


@pytest.mark.parametrize(
    "address",
    ["10.1.2.3", "172.16.0.1", "192.168.0.9", "127.0.0.1", "169.254.169.254", "0.0.0.1", "100.64.0.1", "224.0.0.1",
     "::1", "fe80::1%eth0", "fc00::1", "::ffff:10.0.0.1", "64:ff9b::7f00:1", "2002:7f00:1::", "2001:db8::1"],
)  # fmt: skip
def test_every_spelling_of_an_own_address_is_known(address: str) -> None:
    """Addresses of RFC 1918, 3927, 4193, 4291, 6598 and those that wrap one are not public."""
    assert not is_public(address)


def test_public_addresses_are_public() -> None:
    """Two of public resolvers, in both families."""
    assert is_public("9.9.9.9")
    assert is_public("2620:fe::fe")


def test_a_redirection_is_not_followed(hook_server: HookServer) -> None:
    """A receiver cannot send the message on to somewhere else."""
    with HookRedirect(hook_server.port) as other:
        answer = poster(f"http://127.0.0.1:{other.port}/x").send(delivery(), NOW)

    assert (answer.arrived, answer.sure) == (False, True)
    assert answer.said.startswith("307")
    assert hook_server.taken == []


class HookRedirect:
    """A server that sends everybody to another port."""

    def __init__(self, target: int) -> None:
        import threading  # noqa: PLC0415 - only here
        from http.server import BaseHTTPRequestHandler, HTTPServer  # noqa: PLC0415 - only here

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                self.send_response(307)
                self.send_header("Location", f"http://127.0.0.1:{target}/x")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Keep quiet."""

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    def __enter__(self) -> Self:
        """Begin to answer."""
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def test_no_answer_leaves_a_doubt_and_the_copy_says_so(hook_server: HookServer) -> None:
    """Taken without a word: the second copy has the same identifier and says that it is repeated."""
    hook_server.manner = SWALLOW
    post = poster(f"http://127.0.0.1:{hook_server.port}/x")
    first = post.send(delivery(), NOW)
    hook_server.manner = "accept"
    second = post.send(replace(delivery(), doubt=NOW), NOW + pd.Timedelta(minutes=1))

    assert (first.arrived, first.sure, second.arrived) == (False, False, True)
    one, other = hook_server.taken
    assert one.headers["webhook-id"] == other.headers["webhook-id"]
    assert (one.content["repeated"], other.content["repeated"]) == (False, True)


def test_trouble_of_a_server_leaves_a_doubt_and_a_closed_port_none(hook_server: HookServer) -> None:
    """503 may come from something between; where nobody listens nothing arrived."""
    hook_server.manner = REFUSE
    refused = poster(f"http://127.0.0.1:{hook_server.port}/x").send(delivery(), NOW)
    nobody = poster(f"http://127.0.0.1:{free_port()}/x").send(delivery(), NOW)

    assert (refused.arrived, refused.sure) == (False, False)
    assert refused.said.startswith("503")
    assert (nobody.arrived, nobody.sure) == (False, True)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (None, r"\[webhook\.office\]: the signing secret is missing; set TRICKLEBOOK_NOTICES_WEBHOOK_OFFICE"),
        ("c2hvcnQ=", "expected 24 to 64 random bytes in base64"),
        ("no base64 at all!", "expected 24 to 64 random bytes in base64"),
    ],
)
def test_a_secret_that_is_none_is_told_without_it(text: str | None, problem: str) -> None:
    """The text says what is expected, and does not show what stands there."""
    environment = {} if text is None else {"TRICKLEBOOK_NOTICES_WEBHOOK_OFFICE": text}

    with pytest.raises(UserError, match=problem) as told:
        signing_secrets("office", Path(), None, environment)

    assert text is None or text not in str(told.value)


def test_two_secrets_stand_on_two_lines(tmp_path: Path) -> None:
    """While a secret is changed both sign; files are read where the variable is not set."""
    (tmp_path / "secret").write_text(f"whsec_{SECRET}\n{OLD}\n", "utf-8")

    assert signing_secrets("office", tmp_path, "secret", {}) == (
        base64.b64decode(SECRET),
        base64.b64decode(OLD),
    )


def test_half_a_login_is_none(tmp_path: Path) -> None:
    """A user without a password is a mistake, and the text says where it may stand."""
    with pytest.raises(
        UserError, match=r"\[mail\]: the password is missing; set TRICKLEBOOK_NOTICES_MAIL_PASSWORD"
    ):
        login("MAIL", tmp_path, None, None, {"TRICKLEBOOK_NOTICES_MAIL_USER": "drip"})
    assert login("MAIL", tmp_path, None, None, {}) is None
