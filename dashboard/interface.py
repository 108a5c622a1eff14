"""What the pages' own scripts ask for: charts, their data as files, the pulse, colours, the drawing library."""

from __future__ import annotations

import json
import secrets
from typing import TYPE_CHECKING, Any

from flask import Response, abort, request

from dashboard import drawing
from dashboard.charts import chart_json, look_of, sent
from dashboard.display import UNITS
from dashboard.downloads import as_csv, as_parquet, file_name, numbers, seen
from dashboard.figures import figure
from dashboard.pictures import Pictures
from dashboard.run_chart import marked, run_chart
from dashboard.snapshot import run_at
from dashboard.theme import style_sheet
from dashboard.wanted import wanted

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask

    from analysis.results import Estimate, Run
    from dashboard.access.gate import Gate
    from dashboard.wanted import Wanted
    from dashboard.watch import Watch

FILES: dict[str, tuple[str, Callable[..., bytes]]] = {
    "csv": ("text/csv", as_csv),
    "parquet": ("application/vnd.apache.parquet", as_parquet),
}
"""Kind of file to its media type and its maker."""


def register(server: Flask, watch: Watch, gate: Gate) -> None:
    """Answer at the addresses below ``api/``.

    Parameters
    ----------
    server : Flask
        The application.
    watch : Watch
        Keeps what is known.
    gate : Gate
        Knows who asks.
    """
    base = gate.prefix + "api/"
    instance = secrets.token_hex(4)

    @server.get(base + "pulse")
    def pulse() -> Response:
        snapshot = watch.snapshot
        return _json(
            {
                "live": f"{instance}-{snapshot.live}-{len(watch.pending)}",
                "results": f"{instance}-{snapshot.version}",
                "now": int(watch.clock().timestamp() * 1000),
                "token": gate.token(),
            }
        )

    @server.get(base + "chart/head", defaults={"zone": None})
    @server.get(base + "chart/zone/<zone>")
    def chart(zone: str | None) -> Response:
        asked, now = _asked(watch, zone)
        snapshot = watch.snapshot
        made = chart_json(
            watch.feed.installation, snapshot.results, zone, asked, now, watch.windows, watch.pending
        )
        return _json(made)

    pictures = Pictures(watch.feed)

    @server.get(base + "chart/run/<zone>/<int:start>")
    def run(zone: str, start: int) -> Response:
        asked, now = _asked(watch, zone)
        return _json(_run_chart(watch, pictures, zone, start, asked, now))

    @server.get(base + "file/head.<kind>", defaults={"zone": None})
    @server.get(base + "file/zone/<zone>.<kind>")
    @server.get(base + "file/run/<zone>/<int:_start>.<kind>")
    def file(zone: str | None, kind: str, _start: int = 0) -> Response:
        if kind not in FILES:
            abort(404)
        asked, _ = _asked(watch, zone)
        media, maker = FILES[kind]
        body = maker(seen(watch.feed.installation, zone, asked, watch.windows))
        name = file_name(watch.feed.installation, zone, asked, kind)
        return Response(
            body, mimetype=media, headers={"Content-Disposition": f'attachment; filename="{name}"'}
        )

    @server.get(base + "numbers/<zone>/<int:start>.csv")
    def figures(zone: str, start: int) -> Response:
        run, estimates = _run_of(watch, zone, start)
        body = as_csv(numbers(estimates, run, UNITS.get(request.args.get("units", ""), "metric")))
        name = f"{watch.feed.installation.site}_{zone}_{run.start:%Y%m%dT%H%M%SZ}_numbers.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(body, mimetype="text/csv", headers=headers)

    @server.get(base + "theme.css")
    def theme() -> Response:
        return Response(style_sheet(), mimetype="text/css")

    server.add_url_rule(base + drawing.name(), "drawing", drawing.answer)


def _run_of(watch: Watch, zone: str, start: int) -> tuple[Run, list[Estimate]]:
    """Return a run and its estimates; end with 404 where no such run is known."""
    results = watch.snapshot.results
    run = run_at(results, zone, start)
    if run is None or results is None:
        abort(404)
    return run, [e for e in results.estimates if e.zone == zone and e.run_start == run.start]


def _run_chart(
    watch: Watch, pictures: Pictures, zone: str, start: int, asked: Wanted, now: float
) -> dict[str, Any]:
    """Return the chart of one run; end with 404 where no such run is known."""
    installation = watch.feed.installation
    run, estimates = _run_of(watch, zone, start)
    chart = run_chart(installation, run, asked, now, watch.windows)
    look = look_of(installation, asked)
    made = marked(figure(chart, look), pictures.of(run, estimates), estimates, look, run)
    return sent(installation, chart, made, asked, watch.pending)


def _asked(watch: Watch, zone: str | None) -> tuple[Wanted, float]:
    """Return what a reader wants, and the present; end with 404 or 400 where it makes no sense."""
    if zone is not None and zone not in watch.feed.installation.zone:
        abort(404)
    now = watch.clock().timestamp()
    try:
        asked = wanted(request.args, now)
    except ValueError as error:
        abort(Response(f"{error}\n", 400, mimetype="text/plain"))
    if asked.beside and asked.beside.zone and asked.beside.zone not in watch.feed.installation.zone:
        abort(404)
    return asked, now


def _json(value: object) -> Response:
    return Response(json.dumps(value, allow_nan=False, separators=(",", ":")), mimetype="application/json")
