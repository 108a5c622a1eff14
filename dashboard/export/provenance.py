"""Where an export comes from: software, description, period, the archive's days by hash, methods."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from analysis.document import iso
from analysis.ledger import BASELINE_FILE, SERVICE_FILE
from dashboard.paper.evidence import days_of_period, manifests_of_period, sha256
from ingest.store import read_tail

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.results import Results
    from dashboard.export.order import Order

FORM = "tricklebook export 1"
"""What kind of export this is; a later form has another number."""

LIBRARIES = ("numpy", "pandas", "pyarrow", "scipy", "xlsxwriter")
"""Libraries that the numbers and the bytes rest on."""

METHODS = {
    "runs": "valves, flows and pressures told together; docs/methods_runs.md",
    "intervals": "95 %, by the GUM (JCGM 100:2008), each term kept apart; docs/methods.md",
    "doses": "stock in the run times its strength, on the plot's ground; docs/methods_injection.md",
    "treatment means": "shared terms added in step, the others by their squares; GUM F.1.2.3; docs/methods_trial.md",
    "equivalence": "two one-sided tests, 5 % each, on the logarithm (Schuirmann 1987); docs/methods_trial.md",
    "flags": "primary flags of IOC/IODE by the tests of QARTOD, day by day (UTC), final once it is closed; docs/methods_runs.md",
    "readings": "mean, least, greatest and last of the readings that are not flagged, in buckets from midnight UTC",
}
"""Method names, and where each is described."""


def provenance(order: Order, results: Results, rows: Mapping[str, int]) -> dict[str, Any]:
    """Return where an export comes from.

    Parameters
    ----------
    order : Order
        What was asked for.
    results : Results
        The analysis of the period.
    rows : mapping
        Table to its number of rows.

    Returns
    -------
    dict
        Plain values for JSON. No clock and no folder of this machine is in it.
    """
    site = order.installation.site
    days = days_of_period(order.archive, site, order.start, order.end)
    told = Counter((e.quantity, e.status) for e in results.estimates)
    return {
        "form": FORM,
        "software": results.software,
        "libraries": {name: _version(name) for name in LIBRARIES},
        "command": order.command(),
        "installation": {
            "name": order.installation.name,
            "site": site,
            "file": order.described_as,
            "sha256": hashlib.sha256(order.described).hexdigest(),
        },
        "period": {"from": iso(order.start), "to": iso(order.end)},
        "time_zone": order.installation.timezone,
        "resolution_s": order.bucket_s,
        "archive": {
            "days": days,
            "manifests": manifests_of_period(order.archive, site, days),
            "ledgers": {
                name: sha256(order.archive / name)
                for name in (SERVICE_FILE, BASELINE_FILE)
                if (order.archive / name).is_file()
            },
            "messages_not_in_files_yet": _waiting(order.archive, site),
        },
        "methods": METHODS,
        "estimates": {
            quantity: {"ok": told[quantity, "ok"], "refused": told[quantity, "refused"]}
            for quantity in sorted({quantity for quantity, _ in told})
        },
        "rows": dict(rows),
    }


def text_of(values: Mapping[str, Any]) -> str:
    """Return provenance as JSON, the same text for the same values."""
    return json.dumps(values, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def _waiting(archive: Path, site: str) -> int:
    """Return how many messages the journal holds that no file of the archive does."""
    return len(read_tail(archive, site)[0].messages)


def _version(name: str) -> str:
    """Return a library's version."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
