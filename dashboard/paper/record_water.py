"""What the record says of the water: which classes of clogging hazard stand, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.water_report import report
from dashboard.paper.document import Section
from dashboard.paper.sheet import water_section

if TYPE_CHECKING:
    import pandas as pd

    from dashboard.display import Units
    from ingest.installation import Installation

NO_ANALYSIS = (
    "No water analysis up to the end of this period stands in the installation file, so no class of clogging hazard can be "
    "told."
)
"""Where nobody had the water analysed."""


def water(installation: Installation, until: pd.Timestamp, units: Units) -> Section:
    """Return the classes of clogging hazard that stand at the end of a period.

    Parameters
    ----------
    installation : Installation
        The system with its water analyses; those sampled later are left out.
    until : pandas.Timestamp
        End of the period. [UTC]
    units : {"metric", "us"}
        How dates are written.

    Returns
    -------
    Section
        A table by item, or that there is no analysis.
    """
    last = until.tz_convert(installation.tz).date()
    rows = tuple(row for row in installation.water.analysis if row.sampled <= last)
    items = report(installation.water.model_copy(update={"analysis": rows}))
    found = water_section(items, units)
    return found[0] if found else Section("Water analysis", words=(NO_ANALYSIS,))
