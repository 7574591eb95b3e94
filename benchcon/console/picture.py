"""A picture of the console as SVG, drawn by the program itself without a terminal."""

from __future__ import annotations

import asyncio
import html
import re
from itertools import groupby
from pathlib import Path

from benchcon.console.app import ConsoleApp
from benchcon.console.preferences import Preferences
from benchcon.files import write_whole
from benchcon.session import Session

FONT = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace"
SETTLE_S = 1.0

CELL = (12.2, 24.4)
"""Width and height of a character in the exporter's pictures. The base line of a row's text is 20 below its top; its
ground begins 1.5 below its top and is a quarter higher than the row, so that grounds overlap."""

_QUARTERS = dict(zip("▘▝▀▖▌▞▛▗▚▐▜▄▙▟█", (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15), strict=True))
"""For each block character (Unicode 2580 to 259F) its quarters: 1 upper left, 2 upper right, 4 and 8 below them."""

_TEXT = re.compile(r'<text class="([^"]*)" x="([^"]*)" y="([^"]*)" textLength="[^"]*" clip-path="[^"]*">([^<]*)</text>')


def picture(
    session: Session,
    path: str | Path,
    size: tuple[int, int] = (140, 45),
    *,
    keys: tuple[str, ...] = (),
    settle_s: float = SETTLE_S,
) -> None:
    """Write an SVG of the console on `session`, with `size` columns and rows, after `keys` were pressed.

    The session stays open. The picture names installed fonts, so that nothing is fetched when it is shown.
    """

    async def draw() -> str:
        app = ConsoleApp(session, looks=Preferences())
        async with app.run_test(size=size, notifications=True) as pilot:
            await pilot.pause(settle_s)
            await pilot.press(*keys)
            await pilot.pause(SETTLE_S)
            svg = app.export_screenshot(title="benchcon")
            app.exit()
        app.model.close()
        return svg

    write_whole(path, with_solid_blocks(without_links(asyncio.run(draw()))).encode())


def without_links(svg: str) -> str:
    """Return the picture without the web fonts and comments of the exporter."""
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    return re.sub(r"font-family:\s*(?:\"?Fira Code\"?)[^;]*;", f"font-family: {FONT};", svg)


def with_solid_blocks(svg: str) -> str:
    """Return the picture with block characters drawn as rectangles, because fonts leave seams between them."""
    return _TEXT.sub(_solid, svg)


def _solid(element: re.Match[str]) -> str:
    kind, x, y, escaped = element.groups()
    text = html.unescape(escaped)
    if not set(text) & set(_QUARTERS):
        return element.group()
    width, height = CELL
    top = float(y) - 20 + 1.5
    out, column = [], 0
    for quarters, cells in ((each, len(list(run))) for each, run in groupby(text, key=lambda c: _QUARTERS.get(c, 0))):
        left = float(x) + column * width
        for upper, mask in ((True, quarters & 3), (False, quarters >> 2)):
            at = top if upper else top + height / 2
            # A half with another one below overlaps it, and so does each row the next one.
            for first, last in _stretches(mask, cells):
                rect = f'x="{left + first * width / 2:g}" y="{at:g}" width="{(last - first) * width / 2:g}"'
                out.append(f'<rect class="{kind}" {rect} height="{height / 2 + 0.25:g}" shape-rendering="crispEdges"/>')
        column += cells
    rest = "".join(" " if c in _QUARTERS else c for c in text)
    if rest.strip():
        shown = html.escape(rest, quote=False).replace(" ", "&#160;").replace("\xa0", "&#160;")
        out.append(element.group().replace(escaped, shown))
    return "".join(out)


def _stretches(mask: int, cells: int) -> list[tuple[int, int]]:
    """Return where, in half cells, a row of equal cells is filled; bit 1 of `mask` is each left half, 2 the right."""
    if mask == 3:
        return [(0, 2 * cells)]
    return [(2 * cell + mask - 1, 2 * cell + mask) for cell in range(cells)] if mask else []
