"""The walk's screen: shows what the walk asks, and takes answers by keys and clicks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, cast

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingsMap, BindingType
from textual.widgets import Static

from benchcon.console.ask import Ask, Choice
from benchcon.console.notice import take_back
from benchcon.console.touched import LargeText, Touched
from benchcon.console.walk.asked import AskedScreen
from benchcon.console.walk.begin import UNSIGNED, Signature
from benchcon.console.walk.ending import ending_text, where
from benchcon.console.walk.face import WalkFace
from benchcon.console.walk.keys import GUARDED, AnswerKeys
from benchcon.console.walk.look import LookTaken
from benchcon.console.walk.picture import PictureView
from benchcon.console.walk.resumed import resumed
from benchcon.console.walk.soak_screen import ask_soak
from benchcon.console.walk.thread import WalkEvent, WalkThread
from benchcon.console.walk.wiggle_screen import WiggleScreen
from benchcon.diagnosis.evidence import Seen
from benchcon.errors import Trouble
from benchcon.panel.model import Control, Display, Lamp, Panel
from benchcon.report.folder import Folder
from benchcon.report.walk import is_about_boards
from benchcon.text import printable
from benchcon.view.palette import IVORY
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.marks import FAULTY
from benchcon.walk.plan import ALL_TO_BE_LIT, LOOKS, SUPPLY_LOOKS

if TYPE_CHECKING:
    from benchcon.console.bench_app import BenchApp
    from benchcon.session import LiveSession
    from benchcon.view.model import ViewModel

COLOURS = {"1": "red", "2": "amber", "3": "green", "4": "blue", "5": "white"}

ABOUT_NOTE = "It changes no verdict: a stiff lever, a scratch, a wire to be tied. The current step goes on as it was."
ABOUT_COLOUR = "The panel file says another colour: a bicolour lamp wired the other way round, or another part fitted."


class WalkScreen(AskedScreen):
    """One walk over a panel."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "yes", "Correct"),
        Binding("enter", "done", "Nothing happened"),
        Binding("enter", "taken", "That is what it did"),
        Binding("p", "point", "This is lit"),
        Binding("p", "unlit", "This is dark"),
        Binding("p", "lit", "Something lit"),
        Binding("x", "nothing", "None"),
        Binding("less_than_sign", "dim", "Dim", key_display="<"),  # m is Mark, here as everywhere
        Binding("o", "colour", "Colour"),
        Binding("i", "flicker", "Flickers"),
        Binding("s", "leave_out('skip')", "Skip"),
        Binding("u", "leave_out('back')", "Previous"),
        Binding("r", "leave_out('again')", "Again"),
        Binding("w", "leave_out('not wired')", "Not wired"),
        Binding("n", "note", "Note"),
        Binding("v", "wiggle", "Wiggle"),
        Binding("l", "soak", "Soak"),
        Binding("f", "failed", "Retry faulty"),
        Binding("escape,q", "leave", "Back"),
    ]

    def __init__(
        self,
        model: ViewModel,
        session: LiveSession,
        panel: Panel,
        folder: Folder | None,
        only: Sequence[str] = (),
        signed: Signature = UNSIGNED,
    ) -> None:
        """`only` names the parts to walk (empty: all); `signed` is who walks, and the panel's serial number."""
        super().__init__(model, panel)
        self.session, self.folder = session, folder
        self.report: Mapping[str, Any] | None = None
        self._resumed = resumed(folder, panel, only) if folder is not None else ""
        """A sentence about the walk that is continued, until it has been shown."""
        self._thread = WalkThread(self, session, panel, folder, only, signed)
        self._keys = AnswerKeys(self, self._run_key, self._too_soon)
        self._warnings: set[str] = set()
        """The messages about boards, which are removed when the walk is left."""
        self._left = False
        """Whether the user went back to the bench; if not, it was from here that the program was quit."""
        self._then: Callable[[], None] | None = None
        """What to do once the walk has paused; None: nothing."""

    def on_mount(self) -> None:
        """Start the walk, or continue the one in the folder."""
        self.query_one(WalkFace).focus()
        self._warn(self._thread.other_boards())
        self._begin(self._thread.start)

    def on_unmount(self) -> None:
        """End the walk's thread, keep what was done, and remove its warnings, however the screen is left."""
        if not self._left:
            cast("BenchApp", self.app).parting = self._unfinished()
        self._thread.close()
        take_back(self.app, self._warnings)

    # --- from the walk ----------------------------------------------------------------------------------------------

    def on_walk_event(self, message: WalkEvent) -> None:
        """Handle an event of the walk's thread."""
        if message.what == "scene":
            self._keys.asked(message.value)
            self._show(message.value)
        elif message.what == "counts":
            self._counts = message.value
            self._progress()
        elif message.what == "sound":
            self._sound(message.value)
        elif message.what == "warn":
            self._warn(message.value)
        elif message.what == "end":
            self._ended(*message.value)

    def _warn(self, text: str) -> None:
        """Show a message about boards, unless it is empty."""
        if text:
            self._warnings.add(printable(text))
            self.notify(printable(text), severity="warning", markup=False)

    def _sound(self, word: str) -> None:
        """Ring one bell for right, two for wrong."""
        for _ in range({"right": 1, "wrong": 2}.get(word, 0)):
            self.app.bell()

    def _show(self, scene: Scene) -> None:
        new = self.scene is None or self.scene.number != scene.number
        self.scene = scene
        prompt = scene.prompt
        if new:
            self.look = LookTaken(scene.step)
            self._first = dict(scene.values)
            self._remark, self._resumed = self._resumed, ""
            self.query_one(WalkFace).step = scene.step
            self.set_class(scene.step is not None and scene.step.do in (*LOOKS, *SUPPLY_LOOKS), "-looking")
            if prompt.parts:
                self.query_one(WalkFace).select(prompt.parts[0])
            self._edit(self.look.own if self.look.display else "")
        self._title()
        self.query_one("#ask", Static).update(Text(printable(prompt.ask), f"bold {IVORY}"))
        self._hint()
        self._progress()
        self.refresh_bindings()

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
            self.query_one(Touched).show(LargeText("Walk", "see below" if report["findings"] else "good"))
            self._counts = report["counts"]
        folder = str(self.folder.path) if self.folder is not None else ""
        self.query_one("#remark", Static).update(
            ending_text(report, printable(trouble), folder, self._thread.can_go_on())
        )
        self.query_one("#where", Static).update(where(report, folder))
        self._progress()
        self.query_one("#result").focus()
        self.refresh_bindings()

    # --- answers ----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only keys that answer the current step."""
        scene = self.scene
        if action == "leave":
            return True
        if action == "failed":
            return self.report is not None and (bool(self._failed()) or is_about_boards(self.report))
        if action in ("wiggle", "soak"):
            return scene is not None or self.has_class("-over")
        if scene is None:
            return False
        looking = scene.state in ("look", "light")
        do = scene.step.do if scene.step else ""
        if action == "point":
            return looking and do in (*LOOKS, *SUPPLY_LOOKS) and do not in ALL_TO_BE_LIT
        if action == "colour":
            return looking and bool(self.look.lamp)
        if action in ("dim", "flicker"):
            return looking and (do == "display" or bool(self.look.lamp))
        if action == "nothing":
            return looking and do in ("lamp", "display", *ALL_TO_BE_LIT)
        if action == "unlit":
            return looking and do in ALL_TO_BE_LIT
        if action == "lit":
            return scene.state in ("ask", "closing") and not scene.trouble
        if action in ("done", "taken"):
            return scene.state == "ask" and not scene.trouble and (action == "taken") == bool(scene.instead)
        if action == "yes":
            return scene.state == "look" and not scene.trouble
        return True

    async def on_key(self, event: events.Key) -> None:
        """Pass keys that answer through `AnswerKeys`, which accepts only those that are meant."""
        if self.scene is not None and event.key in GUARDED:
            await self._keys.press(event)

    async def _run_key(self, key: str) -> None:
        for binding in self._bindings.key_to_bindings.get(key, ()):
            if self.check_action(binding.action.partition("(")[0], ()):
                await self.run_action(binding.action)
                return

    def _too_soon(self) -> None:
        if self.scene is not None and self.scene.state in ("ask", "look") and not self.scene.trouble:
            self._remark = "Too soon: look first. An answer counts half a second after the question has appeared."
            self._hint()

    @property
    def listens(self) -> bool:
        """Whether an answer to the current question would be accepted now."""
        return self._keys.stands()

    def _answer(self, word: str, **more: Any) -> None:
        if self.scene is not None:
            self._thread.post(FaceAnswer(word, self.scene.number, **more))

    def action_yes(self) -> None:
        """Answer that it looks right or, if the person has pointed or changed a picture, as they said."""
        scene = self.scene
        if scene is None:
            return
        other = self._keep_picture()
        if other and other != self.look.own:
            self._edit(self.look.own if self.look.display else "")  # after another display's picture, its own
            self._hint()
            return
        self._thread.post(self.look.answer(scene.number, scene.step.picture if scene.step else b""))

    def action_done(self) -> None:
        """Answer that the hand has done what was asked, and nothing happened."""
        self._answer("done")

    def action_taken(self) -> None:
        """Answer that the hand has done what was asked, and this is the result."""
        self._answer("done")

    def on_walk_face_worked(self) -> None:
        """Note that the simulated hand has done what was asked, whether or not anything comes of it."""
        if self.scene is not None:
            self._answer("acting")
            self._remark = "The simulated hand has done it. If the walk does not go on by itself: Enter."
            self._hint()

    def _keep_picture(self) -> str:
        """Note the picture that is being corrected; return its display's name."""
        view = self.query_one(PictureView)
        part = view.display_part
        if part is None or not self.has_class("-picture"):
            return ""
        self.look.shows(part.name, bytes(view.seen), self._wanted(part))
        return part.name

    def action_nothing(self) -> None:
        """Answer that nothing lit at all."""
        if self.look.display:
            self.query_one(PictureView).clear()
        else:
            self._answer("otherwise")

    def action_dim(self) -> None:
        """Note that it is lit, but too weakly."""
        self.look.looks("dim")
        self._hint()

    def action_flicker(self) -> None:
        """Note that it is lit, but not steadily."""
        self.look.looks("flickering")
        self._hint()

    def action_colour(self) -> None:
        """Ask in which other colour it is lit."""

        def done(key: str | None) -> None:
            if key:
                self.look.looks(COLOURS[key])
                self._hint()

        lamp = printable(self._labels.get(self.look.lamp, self.look.lamp))
        why = ", ".join(f"{key} {word}" for key, word in COLOURS.items())
        self.app.push_screen(
            Choice(f"Which colour is {lamp}?", f"As you see it: {why}.", COLOURS, more=ABOUT_COLOUR), done
        )

    def action_point(self) -> None:
        """Note that the selected lamp is lit, or that the selected display shows something."""
        part = self.query_one(WalkFace).part
        if isinstance(part, Lamp | Display):
            self._point(part)

    def action_unlit(self) -> None:
        """Note that the selected lamp or display is dark although all should be lit."""
        self.action_point()

    def action_lit(self) -> None:
        """Note that something lit while a control was worked: the selected lamp or display, or an unknown one."""
        part = self.query_one(WalkFace).part
        self._answer("lit", lamps={part.name if isinstance(part, Lamp | Display) else "": Seen()})

    def on_walk_face_pointed(self, message: WalkFace.Pointed) -> None:
        """Point at the lamp or display that was clicked."""
        if self.check_action("point", ()) or self.check_action("unlit", ()):
            self._point(message.part)

    def _point(self, part: Lamp | Display) -> None:
        if isinstance(part, Display) and self.look.several is None:
            self._keep_picture()
            self._edit(part.name)
        elif not self.look.display:
            self.look.point(part.name)
        self._hint()
        self.refresh_bindings()

    def action_leave_out(self, word: str) -> None:
        """Answer with `word`: skip, back, again, not wired."""
        self._answer(word)

    def action_note(self) -> None:
        """Ask for a note on the current part."""

        def done(text: str | None) -> None:
            if text:
                self._thread.post(FaceAnswer("note", text=text))

        self.app.push_screen(Ask("Note", "It is shown beside this part in the report.", more=ABOUT_NOTE), done)

    # --- elsewhere --------------------------------------------------------------------------------------------------

    def _begin(self, begin: Callable[[], None]) -> None:
        try:
            begin()
        except Trouble as trouble:
            self._ended(None, str(trouble))

    def _stop(self, then: Callable[[], None]) -> None:
        """Pause the walk; `then` is called when it has stopped."""
        if self.scene is None:
            then()
        elif self._then is None:
            self._then = then
            self._thread.leave()

    def _go_on(self, _: object = None) -> None:
        """Continue the walk where it was paused."""
        if not self.has_class("-over"):
            self._begin(self._thread.go_on)

    def action_wiggle(self) -> None:
        """Open the wiggle test of the current part, or of all; afterwards the walk continues."""
        scene = self.scene
        names = scene.prompt.parts if scene is not None else ()
        parts = [name for name in names if isinstance(self.panel.part(name), Control)]

        def then() -> None:
            self.app.push_screen(WiggleScreen(self.model, self.session, self.panel, parts), self._go_on)

        self._stop(then)

    def action_soak(self) -> None:
        """Open the soak; afterwards the walk continues."""
        self._stop(lambda: ask_soak(self.app, self.model, self.session, self.panel, self._go_on))

    def _failed(self) -> list[str]:
        """Return the parts that the walk found faulty, or possibly faulty."""
        parts = self.report["parts"] if self.report is not None else ()
        return [part["name"] for part in parts if part["verdict"] in FAULTY]

    def action_failed(self) -> None:
        """Walk what was found faulty once more; the other results are kept.

        If only a board was faulty, that is all lit together, and other steps that are about no single part.
        """
        names, self.report = self._failed(), None
        self.set_class(False, "-over")
        self.query_one(WalkFace).focus()
        self._begin(lambda: self._thread.again(names))

    def help_groups(self) -> list[tuple[str, BindingsMap]]:
        """Return the keys that help lists here, the walk's own first."""
        everywhere = [each for _, each in BindingsMap(self.app.BINDINGS) if each.priority]
        groups = (
            ("Walk", WalkScreen.BINDINGS),
            ("Walk: the face", WalkFace.BINDINGS),
            ("Walk: a display's picture", PictureView.BINDINGS),
            ("Everywhere", everywhere),
        )
        return [(title, BindingsMap(bindings)) for title, bindings in groups]

    def _unfinished(self) -> str:
        """Return how to continue the walk if it is left now; empty if nothing of it is to be continued."""
        if self.folder is None or self.scene is None or self.has_class("-over"):
            return ""
        name = printable(self.folder.path.name)
        return f"{name} holds an unfinished walk; t in the console continues it."

    def action_leave(self) -> None:
        """Go back to the bench; what was done is kept in the folder."""
        self._left = True
        if unfinished := self._unfinished():
            self.app.notify(unfinished, markup=False)
        self.dismiss(None)
