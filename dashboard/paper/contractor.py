"""The contractor's file: name, lines of contact, and a logo whose size and type are checked."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

from dashboard.paper.document import House, Logo
from ingest.errors import UserError
from ingest.load_installation import InstallationError, content, toml

LARGEST_LOGO = 500_000
"""Bytes of a logo. [B] No source; a record that is mailed must stay small."""

MOST_PIXELS = 4000
"""Width and height of a PNG. [px] No source; paper shows it 52 mm wide."""

MOST_LINES, LONGEST_LINE = 8, 80
"""Lines of contact, and letters in each: what the head of the first page has room for. [-]"""

PNG = b"\x89PNG\r\n\x1a\n"
"""How a PNG begins (W3C PNG specification, section 5.2)."""

FORBIDDEN = {
    "script",
    "foreignObject",
    "image",
    "use",
    "a",
    "iframe",
    "audio",
    "video",
    "animate",
    "set",
    "style",
}
"""Elements that a logo has no need of, and that could run or fetch something."""

KEYS = ("name", "contact", "logo")
"""What the table may hold."""


class ContractorError(UserError):
    """Raised when the contractor's file will not do; names the file, the key and the mend."""


def read(path: Path | None) -> House:
    """Read a contractor's file.

    Parameters
    ----------
    path : Path or None
        A TOML file with a table ``[contractor]``: ``name``, ``contact`` (a list of lines), and ``logo``, the name
        of an SVG or PNG file beside it. None gives a nameless house.

    Returns
    -------
    House
        For the head of a document.

    Raises
    ------
    ContractorError
        If the file, a key or the logo will not do.
    """
    if path is None:
        return House()
    try:
        whole, _ = toml(content(path), str(path))
    except InstallationError as error:
        msg = f"{error}; expected a TOML file with a table [contractor]"
        raise ContractorError(msg) from error
    table = whole.get("contractor")
    if not isinstance(table, dict):
        msg = f'{path}: there is no table [contractor]; write [contractor], then name = "..." and contact = ["..."]'
        raise ContractorError(msg)
    for key in table:
        if key not in KEYS:
            msg = f"{path}: [contractor] {key} is not known; expected one of: {', '.join(KEYS)}"
            raise ContractorError(msg)
    return House(_name(path, table), _contact(path, table), _logo(path, table))


def _name(path: Path, table: dict[str, Any]) -> str:
    """Return the contractor's name."""
    name = table.get("name")
    if not isinstance(name, str) or not name.strip() or len(name) > LONGEST_LINE:
        msg = f'{path}: [contractor] name: expected words in quotes, at most {LONGEST_LINE} letters, like name = "..."'
        raise ContractorError(msg)
    return name.strip()


def _contact(path: Path, table: dict[str, Any]) -> tuple[str, ...]:
    """Return the lines of contact."""
    lines = table.get("contact", [])
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        msg = (
            f'{path}: [contractor] contact: expected a list of words in quotes, like contact = ["...", "..."]'
        )
        raise ContractorError(msg)
    if len(lines) > MOST_LINES or any(len(line) > LONGEST_LINE for line in lines):
        msg = f"{path}: [contractor] contact: at most {MOST_LINES} lines of {LONGEST_LINE} letters have room; shorten it"
        raise ContractorError(msg)
    return tuple(lines)


def _logo(path: Path, table: dict[str, Any]) -> Logo | None:
    """Return the logo, checked."""
    named = table.get("logo")
    if named is None:
        return None
    if not isinstance(named, str):
        msg = f'{path}: [contractor] logo: expected the name of a file in quotes, like logo = "logo.svg"'
        raise ContractorError(msg)
    file = path.parent / named
    try:
        content = file.read_bytes()
    except OSError as error:
        msg = f"{path}: [contractor] logo: {named} cannot be read ({error.strerror}); put it beside this file"
        raise ContractorError(msg) from error
    if len(content) > LARGEST_LOGO:
        msg = (
            f"{path}: [contractor] logo: {named} has {len(content)} bytes; at most {LARGEST_LOGO} are taken, "
            "so make the picture smaller"
        )
        raise ContractorError(msg)
    fault = _png_fault(content) if content.startswith(PNG) else _svg_fault(content)
    if fault:
        msg = f"{path}: [contractor] logo: {named} {fault}"
        raise ContractorError(msg)
    return Logo("png" if content.startswith(PNG) else "svg", content)


def _png_fault(content: bytes) -> str:
    """Return what is wrong with a PNG; empty where nothing is."""
    if len(content) < 33 or content[12:16] != b"IHDR" or content.rstrip(b"\0")[-8:-4] != b"IEND":  # noqa: PLR2004 - signature and header
        return "is cut short or damaged; save the PNG anew"
    width, height = struct.unpack(">II", content[16:24])
    if not (0 < width <= MOST_PIXELS and 0 < height <= MOST_PIXELS):
        return f"is {width} by {height} pixels; expected at most {MOST_PIXELS} by {MOST_PIXELS}"
    return ""


def _svg_fault(content: bytes) -> str:
    """Return what is wrong with an SVG; empty where nothing is."""
    wanted = "expected an SVG or PNG picture"
    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        return "has a DOCTYPE; save it as plain SVG without one"
    try:
        root = ET.fromstring(content)  # noqa: S314 - no DOCTYPE, so no entities; at most LARGEST_LOGO
    except (ET.ParseError, ValueError, LookupError) as error:
        return f"is neither PNG nor readable SVG ({error}); {wanted}"
    if root.tag != "{http://www.w3.org/2000/svg}svg":
        return f"is no SVG picture; {wanted}"
    for element in root.iter():
        name = str(element.tag).rpartition("}")[2]
        if name in FORBIDDEN:
            return f"holds <{name}>, which could run or fetch something; save it as plain shapes"
        for key, value in element.attrib.items():
            if key.rpartition("}")[2].lower().startswith("on") or re.search(
                r"(url\((?!#)|javascript:|href)", f"{key} {value}"
            ):
                return f"holds {key}, which could run or fetch something; save it as plain shapes"
    return ""
