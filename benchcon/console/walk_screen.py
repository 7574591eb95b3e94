"""The walk in the console: large prompts, the face to point at, pictures to put right; it goes on by itself."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from rich.text import Text
from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Static

from benchcon.console.ask import Ask, Choice
from benchcon.console.face import Face
from benchcon.console.ink import BAD, BRASS, ENGRAVED, GOOD, IVORY
from benchcon.console.keyline import KeyLine
from benchcon.console.touched import Big, Touched
from benchcon.console.walk_picture import PictureView
from benchcon.errors import Trouble
from benchcon.panel.model import Control, Digits, Lamp
from benchcon.walk.evidence import Seen
from benchcon.walk.faces import Answer, Post, Scene
from benchcon.walk.folder import Folder
from benchcon.walk.layout import Layout
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner
from benchcon.wire.printable import printable

if TYPE_CHECKING:
    from benchcon.console.sight import Sight
    from benchcon.session import LiveSession

COLOURS = {"1": "red", "2": "amber", "3": "green", "4": "blue", "5": "white"}


class WalkFace(Face, inherit_bindings=False, can_focus=True):
    """The face, to see where the part at hand sits and to point at lamps. It works nothing but simulated controls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(0,-1)", "Choose", key_display="Arrows"),
        Binding("down", "go(0,1)", "Choose", show=False),
        Binding("left", "go(-1,0)", "Choose", show=False),
        Binding("right", "go(1,0)", "Choose", show=False),
        Binding("space", "work", "Work it"),
    ]

    @dataclass
    class Pointed(Message):
        """A lamp was clicked."""

        lamp: Lamp

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Simulated controls can be worked here, as there is nothing else to work them with."""
        return action != "work" or (isinstance(self.part, Control) and self.sight.work.can_work(self.part))

    def action_work(self) -> None:
        """Move the simulated control."""
        if isinstance(self.part, Control):
            self.sight.work.act(self.part, self.sight.boards, self.part.kind == "button")

    def on_click(self, event: events.Click) -> None:
        """A click selects; on a lamp it points."""
        tile = self.layout_now.at(event.x, event.y + self._scrolled)
        if tile is not None:
            event.stop()
            self.select(tile.part.name)
            if isinstance(tile.part, Lamp):
                self.post_message(self.Pointed(tile.part))


class _News(Message):
    """Something from the runner's thread."""

    def __init__(self, what: str, value: Any = None) -> None:
        super().__init__()
        self.what, self.value = what, value


class _Through:
    """The runner's face: everything goes to the screen as a message, from whichever thread."""

    robot = False

    def __init__(self, screen: WalkScreen) -> None:
        self._screen = screen

    def begin(self, layout: Layout, post: Post) -> None:
        self._screen.post_message(_News("begin", post))

    def show(self, scene: Scene) -> None:
        self._screen.post_message(_News("scene", scene))

    def sound(self, word: str) -> None:
        self._screen.post_message(_News("sound", word))

    def warn(self, text: str) -> None:
        self._screen.post_message(_News("warn", text))

    def end(self) -> None:
        """The runner's end is told by the thread that ran it."""


class WalkScreen(Screen[None]):
    """One walk over the session's panel."""

    CSS = """
    WalkScreen #ask { height: 1; padding: 0 1; }
    WalkScreen #hint { height: 1; padding: 0 1; }
    WalkScreen #progress { height: 1; padding: 0 1; }
    WalkScreen WalkFace { height: 1fr; width: 1fr; }
    WalkScreen PictureView { display: none; }
    WalkScreen.-picture PictureView { display: block; }
    WalkScreen #result { display: none; height: 1fr; padding: 1 2; }
    WalkScreen.-over #result { display: block; }
    WalkScreen.-over WalkFace { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "yes", "Yes, same, done"),
        Binding("x", "nothing", "Nothing lit"),
        Binding("p", "point", "This one lit"),
        Binding("m", "dim", "Dim"),
        Binding("o", "colour", "Colour"),
        Binding("i", "flicker", "Flickers"),
        Binding("s", "leave_out('skip')", "Skip"),
        Binding("u", "leave_out('back')", "Back"),
        Binding("r", "leave_out('again')", "Again"),
        Binding("w", "leave_out('not wired')", "Not wired"),
        Binding("n", "note", "Note"),
        Binding("escape,q", "leave", "Leave"),
    ]

    def __init__(self, sight: Sight, session: LiveSession, folder: Folder | None) -> None:
        super().__init__()
        self.sight, self.session, self.folder = sight, session, folder
        self.scene: Scene | None = None
        self.pointed: dict[str, Seen] = {}
        """Lamps that the person says are lit, besides or instead."""
        self.report: Mapping[str, Any] | None = None
        self._post: Post | None = None
        self._runner: Runner | None = None
        self._thread: threading.Thread | None = None
        self._right = self._wrong = 0

    def compose(self) -> ComposeResult:
        """Progress, the prompt in large letters, the face, or a display's pictures."""
        yield Static("", id="progress")
        yield Touched(id="touched")
        yield Static("", id="ask")
        yield Static("", id="hint")
        yield PictureView(id="picture")
        yield WalkFace(self.sight, id="face")
        with VerticalScroll(id="result"):
            yield Static("", id="told")
        yield KeyLine(id="keys")

    def on_mount(self) -> None:
        """Start the walk on a thread of its own."""
        panel = self.sight.session.panel
        done = self.folder.unfinished(panel) if self.folder else []
        walk = Walk(panel, (), done)
        began = datetime.now().astimezone().isoformat(timespec="seconds")
        if self.folder is not None:
            self.folder.open(panel, began, done)
        write = self.folder.write if self.folder else lambda line: None
        self._runner = Runner(self.session, walk, _Through(self), write)
        self._thread = threading.Thread(target=self._run, args=(self._runner, began), name="walk", daemon=True)
        self.query_one(WalkFace).focus()
        self._thread.start()

    def _run(self, runner: Runner, began: str) -> None:
        """On the walk's thread."""
        from benchcon.walk.about import about
        from benchcon.walk.report import build

        trouble = ""
        report: dict[str, Any] | None = None
        try:
            over = runner.run()
            if over:
                panel = runner.walk.panel
                report = build(panel, runner.walk.done.values(), about(self.session, panel, began))
                if self.folder is not None:
                    self.folder.finish(report, panel, None)
        except Trouble as error:
            trouble = str(error)
        finally:
            if self.folder is not None:
                self.folder.close()
        self.post_message(_News("end", (report, trouble)))

    def on_unmount(self) -> None:
        """Whatever takes the screen away: what was done is kept, and the walk's thread ends."""
        if self._runner is not None:
            self._runner.leave()
        if self._thread is not None:
            self._thread.join(2)

    def frame(self) -> None:
        """Draw what has changed."""
        self.query_one(WalkFace).repaint()

    # --- from the walk ----------------------------------------------------------------------------------------------

    def on__news(self, message: _News) -> None:
        """Something came from the walk's thread."""
        if message.what == "begin":
            self._post = message.value
        elif message.what == "scene":
            self._show(message.value)
        elif message.what == "sound":
            self._sound(message.value)
        elif message.what == "warn":
            self.notify(message.value, severity="warning", markup=False)
        elif message.what == "end":
            self._ended(*message.value)

    def _sound(self, word: str) -> None:
        """One bell for right, two for wrong."""
        self._right += word == "right"
        self._wrong += word == "wrong"
        for _ in range({"right": 1, "wrong": 2}.get(word, 0)):
            self.app.bell()
        self._progress()

    def _show(self, scene: Scene) -> None:
        new = self.scene is None or self.scene.number != scene.number
        self.scene = scene
        prompt = scene.prompt
        if new:
            self.pointed = {}
            part = self.session.panel.part(prompt.parts[0]) if prompt.parts else None
            if part is not None:
                self.query_one(WalkFace).select(part.name)
            view = self.query_one(PictureView)
            editing = isinstance(part, Digits) and scene.step is not None and scene.step.do == "digits"
            self.set_class(editing, "-picture")
            if editing and isinstance(part, Digits) and scene.step is not None:
                view.show(part, scene.step.picture)
                view.focus()
            else:
                self.query_one(WalkFace).focus()
        self.query_one(Touched).show(Big(printable(prompt.title), "again" if prompt.again else ""))
        self.query_one("#ask", Static).update(Text(printable(prompt.ask), f"bold {IVORY}"))
        self._hint()
        self._progress()
        self.refresh_bindings()

    def _hint(self) -> None:
        scene = self.scene
        if scene is None:
            return
        hint = scene.prompt.hint
        if self.pointed:
            named = ", ".join(f"{name}{_how(seen)}" for name, seen in self.pointed.items())
            hint = f"You see lit: {named}. Enter takes it; p or a click takes one away again."
        elif scene.button:
            hint = f"{hint} {scene.button} answers too: short yes, long no."
        self.query_one("#hint", Static).update(Text(printable(hint), ENGRAVED))

    def _progress(self) -> None:
        if self.scene is not None:
            prompt = self.scene.prompt
            text = Text(f"Walk {prompt.number} of {prompt.of}   ", f"bold {BRASS}")
            text.append(f"✓ {self._right} right   ", GOOD)
            text.append(f"✗ {self._wrong} otherwise", BAD if self._wrong else ENGRAVED)
            self.query_one("#progress", Static).update(text)

    def _ended(self, report: Mapping[str, Any] | None, trouble: str) -> None:
        from benchcon.walk.face_svg import count_words

        self.report = report
        self.scene = None
        self.set_class(True, "-over")
        self.set_class(False, "-picture")
        text = Text()
        if trouble:
            text.append(f"{trouble}\n", BAD)
        if report is None:
            text.append("The walk was left. The same folder goes on from here.\n" if self.folder else "Left.\n", IVORY)
        else:
            good = not report["findings"]
            self.query_one(Touched).show(Big("Walk", "good" if good else "see below"))
            text.append(f"{count_words(report['counts'])}.\n\n", IVORY)
            for finding in report["findings"]:
                text.append(f"✗ {printable(finding['line'])}\n", BAD)
                if finding["decide"]:
                    text.append(f"  To decide: {finding['decide']}.\n", ENGRAVED)
            if good:
                text.append("Nothing wrong was found.\n", GOOD)
            if self.folder is not None:
                text.append(f"\nThe report is in {printable(str(self.folder.path))}.\n", BRASS)
        text.append("\nEsc goes back.", ENGRAVED)
        self.query_one("#told", Static).update(text)
        self.query_one("#ask", Static).update("")
        self.query_one("#hint", Static).update("")
        self.query_one("#result").focus()
        self.refresh_bindings()

    # --- answers ----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what answers the step at hand is offered."""
        scene = self.scene
        if action in ("leave",):
            return True
        if scene is None:
            return False
        looking = scene.state in ("look", "light")
        do = scene.step.do if scene.step else ""
        if action in ("point", "colour"):
            return looking and do in ("lamp", "dark")
        if action in ("dim", "flicker", "nothing"):
            return looking and do in ("lamp", "digits")
        if action == "yes":
            return scene.state in ("ask", "look")
        return True

    def _answer(self, word: str, **more: Any) -> None:
        if self._post is not None and self.scene is not None:
            self._post(Answer(word, self.scene.number, **more))

    def action_yes(self) -> None:
        """It is as it should be; or, with lamps pointed at or a picture changed, as the person says."""
        scene = self.scene
        if scene is None:
            return
        view = self.query_one(PictureView)
        if scene.state == "ask":
            self._answer("done")
        elif scene.step is not None and scene.step.do == "digits" and view.changed:
            self._answer("otherwise", displays={scene.step.parts[0]: bytes(view.seen)})
        elif self.pointed:
            self._answer("otherwise", lamps=dict(self.pointed))
        else:
            self._answer("same")

    def action_nothing(self) -> None:
        """Nothing lit at all."""
        scene = self.scene
        if scene is not None and scene.step is not None and scene.step.do == "digits":
            self.query_one(PictureView).clear()
        else:
            self._answer("otherwise")

    def _own(self) -> str:
        scene = self.scene
        return scene.step.parts[0] if scene is not None and scene.step is not None and scene.step.do == "lamp" else ""

    def _how_it_looks(self, seen: Seen) -> None:
        own = self._own()
        if own:
            self.pointed[own] = seen
            self._hint()

    def action_dim(self) -> None:
        """Lit, but too weakly."""
        scene = self.scene
        if scene is not None and scene.step is not None and scene.step.do == "digits":
            name = scene.step.parts[0]
            self._answer("otherwise", displays={name: bytes(self.query_one(PictureView).seen)}, level="dim")
            return
        old = self.pointed.get(self._own(), Seen())
        self._how_it_looks(Seen("dim", old.colour, old.flickering))

    def action_flicker(self) -> None:
        """Lit, but not steadily."""
        scene = self.scene
        if scene is not None and scene.step is not None and scene.step.do == "digits":
            name = scene.step.parts[0]
            self._answer("otherwise", displays={name: bytes(self.query_one(PictureView).seen)}, flickering=True)
            return
        old = self.pointed.get(self._own(), Seen())
        self._how_it_looks(Seen(old.level, old.colour, True))

    def action_colour(self) -> None:
        """Lit in another colour."""

        def done(key: str | None) -> None:
            if key:
                old = self.pointed.get(self._own(), Seen())
                self._how_it_looks(Seen(old.level, COLOURS[key], old.flickering))

        self.app.push_screen(Choice("Which colour is it?", "As you see it.", COLOURS), done)

    def action_point(self) -> None:
        """The lamp that is selected on the face is lit."""
        part = self.query_one(WalkFace).part
        if isinstance(part, Lamp):
            self._toggle(part)

    def on_walk_face_pointed(self, message: WalkFace.Pointed) -> None:
        """A click on a lamp."""
        if self.check_action("point", ()):
            self._toggle(message.lamp)

    def _toggle(self, lamp: Lamp) -> None:
        if self.pointed.pop(lamp.name, None) is None:
            self.pointed[lamp.name] = Seen()
        self._hint()

    def action_leave_out(self, word: str) -> None:
        """Skip, back, again, not wired."""
        self._answer(word)

    def action_note(self) -> None:
        """A word beside the part at hand."""

        def done(text: str | None) -> None:
            if text and self._post is not None:
                self._post(Answer("note", text=text))

        self.app.push_screen(Ask("Note", "It stands beside this part in the report."), done)

    def action_leave(self) -> None:
        """Back to the bench; what was done is kept in the folder."""
        self.dismiss(None)


def _how(seen: Seen) -> str:
    words = [seen.level if seen.level != "full" else "", seen.colour, "flickering" if seen.flickering else ""]
    told = ", ".join(filter(None, words))
    return f" ({told})" if told else ""


def start_walk(app: App[Any], sight: Sight, session: LiveSession) -> None:
    """Ask where the report goes, and walk. Leaves everything as it is if the user thinks better of it."""
    name = datetime.now().strftime("walk-%Y%m%d-%H%M")

    def check(text: str) -> None:
        if text:
            folder = Folder(text)
            if folder.report() is not None and not folder.unfinished(session.panel):
                raise Trouble(f"{printable(text)} holds a finished walk; name another folder")
            folder.unfinished(session.panel)

    def done(text: str | None) -> None:
        if text is not None:
            app.push_screen(WalkScreen(sight, session, Folder(Path(text)) if text else None))

    why = "Everything is proved in turn, and what is wrong is named. The report goes into this folder; a walk that was "
    why += "broken off there goes on. Empty: no report."
    app.push_screen(Ask("Walk", why, name, check=check, may_be_empty=True), done)
