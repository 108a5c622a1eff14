"""The JSON Schema of ``installation.toml``, for editors that complete and check as a person types."""

from __future__ import annotations

import json
from typing import Any

from ingest.installation import Installation


def schema() -> dict[str, Any]:
    """Return the schema, every key with its meaning.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12.

    Examples
    --------
    >>> schema()["properties"]["timezone"]["type"]
    'string'
    """
    found = Installation.model_json_schema(mode="validation", by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found}


def schema_text() -> str:
    """Return the schema as text.

    Examples
    --------
    >>> schema_text().splitlines()[0]
    '{'
    """
    return json.dumps(schema(), indent=2, ensure_ascii=False)
