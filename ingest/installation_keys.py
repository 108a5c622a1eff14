"""The keys that each table of a file has, and what each is for: the installation file's, or another model's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args, get_origin

from ingest.installation import Installation
from ingest.installation_types import Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.toml_places import Path


def keys(path: Path, root: type[Table] = Installation) -> Iterator[str]:
    """Yield the keys that the table at a path has, as they are written; `root` is the whole file's model.

    Examples
    --------
    >>> list(keys(("zone", "any", "manifold")))
    ['length', 'diameter']
    """
    table = _annotation(path, root)
    if isinstance(table, type) and issubclass(table, Table):
        for name, field in table.model_fields.items():
            yield field.alias or name


def meaning(path: Path, root: type[Table] = Installation) -> str:
    """Return what the key at a path is for; `root` is the whole file's model.

    Examples
    --------
    >>> meaning(("zone", "any", "manifold", "diameter"))
    'inner diameter'
    """
    table = _annotation(path[:-1], root)
    if isinstance(table, type) and issubclass(table, Table) and isinstance(path[-1], str):
        for name, field in table.model_fields.items():
            if path[-1] == (field.alias or name) and field.description:
                return field.description[:1].lower() + field.description[1:].rstrip(".")
    return "expected an entry more"


def _annotation(path: Path, root: type[Table]) -> Any:
    """Return the type at a path: a table's class where it is one."""
    found: Any = root
    for part in path:
        if isinstance(found, type) and issubclass(found, Table):
            fields = {field.alias or name: field for name, field in found.model_fields.items()}
            found = _bare(fields[str(part)].annotation) if part in fields else None
        elif get_origin(found) is dict:
            found = _bare(get_args(found)[1])
        elif get_origin(found) is tuple:
            found = _bare(get_args(found)[0])
        else:
            return None
    return found


def _bare(annotation: Any) -> Any:
    """Return a type without ``Annotated`` and without ``| None``."""
    if hasattr(annotation, "__metadata__"):
        return _bare(annotation.__origin__)
    choices = [choice for choice in get_args(annotation) if choice is not type(None)]
    if type(None) in get_args(annotation) and len(choices) == 1:
        return _bare(choices[0])
    return annotation
