"""Looking at a console under test: what stands on its screen, and waiting for it."""

from __future__ import annotations

import contextlib
import time
from collections.abc import AsyncIterator, Callable

from textual import events
from textual.keys import _character_to_key
from textual.pilot import Pilot

from benchcon.console.app import ConsoleApp
from benchcon.rehearse.live import LiveRun
from benchcon.session import Session

PATIENCE_S = 20.0


class Eyes:
    """A running console and a pilot for it."""

    def __init__(self, app: ConsoleApp, pilot: Pilot[int]) -> None:
        self.app, self.pilot = app, pilot

    def rows(self) -> list[str]:
        """The screen, row by row."""
        strips = self.app.screen._compositor.render_strips()
        return ["".join(segment.text for segment in strip) for strip in strips]

    def text(self) -> str:
        """The screen."""
        return "\n".join(self.rows())

    async def until(self, test: Callable[[], bool], what: str = "") -> None:
        """Wait until `test` holds."""
        end = time.monotonic() + PATIENCE_S
        while not test():
            assert time.monotonic() < end, f"waited in vain for {what or 'it'}; the screen is\n{self.text()}"
            await self.pilot.pause(0.02)

    async def see(self, *texts: str) -> None:
        """Wait until all of this stands on the screen."""
        await self.until(lambda: all(text in self.text() for text in texts), repr(texts))

    async def notified(self, text: str) -> None:
        """Wait until a notice that is on the screen for a moment holds this, however its lines are broken."""
        await self.until(lambda: any(text in each.message for each in self.app._notifications), f"the notice {text!r}")

    async def gone(self, text: str) -> None:
        """Wait until this stands on the screen no more."""
        await self.until(lambda: text not in self.text(), f"{text!r} to go")

    async def press(self, *keys: str) -> None:
        """Press keys, one after the other, each as soon as what the one before it did has been done.

        The pilot's own way waits until the processor has nothing to do, which takes far longer than a key.
        """
        for key in keys:
            event = events.Key(_character_to_key(key) if len(key) == 1 else key, key if len(key) == 1 else None)
            event.set_sender(self.app)
            self.app.post_message(event)
            await self.settled()

    async def paste(self, text: str) -> None:
        """Put `text` where it is typed, all at once, as a terminal does that pastes."""
        self.app.post_message(events.Paste(text))
        await self.settled()

    async def hold(self, key: str, times: int) -> None:
        """Hold a key down: it comes again and again, whether or not anybody keeps up with it."""
        for _ in range(times):
            event = events.Key(key, None)
            event.set_sender(self.app)
            self.app.post_message(event)
        await self.settled()

    async def settled(self) -> None:
        """Wait until a message has gone its way: from the app to the screen, the widget, and back."""
        for _ in range(4):
            await self.pilot._wait_for_screen()
        await self.pilot.pause(0)

    async def click(self, text: str) -> None:
        """Click where this text stands."""
        y = next(y for y, row in enumerate(self.rows()) if text in row)
        x = self.rows()[y].index(text)
        await self.pilot.click(offset=(x, y))
        await self.settled()


@contextlib.asynccontextmanager
async def console(
    session: Session, size: tuple[int, int] = (80, 24), rehearsal: LiveRun | None = None
) -> AsyncIterator[Eyes]:
    """The console on `session`, without a terminal."""
    app = ConsoleApp(session, rehearsal)
    async with app.run_test(size=size, notifications=True) as pilot:
        eyes = Eyes(app, pilot)
        await eyes.until(lambda: bool(eyes.rows()) and "Face" in eyes.rows()[0], "the first screen")
        yield eyes
        app.exit()
    if session.bench is not None:  # one that other tests go on with, without a screen that turns
        session.bench.beat(last=True)


def tile_rows(eyes: Eyes, name: str) -> list[str]:
    """The rows of one part on the face, all of its label as the first."""
    from benchcon.console.face import Face

    face = eyes.app.screen.query_one(Face)
    tile = next(tile for tile in face.layout_now.tiles if tile.part.name == name)
    label = " ".join(face._sheet.text(line.y)[line.x :][: len(line.text)] for line in tile.label)
    return [label, *(face._sheet.text(y)[tile.x :][: tile.width] for y in range(tile.y + 1, tile.y + tile.height))]


def flowing(eyes: Eyes) -> str:
    """The screen's words on one line; within a frame only what is in it."""
    rows = [row.split("│")[1] if row.count("│") > 1 else row for row in eyes.rows()]
    return " ".join(" ".join(rows).split())
