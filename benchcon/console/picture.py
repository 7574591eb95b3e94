"""A picture of the console, as SVG: the program itself, drawn without a terminal."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from benchcon.console.app import ConsoleApp
from benchcon.console.preferences import Preferences
from benchcon.session import Session

FONT = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace"
SETTLE_S = 1.0


def picture(
    session: Session,
    path: str | Path,
    size: tuple[int, int] = (140, 45),
    *,
    keys: tuple[str, ...] = (),
    title: str = "benchcon",
    settle_s: float = SETTLE_S,
) -> None:
    """Write an SVG of the console on `session`, at `size` columns and rows, after `keys` were pressed.

    The session stays open. Nothing is fetched when the picture is shown: it names fonts that are there.
    """

    async def draw() -> str:
        app = ConsoleApp(session, looks=Preferences())
        async with app.run_test(size=size, notifications=True) as pilot:
            await pilot.pause(settle_s)
            await pilot.press(*keys)
            await pilot.pause(SETTLE_S)
            svg = app.export_screenshot(title=title)
            app.exit()
        app.model.close()
        return svg

    Path(path).write_text(without_links(asyncio.run(draw())), encoding="utf-8")


def without_links(svg: str) -> str:
    """Return the picture without the web fonts and remarks that the exporter puts in."""
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    return re.sub(r"font-family:\s*(?:\"?Fira Code\"?)[^;]*;", f"font-family: {FONT};", svg)
