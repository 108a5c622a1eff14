"""What a page may ask of Dash: only what the pages' own script asks, so that nothing else reaches the callbacks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeGuard
from urllib.parse import unquote, urlsplit

if TYPE_CHECKING:
    from collections.abc import Container

LONGEST = 4000
"""Letters of one value; the longest that the pages send is an address. [-]"""


def is_sensible(asked: object, known: Container[str]) -> bool:
    """Return whether a question has the form that the pages give it.

    Parameters
    ----------
    asked : object
        The body of the question.
    known : container of str
        Outputs that there are callbacks for.

    Returns
    -------
    bool
        False where the output is unknown, or any value is something else than a text that is not too long.

    Examples
    --------
    >>> given = [{"id": "where", "property": "pathname", "value": "/"}]
    >>> is_sensible({"output": "page.children", "outputs": {}, "inputs": given}, {"page.children"})
    False
    """
    if not isinstance(asked, dict):
        return False
    output = asked.get("output")
    if not isinstance(output, str) or output not in known or asked.get("outputs") != outputs_of(output):
        return False
    given = [asked.get(key, []) for key in ("inputs", "state")]
    if not all(isinstance(part, list) for part in given):
        return False
    return all(_is_named(part) and _is_text(part.get("value")) for parts in given for part in parts)


def outputs_of(output: str) -> list[dict[str, str]] | dict[str, str]:
    """Return what Dash's name of a callback says that it puts out.

    Examples
    --------
    >>> outputs_of("page.children")
    {'id': 'page', 'property': 'children'}
    """
    named = [name.rpartition(".") for name in output.strip(".").split("...")]
    told = [{"id": name, "property": key} for name, _, key in named]
    return told if output.startswith("..") else told[0]


def _is_named(part: object) -> TypeGuard[dict[str, Any]]:
    return isinstance(part, dict) and all(isinstance(part.get(key), str) for key in ("id", "property"))


def _is_text(value: object) -> bool:
    return value is None or (isinstance(value, str) and len(value) <= LONGEST)


def is_inside(onward: str, prefix: str) -> bool:
    """Return whether an address leads to these pages, as a browser reads it.

    Parameters
    ----------
    onward : str
        Where somebody wants to go on to.
    prefix : str
        Path under which the pages stand.

    Examples
    --------
    >>> is_inside("/drip/zone/bench1?a=b", "/drip/"), is_inside("/drip/../x", "/drip/"), is_inside("//x", "/")
    (True, False, False)
    """
    if not onward.startswith(prefix) or onward.startswith("//") or not onward.isprintable():
        return False
    path = unquote(urlsplit(onward).path)
    return path.isprintable() and "\\" not in path and "//" not in path and ".." not in path.split("/")
