"""The shell around every page, and the way from an address to a page.

Stable marks for tests and for people who script the pages, all as ``data-testid``:

==================  =====================================================================
``bar``             the header with the pages, the units and the look
``units-metric``    button; ``units-us`` beside it; the chosen one has ``aria-pressed=true``
``look-light``      button; ``look-dark`` beside it
``running``         overview: what runs now
``attention``       overview: what needs a person
``zones``           overview: the zones; each card is ``[data-zone=NAME]``
``do-now``          first words on a finding that can hurt somebody
``zone-state``      zone: whether it runs
``sensors``         newest readings; each tile is ``[data-sensor=NAME][data-state=fresh|late|silent|never]``
``chart``           the chart; once drawn its box (``.chart``) has ``data-drawn`` = number of drawings
``readout``         values under the cursor
``shown``           shown period and bucket, in words
``estimates``       table; each row is ``[data-row="injection fraction"]`` or ``[data-row="nutrient dose N"]``
``findings``        findings; each is ``article[data-kind=KIND]``
``runs``            table of runs; the first cell of a row links to the run's page
``budget``          run: where each interval comes from
``sensor-table``    installation: sensors; each row is ``[data-row=NAME]``
``findings-open``   findings page; also ``findings-acknowledged``, ``findings-past``; cases are ``[data-case]``
``form-finding``    answer to a finding; ``form-service`` on the service page, ``form-catch`` on that of catch tests
``clear-out``       run: the chart of its injection and clear-out
``chart-choices``   what a chart is held against, and how its value axes lie; links that the address carries
``injectors``       head: a card for each injector, ``[data-injector=NAME]``
``catch-ZONE``      catch tests of a zone; their table is ``catch-ZONE-tests``
``computed``        when the results were computed
==================  =====================================================================
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING
from urllib.parse import unquote

from dash import dcc, html
from plotly.utils import PlotlyJSONEncoder

from dashboard.attrs import attrs
from dashboard.display import zone_name
from dashboard.pages import findings, head, installation, overview, run, service, zone
from dashboard.parts import computed_line
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dash.development.base_component import Component

    from dashboard.context import Context, Page
    from ingest.installation import Installation


ZONES_IN_BAR = 8
"""Most zones that have a link in the header; the overview has all of them. [-]"""


def _catch(context: Context) -> Page:
    from dashboard.pages import catch  # noqa: PLC0415 - its statistics take 40 MB, and few look at it

    return catch.page(context)


OTHERS: dict[str, Callable[[Context], Page]] = {
    "head": head.page,
    "findings": findings.page,
    "catch": _catch,
    "installation": installation.page,
    "service": service.page,
}
"""Pages that stand beside the overview, by the word in their address."""


def shell(*, prefix: str, units: str) -> Component:
    """Return what stands around every page.

    Parameters
    ----------
    prefix : str
        Path under which the pages stand.
    units : str
        Units of a reader who has not chosen.

    Returns
    -------
    Component
        The whole document body.
    """
    return html.Div(
        [
            dcc.Location(id="where", refresh="callback-nav"),
            dcc.Store(id="units", storage_type="local"),
            dcc.Store(id="pulse-live"),
            dcc.Store(id="pulse-results"),
            html.A(say("app.skip"), href="#content", className="skip"),
            html.Div(id="bar", **attrs({"data-testid": "bar"})),
            html.Div(
                id="contact",
                role="alert",
                hidden=True,
                **attrs({"data-lost": say("app.no_contact", clock="{clock}"), "data-testid": "contact"}),
            ),
            html.Main(html.Div(id="page"), id="content", tabIndex="-1"),
            html.Footer([html.P(say("app.watch_only")), html.P(id="zone-note")]),
        ],
        id="shell",
        **attrs({"data-prefix": prefix, "data-default-units": units}),
    )


def bar(context: Context, path: str) -> Component:
    """Return the header: the pages, the units, the look."""
    places = [(say("nav.overview"), context.path(""))]
    places += [(name, context.path("zone", name)) for name in context.installation.zone][:ZONES_IN_BAR]
    places += [(say(f"nav.{word}"), context.path(word)) for word in OTHERS]
    links = [
        html.Li(
            html.A(
                word, href=href, className="inside", **attrs({"aria-current": "page"} if href == path else {})
            )
        )
        for word, href in places
    ]
    return html.Header(
        [
            html.P(context.installation.name, className="site-name"),
            html.Nav(html.Ul(links), **attrs({"aria-label": say("nav.label")})),
            html.Div(
                [
                    _choice(
                        say("nav.units"),
                        "units",
                        [("metric", say("nav.metric")), ("us", say("nav.us"))],
                        context.units,
                    ),
                    _choice(
                        say("nav.look"),
                        "look",
                        [("light", say("nav.light")), ("dark", say("nav.dark"))],
                        None,
                    ),
                    *_log_out(context),
                ],
                className="choices",
            ),
        ]
    )


def _log_out(context: Context) -> list[Component]:
    """Return the button that ends the session, where there is one."""
    if not context.person.name:
        return []
    word = say("login.out", name=context.person.name)
    return [html.Button(word, type="button", className="button", **attrs({"data-log-out": "yes"}))]


def _choice(label: str, name: str, options: list[tuple[str, str]], chosen: str | None) -> Component:
    """Return a group of buttons of which one is pressed."""
    buttons = [
        html.Button(
            word,
            type="button",
            className="button",
            **attrs(
                {
                    f"data-choose-{name}": value,
                    "aria-pressed": "true" if value == chosen else "false",
                    "data-testid": f"{name}-{value}",
                }
            ),
        )
        for value, word in options
    ]
    return html.Div(buttons, role="group", className="buttons", **attrs({"aria-label": label}))


def page_for(context: Context, path: str) -> Page | None:
    """Return the page of an address.

    Parameters
    ----------
    context : Context
        What it is made from.
    path : str
        Path of the address, prefix included.

    Returns
    -------
    Page or None
        None where there is no such page.
    """
    parts = parts_of(path, context.prefix)
    if not is_known(context.installation, parts):
        return None
    match parts:
        case []:
            return overview.page(context)
        case ["zone", name]:
            return zone.page(context, name)
        case ["run", name, start]:
            return run.page(context, name, int(start))
        case [word]:
            return OTHERS[word](context)
    return None


def parts_of(path: str, prefix: str) -> list[str]:
    """Return the parts of a path below the prefix; one part that leads nowhere where it lies outside.

    Examples
    --------
    >>> parts_of("/drip/zone/bench1", "/drip/")
    ['zone', 'bench1']
    """
    if path + "/" == prefix:
        return []
    if not path.startswith(prefix):
        return [path]
    return [unquote(part) for part in path.removeprefix(prefix).split("/") if part]


def is_known(described: Installation, parts: list[str]) -> bool:
    """Return whether there is such a page; names count only if the installation has them."""
    match parts:
        case []:
            return True
        case ["zone", name]:
            return name in described.zone
        case ["run", name, start]:
            return name in described.zone and start.isascii() and start.isdigit() and len(start) < 12  # noqa: PLR2004 - digits of a second
        case [word]:
            return word in OTHERS
    return False


def saying(parts: Sequence[Component]) -> str:
    """Return a mark of what components say, to tell whether they changed."""
    return hashlib.sha256(json.dumps(list(parts), cls=PlotlyJSONEncoder).encode()).hexdigest()[:16]


def page_body(context: Context, page: Page, path: str) -> Component:
    """Return a page, its changing parts in boxes of their own."""
    return html.Div(
        [
            html.H1(page.title, tabIndex="-1"),
            html.Div(list(page.lead)),
            html.Div(list(page.live), id="live"),
            *([page.chart] if page.chart is not None else []),
            html.Div(list(page.body), id="body", **attrs({"data-said": saying(page.body)})),
            html.Div(computed_line(context), id="computed"),
        ],
        **attrs({"data-title": page.title, "data-path": path}),
    )


def zone_note(context: Context) -> str:
    """Name the time zone of every time on the screen."""
    return say("app.zone_note", zone=zone_name(context.now, context.installation.tz))
