"""Nothing gets in that should not, and every answer carries its headers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.wanted import wanted
from dashboard.watch import Watch
from ingest.installation import Installation

ASK = {
    "output": "page.children",
    "outputs": {"id": "page", "property": "children"},
    "inputs": [],
    "changedPropIds": [],
}


@pytest.fixture(scope="module")
def client(installation: Installation, tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """Ask an empty archive's dashboard, without a network."""
    feed = ArchiveFeed(tmp_path_factory.mktemp("empty"), installation)
    with create_app(Watch(feed)).server.test_client() as asked:
        yield asked


PATHS = [
    "/",
    "/zone/bench1",
    "/head",
    "/api/pulse",
    "/api/chart/head",
    "/nowhere",
    "/assets/base.js",
    "/_dash-layout",
]


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_headers(client: FlaskClient, path: str) -> None:
    """The content policy and its companions stand on every answer, errors too."""
    with client.get(path) as answer:
        headers = answer.headers

    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert "unsafe-eval" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"


@pytest.mark.parametrize(
    "path",
    [
        "/nowhere",
        "/zone/bench9",
        "/zone/..%2f..%2fetc%2fpasswd",
        "/api/chart/zone/bench9",
        "/api/chart/zone/../head/x",
        "/api/chart/zone/bench1?beside=bench9",
        "/api/chart/run/bench1/1795616847",
        "/api/chart/run/bench9/1",
        "/api/chart/run/bench1/-1",
        "/api/numbers/bench1/1795616847.csv",
        "/api/numbers/..%2f..%2fx/1.csv",
        "/run/bench9/1",
        "/assets/../app.py",
        "/assets/..%2fapp.py",
        "/assets/%2e%2e/app.py",
        "/_dash-component-suites/dash/..%2f..%2fx.js",
        "/static/x",
    ],
)
def test_unknown_addresses_are_plainly_missing(client: FlaskClient, path: str) -> None:
    """Whatever is not known is a plain 404, and shows nothing of what lies beside it."""
    answer = client.get(path)

    assert answer.status_code == 404
    assert len(answer.data) < 60


def test_unregistered_component_files_are_no_server_error(client: FlaskClient) -> None:
    """A component file that nobody registered is missing, not a failure."""
    assert client.get("/_dash-component-suites/flask/app.py").status_code == 404


@pytest.mark.parametrize(
    ("origin", "site", "status"),
    [
        ("https://elsewhere.example", None, 403),
        ("null", None, 403),
        (None, "cross-site", 403),
        (None, "same-site", 403),
        ("http://localhost.elsewhere.example", "same-origin", 403),
    ],
)
def test_questions_from_other_sites_are_refused(
    client: FlaskClient, origin: str | None, site: str | None, status: int
) -> None:
    """A page of another site cannot make this one work, whatever it pretends."""
    headers = {k: v for k, v in (("Origin", origin), ("Sec-Fetch-Site", site)) if v}

    assert client.post("/_dash-update-component", json=ASK, headers=headers).status_code == status


def test_large_bodies_are_refused(client: FlaskClient) -> None:
    """A body beyond the bound is not read."""
    answer = client.post(
        "/_dash-update-component", data=b"x" * 300_000, headers={"Content-Type": "application/json"}
    )

    assert answer.status_code == 413


@pytest.mark.parametrize(
    "query",
    [
        "span=nan",
        "span=inf",
        "span=-5",
        "span=abc",
        "from=5&to=4",
        "from=1e400&to=2",
        "width=x",
        "units=furlong",
        "theme=../x",
        "to=-1",
    ],
)
def test_charts_refuse_what_is_no_range(client: FlaskClient, query: str) -> None:
    """A range that is none is told in plain words, with status 400."""
    answer = client.get(f"/api/chart/head?{query}")

    assert answer.status_code == 400
    assert answer.mimetype == "text/plain"


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(
        st.sampled_from(["from", "to", "span", "width"]), st.floats().map(repr) | st.text(max_size=5)
    )
)
def test_wanted_is_always_bounded(query: dict[str, str]) -> None:
    """Whatever stands in the address, the range is finite and short enough, or refused."""
    try:
        asked = wanted(query, pd.Timestamp("2026-11-25", tz="UTC").timestamp())
    except ValueError:
        return

    assert 0 < asked.end - asked.start <= 40 * 366 * 86400
    assert 240 <= asked.width <= 4000


def test_widest_chart_is_answered(client: FlaskClient) -> None:
    """Forty years are a chart like any other."""
    answer = client.get("/api/chart/head?from=0&to=1e12")

    assert answer.status_code == 200
    assert json.loads(answer.data)["columns"]


def test_pages_stand_under_a_prefix(installation: Installation, tmp_path: Path) -> None:
    """Behind a proxy under a path, everything lies under that path."""
    app = create_app(Watch(ArchiveFeed(tmp_path, installation)), Settings(prefix="/drip/"))
    asked = app.server.test_client()

    assert asked.get("/drip/zone/bench1").status_code == 200
    assert asked.get("/zone/bench1").status_code == 404
    text = asked.get("/drip/").get_data(as_text=True)
    assert 'lang="en"' in text
    assert 'src="/assets' not in text
