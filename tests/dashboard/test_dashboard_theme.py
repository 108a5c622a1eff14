"""The palettes can be read, and told apart by eyes that see fewer colours."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.theme import DARK, LIGHT, Palette, contrast, style_sheet

TEXT, SHAPE = 4.5, 3.0

MACHADO = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
"""Machado, Oliveira and Fernandes (2009), doi:10.1109/TVCG.2009.113, severity 1.0; from memory."""


def linear(colour: str) -> np.ndarray:
    """Return linear sRGB."""
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def oklab(rgb: np.ndarray) -> np.ndarray:
    """Return OKLab of linear sRGB (Ottosson 2020; from memory)."""
    lms = np.array(
        [
            [0.4122214708, 0.5363325363, 0.0514459929],
            [0.2119034982, 0.6806995451, 0.1073969566],
            [0.0883024619, 0.2817188376, 0.6299787005],
        ]
    ) @ np.clip(rgb, 0, 1)
    lab: np.ndarray = np.array(
        [
            [0.2104542553, 0.7936177850, -0.0040720468],
            [1.9779984951, -2.4285922050, 0.4505937099],
            [0.0259040371, 0.7827717662, -0.8086757660],
        ]
    ) @ np.cbrt(lms)
    return lab


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_has_contrast(palette: Palette) -> None:
    """Every text colour reaches 4.5:1 on every ground that it stands on (WCAG 2.2, 1.4.3)."""
    grounds = (palette.page, palette.card)
    worst = min(
        contrast(ink, ground)
        for ink in (palette.ink, palette.quiet, palette.link, palette.alarm, palette.watch)
        for ground in grounds
    )

    assert worst >= TEXT
    assert contrast(palette.on_link, palette.link) >= TEXT
    assert contrast(palette.on_alarm, palette.alarm) >= TEXT
    for ink in (palette.ink, palette.alarm):
        assert contrast(ink, palette.alarm_ground) >= TEXT
    for ground in (palette.plot, palette.target, palette.gap):
        assert contrast(palette.ink, ground) >= TEXT
    for ground in (palette.plot, palette.target):
        assert contrast(palette.quiet, ground) >= TEXT


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_lines_and_shapes_have_contrast(palette: Palette) -> None:
    """Lines, marks and edges reach 3:1 on what is around them (WCAG 2.2, 1.4.11)."""
    for ground in (palette.plot, palette.target, palette.gap):
        assert contrast(palette.line, ground) >= SHAPE
        assert contrast(palette.alarm, ground) >= SHAPE
    for colour in (palette.run, palette.injection):
        assert contrast(colour, palette.plot) >= SHAPE
    for colour in (palette.edge, palette.link):
        assert contrast(colour, palette.card) >= SHAPE
        assert contrast(colour, palette.page) >= SHAPE


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", MACHADO)
def test_abnormal_differs_from_normal_for_every_eye(palette: Palette, eyes: str) -> None:
    """The alarm colour stays apart from line, text and watch by more than a just visible step."""
    seen = {
        name: oklab(np.array(MACHADO[eyes]) @ linear(colour))
        for name, colour in (
            ("alarm", palette.alarm),
            ("line", palette.line),
            ("watch", palette.watch),
            ("ink", palette.ink),
        )
    }
    apart = min(float(np.linalg.norm(seen["alarm"] - seen[other])) for other in ("line", "watch", "ink"))

    assert apart > 0.05


def test_style_sheet_prints_light() -> None:
    """Paper gets the light palette, whatever the screen shows."""
    printed = style_sheet().split("@media print")[1]

    assert LIGHT.page in printed
    assert DARK.page not in printed
