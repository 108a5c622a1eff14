"""The colours of the screen, light and dark: a calm ground, one line colour, and red for what is abnormal.

Background: ANSI/ISA-101.01 (2015) and VDI/VDE 3699-4 ask for calm grounds and colour only for what is
abnormal (known through abstracts; no compliance is claimed). Contrast limits: WCAG 2.2, 1.4.3 and 1.4.11.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

Mode = Literal["light", "dark"]


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours, each with one task.

    Attributes
    ----------
    page, card, plot : str
        Grounds: of the page, of a box on it, of a chart.
    target : str
        The band where a value should be.
    ink, quiet : str
        Text, and text of less weight.
    rule : str
        Lines that part boxes and rows.
    edge : str
        Edges of buttons and fields.
    line, band : str
        A measured line, and the spread around it.
    run, injection : str
        Blocks on the event strip.
    link : str
        Links and what is chosen.
    alarm, alarm_ground : str
        What is abnormal.
    watch : str
        What is worth a look, and no more.
    gap : str
        A stretch without readings.
    """

    page: str
    card: str
    plot: str
    target: str
    ink: str
    quiet: str
    rule: str
    edge: str
    line: str
    band: str
    run: str
    injection: str
    link: str
    on_link: str
    alarm: str
    on_alarm: str
    alarm_ground: str
    watch: str
    gap: str


LIGHT = Palette(
    page="#f1f1ee",
    card="#fafaf8",
    plot="#e3e3df",
    target="#ffffff",
    ink="#1d2226",
    quiet="#4b5357",
    rule="#cfcfca",
    edge="#767b78",
    line="#1f4660",
    band="#93a9b6",
    run="#5d7482",
    injection="#1f4660",
    link="#17506f",
    on_link="#ffffff",
    alarm="#ab1f17",
    on_alarm="#ffffff",
    alarm_ground="#fbebe8",
    watch="#3d4a8a",
    gap="#cbcbc5",
)
"""For daylight and paper."""

DARK = Palette(
    page="#171b1e",
    card="#1f2427",
    plot="#2a3034",
    target="#11161a",
    ink="#eceeec",
    quiet="#b4bcbd",
    rule="#3d4549",
    edge="#8b9598",
    line="#b9d6e6",
    band="#5c7583",
    run="#7d97a5",
    injection="#b9d6e6",
    link="#9fd0ea",
    on_link="#10171b",
    alarm="#ff9d91",
    on_alarm="#2b0704",
    alarm_ground="#43201c",
    watch="#c0c6ff",
    gap="#3b4347",
)
"""For a dark room."""

PALETTES: dict[Mode, Palette] = {"light": LIGHT, "dark": DARK}
"""Both, by name."""

DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
"""Line patterns that tell sensors of one panel apart, in the order of the water."""


def style_sheet() -> str:
    """Return the palettes as CSS custom properties: light, and dark where reader or machine asks for it.

    Returns
    -------
    str
        A style sheet.

    Examples
    --------
    >>> "--alarm: #ab1f17" in style_sheet()
    True
    """

    def rules(palette: Palette) -> str:
        return " ".join(f"--{name.replace('_', '-')}: {colour};" for name, colour in asdict(palette).items())

    return (
        f":root {{ color-scheme: light; {rules(LIGHT)} }}\n"
        f":root[data-theme=dark] {{ color-scheme: dark; {rules(DARK)} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root:not([data-theme]) {{ color-scheme: dark; {rules(DARK)} }} }}\n"
        f"@media print {{ :root, :root[data-theme=dark], :root:not([data-theme]) {{ color-scheme: light; {rules(LIGHT)} }} }}\n"
    )


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours.

    Parameters
    ----------
    one, other : str
        As ``#rrggbb``.

    Returns
    -------
    float
        From 1 to 21. [-]

    References
    ----------
    WCAG 2.2, definitions of contrast ratio and relative luminance.

    Examples
    --------
    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB colour. [-]"""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)  # noqa: PLR2004 - sRGB
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
