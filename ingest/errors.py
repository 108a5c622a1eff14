"""Errors that a person can mend."""

from __future__ import annotations


class UserError(Exception):
    """Raised when a person must mend something; the text names the place, the value and the mend."""
