"""Who may do what: look, note, manage; each may do what the one before may."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Role = Literal["look", "note", "manage"]

ROLES: tuple[Role, ...] = ("look", "note", "manage")
"""From least to most."""


@dataclass(frozen=True, slots=True)
class Person:
    """Who is in front of the screen.

    Attributes
    ----------
    name : str
        As entries are signed; empty where nobody has to log in, and each form asks.
    role : {"look", "note", "manage"}
        What they may do.
    """

    name: str
    role: Role

    def may(self, role: Role) -> bool:
        """Return whether the person may do what a role may.

        Examples
        --------
        >>> Person("A. Weller", "note").may("look"), Person("A. Weller", "note").may("manage")
        (True, False)
        """
        return ROLES.index(self.role) >= ROLES.index(role)


ANYONE = Person("", "manage")
"""Whoever sits at this machine, where no users are set up and nobody else can reach the pages."""

GUEST = Person("", "look")
"""Whoever came by a link that lets them look."""
