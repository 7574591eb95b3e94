"""The walk in the console: large prompts, the face to point at, pictures to put right; it goes on by itself."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingsMap, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widgets import Static

from benchcon.console.ask import Ask, Choice
from benchcon.console.help import Help
from benchcon.console.ink import BRASS, ENGRAVED, IVORY, WARN
from benchcon.console.keyline import KeyLine
from benchcon.console.soak_screen import ask_soak
from benchcon.console.touched import Big, Touched
from benchcon.console.walk_face import WalkFace
from benchcon.console.walk_keys import GUARDED, AnswerKeys
from benchcon.console.walk_look import Look
from benchcon.console.walk_picture import PictureView
from benchcon.console.walk_tally import progress
from benchcon.console.walk_thread import WalkNews, WalkThread
from benchcon.console.walk_told import told, where
from benchcon.console.wiggle_screen import WiggleScreen
from benchcon.errors import Trouble
from benchcon.panel.model import Control, Digits, Lamp, Panel
from benchcon.panel.reading import detents, share_permille
from benchcon.walk.faces import Answer, Scene
from benchcon.walk.folder import Folder
from benchcon.walk.prompts import by_button
from benchcon.wire.printable import printable

if TYPE_CHECKING:
    from benchcon.console.sight import Sight
    from benchcon.session import LiveSession

COLOURS = {"1": "red", "2": "amber", "3": "green", "4": "blue", "5": "white"}
LEAD_AWAY = ("leave", "wiggle", "soak")
FIRST = ("yes", "done", "taken", "work", "step", "nothing", "point")
SECOND = ("place", "switch", "dim", "colour", "flicker", "go")
ANSWERS = ("yes", "done", "taken", "work", "step", "place", "switch", *FIRST[5:], *SECOND[2:])
"""Keys that answer stand above those that lead about, on one row, or on two where that is too narrow."""
NARROW, LOW, MIDDLING = 78, 18, 30
"""Columns and rows below which the screen shows less."""


class WalkScreen(Screen[None]):
    """One walk over a panel."""

    CSS = """
    WalkScreen #top { height: 1; }
    WalkScreen #progress { height: 1; width: 1fr; padding: 0 1; }
    WalkScreen #away { dock: none; width: 30; }
    WalkScreen #ask { height: auto; max-height: 2; padding: 0 1; }
    WalkScreen #hint { height: auto; max-height: 2; padding: 0 1; }
    WalkScreen WalkFace { height: 1fr; width: 1fr; }
    WalkScreen PictureView { display: none; }
    WalkScreen.-picture PictureView { display: block; }
    WalkScreen #result { display: none; height: 1fr; padding: 1 2; scrollbar-size-vertical: 1; }
    WalkScreen #where { display: none; height: auto; max-height: 3; padding: 0 1; }
    WalkScreen #one, WalkScreen #first, WalkScreen #second { dock: none; }
    WalkScreen #first, WalkScreen #second { display: none; }
    WalkScreen.-narrow #one { display: none; }
    WalkScreen.-narrow #first { display: block; }
    WalkScreen.-narrow.-looking #second { display: block; }
    WalkScreen.-narrow #away { width: 11; }
    WalkScreen.-middling.-picture Touched { display: none; }
    WalkScreen.-low Touched { display: none; }
    WalkScreen.-low #hint { max-height: 1; }
    WalkScreen.-low.-picture WalkFace { display: none; }
    WalkScreen.-low.-picture PictureView { height: 1fr; }
    WalkScreen.-over #result, WalkScreen.-over #where { display: block; }
    WalkScreen.-over WalkFace, WalkScreen.-over #ask, WalkScreen.-over #hint { display: none; }
    WalkScreen.-over #one, WalkScreen.-over #first, WalkScreen.-over #second { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "yes", "Just so"),
        Binding("enter", "done", "Nothing happened"),
        Binding("enter", "taken", "That is what it did"),
        Binding("p", "point", "This is lit"),
        Binding("x", "nothing", "None"),
        Binding("m", "dim", "Dim"),
        Binding("o", "colour", "Colour"),
        Binding("i", "flicker", "Flickers"),
        Binding("s", "leave_out('skip')", "Skip"),
        Binding("u", "leave_out('back')", "Back"),
        Binding("r", "leave_out('again')", "Again"),
        Binding("w", "leave_out('not wired')", "Not wired"),
        Binding("n", "note", "Note"),
        Binding("v", "wiggle", "Wiggle"),
        Binding("l", "soak", "Load"),
        Binding("f", "failed", "Walk the failed again"),
        Binding("escape,q", "leave", "Leave"),
    ]

    def __init__(
        self, sight: Sight, session: LiveSession, panel: Panel, folder: Folder | None, only: Sequence[str] = ()
    ) -> None:
        """`only`: names of the parts to walk; none: all."""
        super().__init__()
        self.sight, self.session, self.panel, self.folder = sight, session, panel, folder
        self.scene: Scene | None = None
        self.look = Look()
        self._first: dict[str, int] = {}
        """How the channels stood when the step at hand began."""
        self.report: Mapping[str, Any] | None = None
        self._labels = {part.name: part.label or part.name for part in panel.parts}
        self._thread = WalkThread(self, session, panel, folder, only)
        self._keys = AnswerKeys(self, self._run_key, self._too_soon)
        self._then: Callable[[], None] | None = None
        """What is done once the walk has stopped for a while."""
        self._counts: Mapping[str, int] = {}
        """Parts by how they came out, so far."""
        self._told = ""
        """What a key has just done, or why it did nothing."""

    def compose(self) -> ComposeResult:
        """Progress, the prompt in large letters, the face, or a display's pictures; the keys."""
        with Horizontal(id="top"):
            yield Static("", id="progress")
            yield KeyLine(only=LEAD_AWAY, id="away")
        yield Touched(id="touched")
        yield Static("", id="ask")
        yield Static("", id="hint")
        yield PictureView(id="picture")
        yield WalkFace(self.sight, id="face")
        with VerticalScroll(id="result"):
            yield Static("", id="told")
        yield Static("", id="where")
        yield KeyLine(only=ANSWERS, id="one")
        yield KeyLine(only=FIRST, id="first")
        yield KeyLine(only=SECOND, id="second")
        yield KeyLine(without=(*ANSWERS, *LEAD_AWAY), id="keys")

    def on_mount(self) -> None:
        """Start the walk, or go on with the one in the folder."""
        self.query_one(WalkFace).focus()
        self._begin(self._thread.start)

    def on_unmount(self) -> None:
        """Whatever takes the screen away: what was done is kept, and the walk's thread ends."""
        self._thread.close()

    def on_resize(self) -> None:
        """Larger letters where there is room; where there is little, what is asked and the keys stay."""
        self.set_class(self.size.width < NARROW, "-narrow")
        self.set_class(self.size.height < LOW, "-low")
        self.set_class(self.size.height < MIDDLING, "-middling")
        self._progress()
        for large in self.query(Touched):
            large.styles.height = 7 if self.size.height >= 34 else 5

    def frame(self) -> None:
        """Draw what has changed; a frame may come before everything stands on the screen."""
        for face in self.query(WalkFace):
            face.repaint()
        if self.scene is not None and self.scene.state in ("ask", "closing"):
            self._title()

    # --- from the walk ----------------------------------------------------------------------------------------------

    def on_walk_news(self, message: WalkNews) -> None:
        """Something came from the walk's thread."""
        if message.what == "scene":
            self._keys.asked(message.value, message.time)
            self._show(message.value)
        elif message.what == "counts":
            self._counts = message.value
            self._progress()
        elif message.what == "sound":
            self._sound(message.value)
        elif message.what == "warn":
            self.notify(printable(message.value), severity="warning", markup=False)
        elif message.what == "end":
            self._ended(*message.value)

    def _sound(self, word: str) -> None:
        """One bell for right, two for wrong."""
        for _ in range({"right": 1, "wrong": 2}.get(word, 0)):
            self.app.bell()

    def _show(self, scene: Scene) -> None:
        new = self.scene is None or self.scene.number != scene.number
        self.scene = scene
        prompt = scene.prompt
        if new:
            self.look = Look(scene.step)
            self._first = dict(scene.values)
            self._told = ""
            self.query_one(WalkFace).step = scene.step
            self.set_class(scene.step is not None and scene.step.do in ("lamp", "dark", "digits"), "-looking")
            if prompt.parts:
                self.query_one(WalkFace).select(prompt.parts[0])
            self._edit(self.look.own if self.look.digits else "")
        self._title()
        self.query_one("#ask", Static).update(Text(printable(prompt.ask), f"bold {IVORY}"))
        self._hint()
        self._progress()
        self.refresh_bindings()

    def _title(self) -> None:
        """In large letters what is asked; of a knob, how far it has come."""
        scene = self.scene
        if scene is None:
            return
        told = "" if scene.trouble else self._turned(scene) or ("again" if scene.prompt.again else "")
        for large in self.query(Touched):
            large.show(Big(printable(scene.waits or scene.prompt.title), told))

    def _turned(self, scene: Scene) -> str:
        step = scene.step
        control = self.panel.part(step.parts[0]) if step is not None and step.do in ("turn", "end") else None
        if not isinstance(control, Control):
            return ""
        channel = control.channels[0]
        board = self.sight.boards.get(channel.board)
        state = board.channels.get(channel.id) if board is not None else None
        first = self._first.get(f"{channel.board}.{channel.id}")
        if state is None or state.value is None or first is None:
            return ""
        if control.kind == "pot":
            return f"{share_permille(control, state.value) / 10:.0f} %"
        way = 1 if step is None or step.to > 0 else -1  # below nought: it counts the other way
        return str(round(way * detents(control, first, state.value)))

    def _edit(self, name: str) -> None:
        """Show the picture of a display, to be put right; empty: none."""
        part = self.panel.part(name) if name else None
        self.set_class(isinstance(part, Digits), "-picture")
        if isinstance(part, Digits):
            wanted = self._wanted(part)
            view = self.query_one(PictureView)
            view.show(part, wanted, self.look.displays.get(name, wanted))
            view.focus()
        else:
            self.query_one(WalkFace).focus()

    def _wanted(self, display: Digits) -> bytes:
        """What a display should show in this step."""
        picture = self.scene.wants.digits.get(display.name, b"") if self.scene is not None else b""
        return picture.ljust(display.places, b"\0")

    def _hint(self) -> None:
        scene = self.scene
        if scene is None:
            return
        hint, colour = scene.prompt.hint, ENGRAVED
        if scene.trouble:
            hint, colour = scene.trouble, WARN
        elif self.look.changed:
            lamp = self._labels.get(self.look.lamp, "")
            of = f" m, o and i are of {lamp}." if lamp else ""
            hint, colour = f"You see: {self.look.words(self._labels)}. Enter takes it.{of}", BRASS
        elif scene.instead:
            hint, colour = f"{scene.instead} It counts in a moment, or with Enter; put it back if it was a slip.", WARN
        elif self._told:
            hint, colour = self._told, WARN
        elif scene.last and not scene.button:
            hint, colour = f"Before: {scene.last} {hint}", WARN
        elif scene.button:
            button = self.panel.part(scene.button)
            hint = f"{hint} {by_button(button, scene.step)}" if button is not None else hint
        self.query_one("#hint", Static).update(Text(printable(hint), colour))

    def _progress(self) -> None:
        prompt = self.scene.prompt if self.scene is not None else None
        number, of = (prompt.number, prompt.of) if prompt is not None else (0, 0)
        for row in self.query("#progress").results(Static):
            row.update(progress(number, of, self._counts, self.size.width - (11 if self.has_class("-narrow") else 30)))

    def _ended(self, report: Mapping[str, Any] | None, trouble: str) -> None:
        self.scene = None
        then, self._then = self._then, None
        if then is not None and report is None and not trouble:
            then()
            return
        self.report = report
        self.set_class(True, "-over")
        self.set_class(False, "-picture")
        if report is not None:
            self.query_one(Touched).show(Big("Walk", "see below" if report["findings"] else "good"))
            self._counts = report["counts"]
        folder = str(self.folder.path) if self.folder is not None else ""
        self.query_one("#told", Static).update(told(report, printable(trouble), folder, self._thread.can_go_on()))
        self.query_one("#where", Static).update(where(report, folder))
        self._progress()
        self.query_one("#result").focus()
        self.refresh_bindings()

    # --- answers ----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what answers the step at hand is offered."""
        scene = self.scene
        if action == "leave":
            return True
        if action == "failed":
            return bool(self._failed())
        if action in ("wiggle", "soak"):
            return scene is not None or self.has_class("-over")
        if scene is None:
            return False
        looking = scene.state in ("look", "light")
        do = scene.step.do if scene.step else ""
        if action == "point":
            return looking and do in ("lamp", "dark", "digits")
        if action == "colour":
            return looking and do == "lamp"
        if action in ("dim", "flicker", "nothing"):
            return looking and do in ("lamp", "digits")
        if action in ("done", "taken"):
            return scene.state == "ask" and not scene.trouble and (action == "taken") == bool(scene.instead)
        if action == "yes":
            return scene.state == "look" and not scene.trouble
        return True

    async def on_key(self, event: events.Key) -> None:
        """Keys that answer go through a guard: none is taken that nobody meant."""
        if self.scene is not None and event.key in GUARDED:
            await self._keys.press(event)

    async def _run_key(self, key: str) -> None:
        for binding in self._bindings.key_to_bindings.get(key, ()):
            if self.check_action(binding.action.partition("(")[0], ()):
                await self.run_action(binding.action)
                return

    def _too_soon(self) -> None:
        if self.scene is not None and self.scene.state in ("ask", "look") and not self.scene.trouble:
            self._told = "Too soon: look first. An answer counts when the question has stood for half a second."
            self._hint()

    @property
    def listens(self) -> bool:
        """Whether an answer to the question at hand would be taken now."""
        return self._keys.stands(time.monotonic())

    def _answer(self, word: str, **more: Any) -> None:
        if self.scene is not None:
            self._thread.post(Answer(word, self.scene.number, **more))

    def action_yes(self) -> None:
        """It is as it should be; or, with lamps pointed at or a picture changed, as the person says."""
        scene = self.scene
        if scene is None:
            return
        other = self._keep_picture()
        if other and other != self.look.own:
            self._edit(self.look.own if self.look.digits else "")  # that was another display's; its own is next
            self._hint()
            return
        self._thread.post(self.look.answer(scene.number, scene.step.picture if scene.step else b""))

    def action_done(self) -> None:
        """The hand has done what was asked, and nothing was seen of it."""
        self._answer("done")

    def action_taken(self) -> None:
        """The hand has done what was asked, and this is what came of it."""
        self._answer("done")

    def on_walk_face_worked(self) -> None:
        """The simulated hand has done what was asked; it may be that nothing comes of it."""
        if self.scene is not None:
            self._answer("acting")
            self._told = "Your hand has it there now. If the walk does not go on by itself: Enter."
            self._hint()

    def _keep_picture(self) -> str:
        """Take the picture that is being put right; return its display's name."""
        view = self.query_one(PictureView)
        part = view.display_part
        if part is None or not self.has_class("-picture"):
            return ""
        self.look.shows(part.name, bytes(view.seen), self._wanted(part))
        return part.name

    def action_nothing(self) -> None:
        """Nothing lit at all."""
        if self.look.digits:
            self.query_one(PictureView).clear()
        else:
            self._answer("otherwise")

    def action_dim(self) -> None:
        """Lit, but too weakly."""
        self.look.looks("dim")
        self._hint()

    def action_flicker(self) -> None:
        """Lit, but not steadily."""
        self.look.looks("flickering")
        self._hint()

    def action_colour(self) -> None:
        """Lit in another colour."""

        def done(key: str | None) -> None:
            if key:
                self.look.looks(COLOURS[key])
                self._hint()

        lamp = printable(self._labels.get(self.look.lamp, self.look.lamp))
        why = ", ".join(f"{key} {word}" for key, word in COLOURS.items())
        self.app.push_screen(Choice(f"Which colour is {lamp}?", f"As you see it: {why}.", COLOURS), done)

    def action_point(self) -> None:
        """The lamp that is selected on the face is lit, or the display shows something."""
        part = self.query_one(WalkFace).part
        if isinstance(part, Lamp | Digits):
            self._point(part)

    def on_walk_face_pointed(self, message: WalkFace.Pointed) -> None:
        """A click on a lamp or a display."""
        if self.check_action("point", ()):
            self._point(message.part)

    def _point(self, part: Lamp | Digits) -> None:
        if isinstance(part, Digits):
            self._keep_picture()
            self._edit(part.name)
        elif not self.look.digits:
            self.look.point(part.name)
        self._hint()

    def action_leave_out(self, word: str) -> None:
        """Skip, back, again, not wired."""
        self._answer(word)

    def action_note(self) -> None:
        """A word beside the part at hand."""

        def done(text: str | None) -> None:
            if text:
                self._thread.post(Answer("note", text=text))

        self.app.push_screen(Ask("Note", "It stands beside this part in the report."), done)

    # --- elsewhere --------------------------------------------------------------------------------------------------

    def _begin(self, begin: Callable[[], None]) -> None:
        try:
            begin()
        except Trouble as trouble:
            self._ended(None, str(trouble))

    def _stop(self, then: Callable[[], None]) -> None:
        """Have the walk stop for a while; `then` is called when it has."""
        if self.scene is None:
            then()
        elif self._then is None:
            self._then = then
            self._thread.leave()

    def _go_on(self, _: object = None) -> None:
        """The walk goes on where it was stopped."""
        if not self.has_class("-over"):
            self._begin(self._thread.go_on)

    def action_wiggle(self) -> None:
        """Flex the loom of the part at hand, or of all; the walk goes on afterwards."""
        scene = self.scene
        names = scene.prompt.parts if scene is not None else ()
        parts = [name for name in names if isinstance(self.panel.part(name), Control)]

        def then() -> None:
            self.app.push_screen(WiggleScreen(self.sight, self.session, self.panel, parts), self._go_on)

        self._stop(then)

    def action_soak(self) -> None:
        """Light everything for long; the walk goes on afterwards."""
        self._stop(lambda: ask_soak(self.app, self.sight, self.session, self.panel, self._go_on))

    def _failed(self) -> list[str]:
        """Parts that the walk found wrong, or perhaps."""
        parts = self.report["parts"] if self.report is not None else ()
        return [part["name"] for part in parts if part["verdict"] in ("wrong", "perhaps")]

    def action_failed(self) -> None:
        """Walk once more what was found wrong; the rest is kept."""
        names, self.report = self._failed(), None
        self.set_class(False, "-over")
        self.query_one(WalkFace).focus()
        self._begin(lambda: self._thread.again(names))

    def help_groups(self) -> list[tuple[str, BindingsMap]]:
        """The keys that help tells here: the walk's own first."""
        everywhere = [each for _, each in BindingsMap(self.app.BINDINGS) if each.priority]
        groups = (
            ("Walk", WalkScreen.BINDINGS),
            ("Walk: the face", WalkFace.BINDINGS),
            ("Walk: a display's picture", PictureView.BINDINGS),
            ("Everywhere", everywhere),
        )
        return [(title, BindingsMap(bindings)) for title, bindings in groups]

    def action_leave(self) -> None:
        """Back to the bench; what was done is kept in the folder."""
        self.dismiss(None)
