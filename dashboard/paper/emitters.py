"""What the record says of a zone's emitters: lost flow, when it will matter, and what service did."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.service import EMITTER_SERVICES
from dashboard.paper.dates import on
from dashboard.paper.effects import capital, effects, first_flow, told
from dashboard.paper.record_numbers import percent, signed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.results import Estimate, Results
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation

FILTER_SERVICES = frozenset({"filter cleaned", "filter replaced"})
"""Services whose effect on the filter's loss is told."""


def latest(results: Results, zone: str, quantity: str) -> Estimate | None:
    """Return a zone's newest estimate of a quantity, refused or not."""
    mine = [e for e in results.estimates if (e.quantity, e.zone) == (quantity, zone)]
    return mine[-1] if mine else None


def emitters(
    name: str, results: Results, services: Sequence[Service], installation: Installation, units: Units
) -> Iterator[str]:
    """Return the sentences on emitters that lost flow, when it will matter, and whether service helped."""
    loss = latest(results, name, "emitter flow loss")
    if loss is not None and loss.status == "ok" and (loss.low or 0.0) > 0.0:
        yield (
            f"The emitters have lost {percent(loss.value)} of their flow "
            f"({percent(loss.low)} to {percent(loss.high)})."
        )
    yield from forecasts(name, results)
    for service in services:
        if service.zone in (None, name):
            yield from _served(name, service, results, services, installation, units)


def forecasts(name: str, results: Results) -> Iterator[str]:
    """Return when a zone's emitters will have lost what people act at."""
    newest: dict[str, Estimate] = {}
    for e in results.estimates:
        if (e.quantity, e.zone, e.status) == ("time to clogging limit", name, "ok"):
            newest[e.method.split(";")[0]] = e
    for method, e in newest.items():
        limit = method.split(" % ")[0].removeprefix("days until ")
        yield (
            f"{limit}\N{NO-BREAK SPACE}% will be lost in {e.value:.0f} days ({e.low:.0f} to {e.high:.0f}), "
            "if it goes on as now."
        )


def _served(
    name: str,
    service: Service,
    results: Results,
    services: Sequence[Service],
    installation: Installation,
    units: Units,
) -> Iterator[str]:
    """Return what a service of emitters or filter did in a zone."""
    flow, loss, *_ = effects(name, service, results, services, (), installation)
    when = f"{capital(service.kind)} on {on(service.time, installation.tz, units)}."
    if service.kind in EMITTER_SERVICES:
        yield f"{when} {told(flow, units)}"
        first = first_flow(results, name, services, service.time)
        if first and flow.before and flow.after:
            before, after = (signed(side[0] / first - 1.0) for side in (flow.before, flow.after))
            yield f"Against the flow of the first days: {before} before it, {after} after it."
    elif service.kind in FILTER_SERVICES:
        yield f"{when} {told(loss, units)}"
