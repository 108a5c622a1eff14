"""Hostile zones, ranges and addresses are answered or refused, and lead nowhere else."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote, urlsplit

import pytest
from dash import Dash
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st

from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.watch import Watch
from ingest.installation import Installation
from tests.dashboard.routes.crawl import (
    NOW,
    PREFIX,
    fuzz,
    log_in,
)


@fuzz
@given(
    zone=st.text(max_size=40)
    | st.sampled_from(["..", ".", "%00", "bench1/..", "bench1\n", "BENCH1", "../../x"])
)
def test_zones_are_those_that_are_described(app: Dash, zone: str) -> None:
    """Whatever stands in a zone's place, only described zones are found, and nothing fails."""
    with app.server.test_client() as asked:
        log_in(asked, "look")
        for address in ("zone/{}", "api/chart/zone/{}", "api/file/zone/{}.csv", "run/{}/1764057600"):
            answer = asked.get(PREFIX + address.format(quote(zone, safe="")))
            assert answer.status_code == 404 or (zone.strip("/") in {"bench1", "bench2"}), address
            assert "passwd" not in answer.get_data(as_text=True)


EDGES = [
    "nan",
    "inf",
    "-inf",
    "1e300",
    "-1e300",
    "0",
    "-0",
    "1764057600",
    "253402300800",
    "1e999",
    "",
    "x",
    "٣",
    "0x10",
    "1_0",
]


@fuzz
@given(
    query=st.dictionaries(
        st.sampled_from(["from", "to", "span", "width", "units", "theme", "beside", "earlier", "zone"]),
        st.sampled_from(EDGES) | st.floats().map(repr) | st.text(max_size=8),
        max_size=6,
    )
)
def test_hostile_ranges_are_answered_or_refused(app: Dash, query: dict[str, str]) -> None:
    """Whatever range, width or unit is asked for, charts and files answer or refuse; nothing fails."""
    with app.server.test_client() as asked:
        log_in(asked, "look")
        for address in (
            "api/chart/head",
            "api/chart/zone/bench1",
            "api/file/head.csv",
            "api/file/head.parquet",
        ):
            answer = asked.get(PREFIX + address, query_string=query)
            assert answer.status_code in {200, 400, 404}, (address, answer.get_data(as_text=True)[:200])


ELSEWHERE = [
    "https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "\\\\elsewhere.example", "javascript:x",
    "/drip//elsewhere.example", "/drip/\t/elsewhere.example", "/drip/../../elsewhere", "\t//elsewhere.example",
    "/drip/%2e%2e//elsewhere.example", "/drip/\r\nSet-Cookie: a=b", "/drip/@elsewhere.example", "http:elsewhere.example",
]  # fmt: skip


@pytest.mark.parametrize("onward", ELSEWHERE)
def test_login_leads_only_to_these_pages(client: FlaskClient, onward: str) -> None:
    """After the login the browser stays below the prefix, whatever the address said."""
    inside(log_in(client, "look", onward))


@fuzz
@given(
    onward=st.text(max_size=30) | st.text(alphabet="/\\:.@?#%\t drip", max_size=20).map(lambda t: PREFIX + t)
)
def test_login_leads_nowhere_else(app: Dash, onward: str) -> None:
    """Nor does it with any other text."""
    with app.server.test_client() as asked:
        inside(log_in(asked, "look", onward))


def inside(location: str) -> None:
    """Check that an address leads below the prefix as a browser reads it: tabs dropped, backslashes turned."""
    read = re.sub(r"[\t\r\n]", "", location).replace("\\", "/")
    parts = urlsplit(read)
    assert (parts.scheme, parts.netloc) == ("", "")
    assert parts.path.startswith(PREFIX)
    assert not read.startswith("//")
    assert "/../" not in parts.path.replace("%2e", ".").replace("%2E", ".") + "/"


def test_many_guesses_under_other_names_are_stopped(folder: Path, installation: Installation) -> None:
    """Headers that claim another address do not start the count anew where no proxy is said to be there."""
    watch = Watch(ArchiveFeed(folder / "archive", installation), clock=lambda: NOW)
    client = create_app(watch, Settings(PREFIX, folder / "users.toml")).server.test_client()
    statuses = []
    for n in range(21):
        page = client.get(PREFIX + "login").get_data(as_text=True)
        found = re.search(r'name="token" value="([^"]+)"', page)
        form = {"name": f"name{n}", "password": "wrong", "token": found[1] if found else ""}
        headers = {"X-Forwarded-For": f"192.0.2.{n}", "Forwarded": f"for=192.0.2.{n}"}
        statuses.append(client.post(PREFIX + "login", data=form, headers=headers).status_code)

    assert statuses[:20] == [403] * 20
    assert statuses[20] == 429
