"""Attributes that HTML knows and Python cannot spell, such as ``data-testid`` and ``aria-label``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


def attrs(named: Mapping[str, str | None]) -> Any:
    """Return attributes to be spread into a component; those without a value are left out.

    Parameters
    ----------
    named : mapping of str to str or None
        Attribute to value.

    Returns
    -------
    Any
        A dict; its type is open because a component's own parameters have many types.

    Examples
    --------
    >>> attrs({"data-testid": "chart", "aria-current": None})
    {'data-testid': 'chart'}
    """
    return {name: value for name, value in named.items() if value is not None}
