"""The style sheet: text that can be read in light, in dark and on paper; and no page is made any other way."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "benchcon"
SHEET = (PACKAGE / "pages" / "sheet.css").read_text(encoding="utf-8")
TEXTS = ("ink", "faint", "passed", "faulty", "possibly", "none", "a", "b")


def palettes() -> list[dict[str, str]]:
    """The colours in light, in dark and on paper, in the order of the sheet; what is not said stays as before."""
    blocks = re.findall(r":root \{(.*?)\}", SHEET, re.S)
    light, *others = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6})", block)) for block in blocks)
    return [light, *(light | each for each in others)]


def luminance(colour: str) -> float:
    """WCAG 2.x, definition of relative luminance."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * each for each in colour[1:])
    shares = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.x, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_is_that_of_the_guideline() -> None:
    """Black on white is 21 : 1 (WCAG 2.x); #767676 is the lightest grey that passes on white (common knowledge)."""
    assert contrast("#000", "#fff") == pytest.approx(21)
    assert 4.5 < contrast("#767676", "#ffffff") < 4.6


def test_every_colour_of_text_stands_out_from_every_ground() -> None:
    """WCAG 2.x, success criterion 1.4.3: 4.5 : 1."""
    assert len(palettes()) == 3
    for colours in palettes():
        for name in TEXTS:
            assert contrast(colours[name], colours["paper"]) >= 4.5, (name, colours)
        for ground in ("band", "plate"):
            assert contrast(colours["ink"], colours[ground]) >= 4.5
        for name in ("a", "b"):
            assert contrast(colours[name], colours["band"]) >= 4.5, (name, colours)


def test_no_module_writes_markup_of_pages_by_hand() -> None:
    """Pictures are SVG that `benchcon.drawing` writes; all else comes from the templates."""
    tags = re.compile(r"</?(?:html|head|body|table|tr|td|th|p|h[1-6]|ul|li|dl|dd|div|section|style)\b[^>]*>")
    assert tags.search('<td class="x">')
    for path in PACKAGE.rglob("*.py"):
        found = tags.search(path.read_text(encoding="utf-8"))
        assert found is None, f"{path.relative_to(PACKAGE)}: {found[0]}"
