"""The file of users: name, role and hashed password of each. It never holds a password."""

from __future__ import annotations

import hashlib
import os
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from werkzeug.security import check_password_hash, generate_password_hash

from dashboard.roles import ROLES, Person, Role
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

SHORTEST_PASSWORD = 10
"""Letters of a password; a phrase is better than signs. Common practice, no source. [-]"""

LONGEST_PASSWORD, LONGEST_NAME = 200, 80
"""Beyond these nothing is hashed, so that trying costs the server little. [-]"""

_HEAD = "# Users of the dashboard. Made by `tricklebook users`; it holds no password, only their hashes.\n"


@dataclass(frozen=True, slots=True)
class User:
    """One user.

    Attributes
    ----------
    role : {"look", "note", "manage"}
        What they may do.
    password : str
        Hash of the password.
    """

    role: Role
    password: str

    @property
    def fingerprint(self) -> str:
        """Changes with the password and the role, so that sessions opened before them end."""
        return hashlib.sha256(f"{self.role} {self.password}".encode()).hexdigest()[:16]


def load(path: Path) -> dict[str, User]:
    """Return the users of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    dict of str to User
        Name to user.

    Raises
    ------
    UserError
        If the file is missing or says something else than users.
    """
    try:
        tables = tomllib.loads(path.read_text("utf-8")).get("user", {})
        found = {str(name): User(_role(row["role"]), str(row["password"])) for name, row in tables.items()}
    except FileNotFoundError as error:
        msg = f"{path}: there is no such file; make it with `tricklebook users add`"
        raise UserError(msg) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        msg = (
            f"{path}: expected [user.NAME] with role and password, made by `tricklebook users add` ({error})"
        )
        raise UserError(msg) from error
    return found


def _role(word: object) -> Role:
    if word not in ROLES:
        msg = f"role {word!r} is not one of {', '.join(ROLES)}"
        raise ValueError(msg)
    return word


def save(path: Path, users: Mapping[str, User]) -> None:
    """Write the file anew, readable for its owner alone.

    Parameters
    ----------
    path : Path
        The file.
    users : mapping of str to User
        All of them.
    """
    rows = [
        f'[user."{name}"]\nrole = "{user.role}"\npassword = "{user.password}"\n'
        for name, user in sorted(users.items())
    ]
    spare = path.with_name(f".{path.name}.{os.getpid()}")
    with os.fdopen(
        os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8"
    ) as file:
        file.write(_HEAD + "\n" + "\n".join(rows))
        file.flush()
        os.fsync(file.fileno())
    spare.replace(path)


def made(name: str, password: str, role: Role) -> User:
    """Return a new user.

    Parameters
    ----------
    name : str
        As entries are signed.
    password : str
        In plain; only its hash is kept.
    role : {"look", "note", "manage"}
        What they may do.

    Returns
    -------
    User
        To be saved.

    Raises
    ------
    UserError
        If name or password will not do.
    """
    if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable() or set(name) & set('"\\'):
        msg = f"the name {name!r} will not do; letters, digits and blanks, at most {LONGEST_NAME}"
        raise UserError(msg)
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        msg = (
            f"the password has {len(password)} letters; {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} are needed"
        )
        raise UserError(msg)
    return User(role, generate_password_hash(password))


_NOBODY = generate_password_hash("nobody has this password")
"""Checked where there is no such user, so that both cases take the same time."""


def check(users: Mapping[str, User], name: str, password: str) -> Person | None:
    """Return who logs in.

    Parameters
    ----------
    users : mapping of str to User
        All of them.
    name, password : str
        As given.

    Returns
    -------
    Person or None
        None where name and password do not belong together.
    """
    user = users.get(name)
    given = password if len(password) <= LONGEST_PASSWORD else ""
    if not check_password_hash(user.password if user else _NOBODY, given) or user is None:
        return None
    return Person(name, user.role)
