"""Every table and key of ``notices.toml`` as a page to read, made from the model itself.

``python -m dashboard.notices.reference > docs/notices-file.md`` writes it; a test holds the page to the model.
"""

from __future__ import annotations

import sys

from dashboard.notices.settings import Notices
from ingest.installation_reference import sections

TABLES = (
    ("", "", "The file itself"),
    ("Recipient", "[recipient.NAME]", "Who is told"),
    ("Rule", "[rule.NAME]", "What goes to whom, and how soon"),
    ("Mail", "[mail]", "The server that takes mail"),
    ("Webhook", "[webhook.NAME]", "A machine that takes signed messages"),
    ("Mqtt", "[mqtt]", "A broker that open findings are shown at"),
    ("Heartbeat", "[heartbeat]", "A sign of life"),
)
"""Model, how the file writes it, and what it is."""

INTRODUCTION = """\
# notices.toml

Who is told, by which way, and when; [notices.md](notices.md) says what goes when, and what is promised. Every mistake
is told with its line and its mend. Durations carry their unit: `"15 min"`, `"4 h"`. Times of day are local. Keys that
are not in bold may be left out.
"""


def reference() -> str:
    """Return the page.

    Returns
    -------
    str
        Markdown, one table of keys for each table of the file.

    Examples
    --------
    >>> reference().splitlines()[0]
    '# notices.toml'
    """
    return "\n".join([INTRODUCTION, *sections(Notices.model_json_schema(mode="validation"), TABLES)])


if __name__ == "__main__":
    sys.stdout.write(reference())
