"""How well each cell of a rendered screen can be read, by the formula of WCAG 2.x for the contrast ratio.

Left out: rules and frames (pure decoration, as success criterion 1.4.3 has it), a scroll bar, and what lies dimmed
behind a question (inactive).
"""

from __future__ import annotations

from collections.abc import Iterator

from console.in_terminal import Terminal
from console.looking import Eyes
from rich.style import Style
from textual.geometry import Region
from textual.screen import ModalScreen
from textual.widget import Widget

from benchcon.console.face import Face
from benchcon.panel.model import Control, Lamp

LEAST = 4.5
FRAMES = set("─━│╭╮╰╯╌┈┊▔▕▎▊")


def luminance(colour: tuple[int, int, int]) -> float:
    """Relative luminance, WCAG 2.x."""
    red, green, blue = (
        part / 255 / 12.92 if part / 255 <= 0.04045 else ((part / 255 + 0.055) / 1.055) ** 2.4 for part in colour
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


Cell = tuple[int, int, str, tuple[int, int, int], tuple[int, int, int]]


def cells(eyes: Eyes) -> Iterator[Cell]:
    """Column, row, letter, colour and ground of all that is written on the screen."""
    for y, strip in enumerate(eyes.app.screen._compositor.render_strips()):
        x = 0
        for text, style, _ in strip:
            for letter in text:
                if letter.strip():
                    yield (x, y, letter, *colours(style))
                x += 1


def colours(style: Style | None) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    assert style is not None
    assert style.color is not None
    assert style.bgcolor is not None
    fore, back = style.color.get_truecolor(), style.bgcolor.get_truecolor(foreground=False)
    assert not style.dim
    return (tuple(back), tuple(fore)) if style.reverse else (tuple(fore), tuple(back))


def glass(eyes: Eyes) -> list[tuple[int, int, int, int]]:
    """Where displays are: left, top, right and bottom."""
    found = []
    for face in eyes.app.screen.query(Face):
        if not face.display or not face.region.area:
            continue
        for tile in face.layout_now.tiles:
            if not isinstance(tile.part, Control | Lamp):
                x, y = face.region.x + tile.x, face.region.y + tile.y + 1 - face._scrolled
                found.append((x, y, x + tile.width, y + tile.height - 1))
    return found


def active(eyes: Eyes) -> list[Widget]:
    """What a question consists of; empty if there is none."""
    return list(eyes.app.screen.children) if isinstance(eyes.app.screen, ModalScreen) else []


def scroll_bars(eyes: Eyes) -> list[Region]:
    """Where scroll bars are: their column at the right edge of what scrolls."""
    scrolling = [each for each in eyes.app.screen.walk_children(Widget) if each.show_vertical_scrollbar]
    return [Region(each.region.right - 4, each.region.y, 4, each.region.height) for each in scrolling]


def hard_to_read(eyes: Eyes) -> list[str]:
    displays, slips, bars = glass(eyes), active(eyes), scroll_bars(eyes)
    found = []
    lit: dict[int, list[tuple[int, int, int]]] = {}
    for x, y, letter, fore, back in cells(eyes):
        if slips and not any(slip.region.contains(x, y) for slip in slips):
            continue
        if letter in "▁▂▃▄▅▆▇█" and any(bar.contains(x, y) for bar in bars):
            continue
        inside = next((n for n, (x0, y0, x1, y1) in enumerate(displays) if x0 <= x < x1 and y0 <= y < y1), None)
        if inside is not None and letter in "▀▄█▗▖▌▐":
            lit.setdefault(inside, []).extend((fore, back))
        elif ratio(fore, back) < LEAST and letter not in FRAMES:
            found.append(f"{letter!r} at {x}, {y}: {ratio(fore, back):.2f}, {fore} on {back}")
    for tints in lit.values():  # what is lit stands out from its glass and from what is not lit
        levels = sorted({round(luminance(tint), 3) for tint in tints})
        assert len(levels) <= 3
        brightest, darkest = max(tints, key=luminance), min(tints, key=luminance)
        unlit = sorted(set(tints), key=luminance)[-2] if len(set(tints)) > 2 else darkest
        if ratio(brightest, darkest) > 1.6 and ratio(brightest, unlit) < LEAST:
            found.append(f"a lit segment: {ratio(brightest, unlit):.2f}")
    return found


def hard_to_read_in(terminal: Terminal) -> list[str]:
    """The same of a real terminal's screen, as an independent emulator keeps it; segments of displays left out."""
    found = []
    for y in range(terminal.screen.lines):
        for x in range(terminal.screen.columns):
            cell = terminal.screen.buffer[y][x]
            if not cell.data.strip() or cell.data in FRAMES or cell.data in "▀▄█▗▖▌▐":
                continue
            fore, back = (bytes.fromhex(colour) for colour in (cell.fg, cell.bg))
            if cell.reverse:
                fore, back = back, fore
            one, other = (fore[0], fore[1], fore[2]), (back[0], back[1], back[2])
            if ratio(one, other) < LEAST:
                found.append(f"{cell.data!r} at {x}, {y}: {ratio(one, other):.2f}, {one} on {other}")
    return found
