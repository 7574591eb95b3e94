"""The command palette: all that keys can do now, all that can be done with each board, and every part."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, cast

from rich.text import Text
from textual.app import SystemCommand
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.fuzzy import FuzzySearch
from textual.screen import Screen

from benchcon.console.bench_screen import BenchScreen
from benchcon.console.event_list import EventList
from benchcon.console.face import Face
from benchcon.console.head import VIEWS
from benchcon.console.keyline import key_face
from benchcon.console.panel_picture import write_picture
from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.view.showing import board_name, label_of

if TYPE_CHECKING:
    from benchcon.console.bench_app import BenchApp

_MOVES = ("go(", "scroll(", "leaf(", "move(", "row(", "next(", "first", "screen.copy_text", "command_palette")
"""Actions that make sense only as keys."""
_BEGINS = 10_000
"""What a title that begins with what is sought scores more: no match of letters anywhere in a title comes near."""
_TITLES = {f"view('{name}')": f"Show: {word}" for name, _, word in VIEWS}


def keys_now(app: BenchApp, screen: Screen[Any]) -> Iterable[SystemCommand]:
    """Yield what keys do now."""
    offered: set[str] = set()
    # By the key that the key line shows, where there are several.
    for namespace, binding, enabled, _ in sorted(
        screen.active_bindings.values(), key=lambda each: not each.binding.show
    ):
        title = _TITLES.get(binding.action, binding.description)
        if not enabled or binding.system or title in offered or binding.action.startswith(_MOVES):
            continue
        offered.add(title)
        yield SystemCommand(
            title,
            f"key {key_face(binding)}",
            partial(app.call_later, app.run_action, binding.action, namespace),
        )


def _picture(app: BenchApp) -> None:
    try:
        app.tell(f"wrote {write_picture(app.session.panel)}")
    except Trouble as trouble:
        app.tell(str(trouble), "error")


def boards_and_lists(app: BenchApp, screen: Screen[Any]) -> Iterable[SystemCommand]:
    """Yield what can be done with each board and port, on any screen."""
    work, later = app.model.work, partial(app.call_later, app.run_action)
    if app.session.bench is not None:
        if app.session.live and isinstance(screen, BenchScreen):
            for title, what, about in (
                ("Wiggle test", "wiggle", "what drops out when the loom is flexed"),
                ("Soak", "soak", "everything lit in turn, for hours"),
            ):
                yield SystemCommand(title, about, partial(later, f"walk('{what}')"))
        yield SystemCommand("Open a port", "lists the ports of this machine", partial(later, "ports"))
        for port in app.model.ports:
            if port.stage == "released":
                yield SystemCommand(f"Reopen {port.port}", port.ident, partial(work.reopen, port.port))
            else:
                yield SystemCommand(f"Release {port.port}", port.ident, partial(work.release, port.port))
        for name, board in app.model.boards.items():
            title = f"Identify: {printable(app.model.title_of(name))}"
            yield SystemCommand(title, "which board is it?", partial(work.wink, board))
    if app.session.panel.parts:
        yield SystemCommand("Picture of the panel", "as it looks from the front, SVG", partial(_picture, app))
    for events in screen.query(EventList):
        if not events.brief:
            yield SystemCommand("Filter the events", "key / among the events", events.action_filter)


def _lines(title: str, about: str, offsets: Sequence[int] = ()) -> Text:
    """Return a command's two lines; the letters at `offsets` of its title are those that were sought.

    They are text, where Textual's own would be read as markup: boards, ports and parts are called what strangers like.
    """
    text = Text(title)
    for at in offsets:
        text.stylize("bold underline", at, at + 1)
    return text.append(f"\n{about}", "dim")


def _found(query: str, title: str) -> tuple[float, Sequence[int]]:
    """Return how well `title` matches what is sought (0: not at all), and by which of its letters.

    A title that begins with it comes first, then one in which it begins what follows a colon (``Select: Battery``):
    otherwise a port whose path happens to hold the name of a command would stand above that command.
    """
    score, offsets = FuzzySearch().match(query, title)
    named = len(title.partition(": ")[0]) + 2
    for at, first in ((0, _BEGINS), (named, _BEGINS / 2)):
        if query and title[at:].lower().startswith(query.lower()):
            return score + first, range(at, at + len(query))
    return score, offsets


class CommandsProvider(Provider):
    """Finds what can be done now, and lists it all while nothing is sought."""

    async def discover(self) -> Hits:
        """Yield every command, by its title."""
        for each in sorted(self.app.get_system_commands(self.screen), key=lambda each: each.title):
            yield DiscoveryHit(_lines(each.title, each.help), each.callback, each.title)

    async def search(self, query: str) -> Hits:
        """Yield the commands whose title matches."""
        for each in self.app.get_system_commands(self.screen):
            score, offsets = _found(query, each.title)
            if score > 0:
                yield Hit(score, _lines(each.title, each.help, offsets), each.callback, each.title)


class PartsProvider(Provider):
    """Finds a part by label or name, and selects it on the face."""

    async def search(self, query: str) -> Hits:
        """Yield the parts whose label or name matches."""
        app = cast("BenchApp", self.app)
        for part in app.model.panel.parts:
            title = f"Select: {label_of(part)}"
            score, offsets = _found(query, title)
            if score > 0:
                about = printable(f"{part.name} on {board_name(part)}")
                yield Hit(score, _lines(title, about, offsets), partial(self._select, part.name), title)

    async def _select(self, name: str) -> None:
        await self.screen.run_action("view('face')")
        for face in self.screen.query(Face):
            face.select(name)
