"""The console's application: one session, one look a frame, and the few keys that work everywhere.

Whatever happens, leaving it goes dark: by a key, by an error, by a signal. After SIGKILL the boards' dead-man does it.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, ClassVar

from textual import events
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandList, CommandPalette
from textual.driver import Driver
from textual.screen import Screen
from textual.theme import Theme
from textual.widget import Widget

from benchcon.console.ask import Ask
from benchcon.console.bench_app import BenchApp
from benchcon.console.bench_screen import BREAKPOINTS, BenchScreen
from benchcon.console.dark import CONFIRM_US, DarkWatch, NotConfirmed
from benchcon.console.face import Face
from benchcon.console.ink import THEME
from benchcon.console.key_queue import LEAVE_KEYS, Handled, TypedAhead
from benchcon.console.light_theme import LightTheme
from benchcon.console.notice import take_back
from benchcon.console.preferences import LETTERS, Preferences, preferred, remember
from benchcon.console.terminal import quick
from benchcon.errors import Trouble
from benchcon.panel.unplug import to_pull
from benchcon.session import LiveSession, OpenSession, ReplaySession, Session
from benchcon.text import printable
from benchcon.view.dark_keys import DARK_KEYS, END_DARK, END_DARK_KEYS
from benchcon.wire.events import Event, Note

if TYPE_CHECKING:
    from textual.command import Provider

    from benchcon.console.rehearsal import PersonAsked
    from benchcon.rehearse.live import LiveRun

FRAMES_A_SECOND = 20
IDLE_S = 0.2
"""With nothing new a look is taken this often."""

SETTLE_S = 1.0
"""How long after the start everything that a session needs is loaded."""

ABOUT_MARK = (
    "The mark stands in the history, in the capture that is being written, and on the time line, where [ and ] go from "
    "one to the next. Its time is that of the key m, however long you type. Esc leaves it without words."
)
"""What help says while a mark's words are asked for."""

TICK_S = 0.25
"""Triggers of silence and captures that are to end are looked at this often."""


def _parts_provider() -> type[Provider]:
    from benchcon.console.commands import PartsProvider

    return PartsProvider


class Palette(CommandPalette):
    """The palette, for a terminal that may have become smaller since a click."""

    def _on_click(self, event: events.Click) -> None:  # type: ignore[override]  # its two bases disagree
        if not self.region.contains(int(event.screen_x), int(event.screen_y)):
            event.prevent_default()  # Textual looks for what is there, and ends with an error where nothing is

    def _action_command_list(self, action: str) -> None:
        if self.query_one(CommandList).scrollable_content_region.height:  # it turns no pages where it has no row
            super()._action_command_list(action)


class ConsoleApp(BenchApp):
    """The console on a session, live or replayed."""

    CSS_PATH = "console.tcss"
    VERTICAL_BREAKPOINTS = BREAKPOINTS
    TITLE = "benchcon"
    ENABLE_COMMAND_PALETTE = True
    COMMANDS = App.COMMANDS | {_parts_provider}

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f1", "help", "Help", priority=True),
        Binding("question_mark", "help", "Help", show=False),
        Binding(",".join(DARK_KEYS), "dark", "DARK", priority=True),
        Binding(",".join(END_DARK_KEYS), "end_dark", "End dark", priority=True),
        Binding("r", "record", "Record"),
        Binding("r", "stop_recording", "Stop recording"),
        Binding("m", "mark", "Mark"),
        Binding("k", "keep", "Save the last 10 minutes"),
        Binding("n", "name", "Name by hand"),
        Binding("t", "walk", "Walk"),
        Binding("v", "match_lamps", "Evenly bright", show=False),
        Binding("z", "letters", "Size of the large letters, or none", show=False),
        Binding("ctrl+t", "light_or_dark", "Light or dark theme", show=False),
        Binding("N", "level", "Night level, day level", show=False),
        Binding("q", "leave", "Quit"),
        Binding(",".join(LEAVE_KEYS), "leave", "Quit", show=False, priority=True),
        Binding("ctrl+p", "command_palette", "All commands", show=False),
    ]

    def __init__(
        self,
        session: Session,
        rehearsal: LiveRun | None = None,
        asked: PersonAsked | None = None,
        *,
        view: str = "",
        looks: Preferences | None = None,
    ) -> None:
        """`rehearsal`: what is rehearsed on the bench; `asked`: where it asks the person; `view`: the first to show.

        `looks`: instead of those that the user chose last.
        """
        super().__init__(session, rehearsal)
        self._asked = asked
        self._first_view = view
        if rehearsal is not None:
            rehearsal.watched = True
            rehearsal.on_rules = self._tell_rules
            rehearsal.on_complaint = lambda text: self.tell(text, "warning")
        self.leave_when: Callable[[], bool] = lambda: False
        """Asked once a frame: whether a signal wants the console to end."""
        self.when_shown: Callable[[], object] | None = None
        """What is to be begun once the first frame stands on the screen, which is there sooner so."""
        self.trouble = ""
        """One line on what ended the console, if something went wrong."""
        self._dark: DarkWatch | None = None
        self._dark_key_us = 0
        """When `dark_now` has asked for dark and the screen has not taken the key yet; 0 if not."""
        self._user_dark = False
        """Whether the user has asked for dark, and not for its end."""
        self._shout: NotConfirmed | None = None
        self._dark_ends_us = 0
        """When the end of dark was asked for, until it is said what came of it; 0 if it was not."""
        self._dark_told = ""
        """The notice that dark is confirmed: it goes when dark ends."""
        self._looked = self._ticked = self._bound = -60.0
        self.model.feed.listeners.append(self._tell_triggers)
        self._marks = 0
        self._met: set[int] = set()
        """Sources of the boards that were live before in this console."""
        self._played = time.monotonic()
        self._keys = TypedAhead(self, super().on_event)
        self._begin_with(THEME)
        if self.no_color:
            # Textual turns colours into greys for NO_COLOR; take it at its word instead and send none.
            from textual.filter import Monochrome, NoColor

            self._filters = [NoColor() if isinstance(each, Monochrome) else each for each in self._filters]
        self.preferences = looks or preferred()
        self._light = LightTheme(enabled=False)
        if not self.no_color:
            self._filters.append(self._light)
        self._wear(self.preferences)

    def _begin_with(self, theme: Theme) -> None:
        """Take `theme` before there is a screen: set as it is later on, every style sheet would be read twice."""
        self.register_theme(theme)
        self.set_reactive(App.theme, theme.name)
        self.set_class(True, f"-theme-{theme.name}", "-dark-mode" if theme.dark else "-light-mode", update=False)
        self.set_class(False, "-light-mode" if theme.dark else "-dark-mode", update=False)
        self.stylesheet.set_variables(self.get_css_variables())

    def on_load(self) -> None:
        """Before there is a screen: a recording begins where something is known."""
        if isinstance(self.session, ReplaySession) and self.session.now_us() == self.session.first_us:
            from benchcon.view.replay_backlog import first_known

            self.session.jump(first_known(self.session))
            self.model.start_again()

    def get_default_screen(self) -> Screen[Any]:
        """Return the main screen: there is none beneath it that would have to be made first."""
        return BenchScreen(self.model, self._asked)

    def on_mount(self) -> None:
        """Begin to look."""
        if self._first_view and isinstance(self.screen, BenchScreen):
            self.call_after_refresh(self.screen.action_view, self._first_view)
        self.screen.call_after_refresh(self._shown)
        if not self.is_headless:
            self.set_timer(SETTLE_S, self._settle)
        self.set_interval(1 / FRAMES_A_SECOND, self.frame)
        if self.session.bench is not None and not self.session.bench.has_ports:
            self.call_after_refresh(self.action_ports)

    def _shown(self) -> None:
        """The first frame stands on the screen."""
        if self.when_shown is not None and not self.leave_when():
            self.when_shown()

    def _settle(self) -> None:
        """What is loaded by now stays: no later search for garbage need look at it, and hold a repaint up meanwhile."""
        gc.collect()
        gc.freeze()
        gc.enable()  # whoever started this may have held it off until now

    async def on_event(self, event: events.Event) -> None:
        """Keys one after the other; everything else at once."""
        if not await self._keys.take(event):
            await super().on_event(event)

    def action_command_palette(self) -> None:
        """All commands to choose from."""
        if not isinstance(self.screen, CommandPalette):
            self.push_screen(Palette(id="--command-palette"))

    async def on_handled(self, message: Handled) -> None:
        """A key has gone all its way."""
        await self._keys.handled(message)

    async def frame(self) -> None:
        """Look, and draw what has changed; with nothing new, only now and then, for ages and silences."""
        if self.session.bench is not None:
            self.session.bench.beat()
        if self.leave_when():
            self.exit(0)
            return
        await self._keys.go_on()
        now = time.monotonic()
        self._play(now)
        if (
            not self.model.feed.waiting
            and now - self._looked < IDLE_S
            and self._dark is None
            and not self._dark_ends_us
        ):
            return
        self._looked = now
        self.model.look()
        if isinstance(self.session, ReplaySession) and (problem := self.session.new_problem()):
            self.tell(problem, "warning")
        if isinstance(self.session, OpenSession) and now - self._ticked >= TICK_S:
            self._ticked = now
            self.session.tick()
        self._welcome()
        self._watch_dark()
        self._watch_end_of_dark()
        screen = self.screen
        if now - self._bound >= IDLE_S:
            self._bound = now
            screen.refresh_bindings()
        if hasattr(screen, "frame"):
            screen.frame()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that have nothing to do are not offered."""
        if action == "end_dark":
            return bool(self.model.darkness.dark) and self.session.bench is not None
        if action in ("record", "stop_recording"):
            return self.session.live and (self.session.recording is not None) == (action == "stop_recording")
        if action == "name" and not getattr(self._beneath_palette, "names_parts", True):
            return False
        if action in ("mark", "name", "keep"):
            return bool(self.session.live)
        if action == "dark":
            return self.session.bench is not None
        if action in ("walk", "match_lamps", "level"):
            return self.session.bench is not None and isinstance(self._beneath_palette, BenchScreen)
        return True

    @property
    def _beneath_palette(self) -> Screen[Any]:
        """The screen that the keys work on: while the palette looks for what they do, the one beneath it."""
        return next((each for each in reversed(self.screen_stack) if not isinstance(each, CommandPalette)), self.screen)

    def _play(self, now: float) -> None:
        """Let a recording go on by the time that has passed since the last frame."""
        passed, self._played = now - self._played, now
        if isinstance(self.session, ReplaySession):
            self.session.advance(min(passed, 0.5) * 1e6)

    # --- telling --------------------------------------------------------------------------------------------------

    def _tell_rules(self, text: str) -> None:
        self.tell(text, "information" if "reloaded" in text else "error")

    def _tell_triggers(self, events: list[Event]) -> None:
        """A trigger that fires, or an expectation that is broken, is said at once, whatever is on the screen."""
        for event in events:
            if isinstance(event, Note) and event.kind == "trigger":
                self.tell(f"trigger: {printable(event.text)}", "warning")
            elif isinstance(event, Note) and event.kind == "expectation":
                self.tell(printable(event.text), "warning")

    # --- dark -----------------------------------------------------------------------------------------------------

    def get_driver_class(self) -> type[Driver]:
        """Textual's own for this terminal, with dark going past everything."""
        return quick(super().get_driver_class())

    def dark_now(self) -> None:
        """All outputs off; called on the thread that reads the terminal, however busy the screen is."""
        if self.session.bench is not None:
            self._user_dark = True
            self._dark_key_us = self.session.now_us()
            self.session.bench.dark()

    def action_dark(self) -> None:
        """All outputs off, now."""
        if self.session.bench is None:
            return
        self._user_dark = True
        asked_us, self._dark_key_us = self._dark_key_us, 0
        if not asked_us:  # not by its key in a terminal, which has asked already
            asked_us = self.session.now_us()
            self.session.bench.dark()
        self.model.work.forget()
        with self.session.lock:
            self._dark = DarkWatch(self.model.boards, asked_us)

    def _welcome(self) -> None:
        """End the dark that an earlier program left a board in, once, when it is first met: nothing lights by that.

        Dark that comes later (a key, the dead-man, a switch on the panel) stays until the user ends it.
        """
        bench = self.session.bench
        if bench is None or self._user_dark:
            return
        for board in self.model.boards.values():
            if board.source not in self._met and board.known and board.source in self.model.feed.alive:
                self._met.add(board.source)
                if board.dark and board.dark_why != "local":
                    bench.light(board.source)
                    if self._user_dark:  # its key came meanwhile, on the thread that reads the terminal
                        bench.dark()

    def _watch_dark(self) -> None:
        watch = self._dark
        if watch is None:
            return
        with self.session.lock:
            found = watch.look(self.model.boards, self.session.now_us())
        if found == "confirmed":
            self._dark = None
            if self._shout in self.screen_stack:
                # Dismissing takes the topmost screen off: what was opened over it, such as help, goes first.
                for screen in reversed(self.screen_stack[self.screen_stack.index(self._shout) :]):
                    screen.dismiss(None)
            self._shout = None
            late_us = self.session.now_us() - watch.asked_us
            who = "every board that is linked" if watch.absent else "every board"
            self._dark_told = f"Dark, confirmed by {who} in {late_us / 1000:.0f} ms; {END_DARK} ends it."
            self.tell(self._dark_told)
            if watch.absent:
                names = ", ".join(map(printable, watch.absent))
                plugs = "; ".join(to_pull(self.model.panel, watch.absent))
                self.tell(f"Nothing is known about {names}: no port. To be sure, pull the plug: {plugs}.", "warning")
        elif found == "overdue" and self._shout is None:
            self._shout = NotConfirmed(sorted(watch.waiting), self.model.panel)
            self.push_screen(self._shout, self._shout_closed)

    def _shout_closed(self, _: object) -> None:
        self._shout = None
        self._dark = None

    def action_end_dark(self) -> None:
        """End dark. It restores nothing: outputs stay off until they are set."""
        if self.session.bench is not None:
            self._user_dark = False
            self._dark_key_us = 0  # a key of dark that is still on its way here asks for dark again
            self._dark_ends_us = self.session.now_us()
            self.session.bench.light()

    def _watch_end_of_dark(self) -> None:
        """What is only so while it is dark is said no longer; that dark has ended, or where it has not, is said."""
        still = self.model.darkness.dark
        if self._dark_told and not self.model.darkness.everything:
            take_back(self, [self._dark_told])
        if not self._dark_ends_us or (still and self.session.now_us() - self._dark_ends_us < CONFIRM_US):
            return
        self._dark_ends_us = 0
        if not still:
            if self.model.rehearsal is not None:
                self.tell("Dark has ended. The rules set their outputs again; all others stay off until they are set.")
            else:
                self.tell("Dark has ended. It restores nothing: outputs stay off until they are set again.")
            return
        held = [name for name in still if self.model.boards[name].dark_why == "local"]
        why = " (the switch on the panel holds it)" if held == list(still) else ""
        self.tell(f"Still dark: {', '.join(map(printable, still))}{why}.", "warning")

    # --- ports ----------------------------------------------------------------------------------------------------

    def action_ports(self) -> None:
        """List the ports, and open those that the user chooses."""
        from benchcon.console.ports_screen import PortsScreen
        from benchcon.link.discovery import find_ports
        from benchcon.rig.shining import running

        bench = self.session.bench
        if bench is None:
            return

        def done(chosen: list[str] | None) -> None:
            for port in chosen or ():
                bench.add_port(port)

        self.push_screen(PortsScreen(lambda: find_ports(running()), [port.port for port in bench.ports()]), done)

    # --- recording ------------------------------------------------------------------------------------------------

    def action_record(self) -> None:
        """Ask for a file, and begin a capture in it."""
        from benchcon.console import captures

        captures.start(self)

    def action_stop_recording(self) -> None:
        """End the capture that is being written."""
        from benchcon.console import captures

        captures.stop(self)

    def action_keep(self) -> None:
        """Save the last 10 minutes of the bench, and what follows for a while."""
        from benchcon.console import captures

        captures.keep(self)

    def action_mark(self) -> None:
        """Mark this moment, and then ask what it was: the words come after, the mark stands where the key was hit."""
        session = self.session
        if not isinstance(session, OpenSession):
            return
        self._marks += 1
        number = self._marks
        session.mark(str(number))

        def done(text: str | None) -> None:
            if text:
                session.note("word", f"{number}: {text}")

        why = "The moment is marked already. A few words will help you to find it again."
        self.push_screen(Ask(f"Mark {number}", why, may_be_empty=True, leave="No words", more=ABOUT_MARK), done)

    def action_name(self) -> None:
        """Name a part by moving it, or the one that is selected."""
        from benchcon.console.name_by_hand import name_by_hand

        faces = self.screen.query(Face)
        self.run_worker(name_by_hand(self, faces.first().part if faces else None), exclusive=True, group="naming")

    def action_walk(self, what: str = "walk") -> None:
        """Prove every input and output in turn; or only ``wiggle`` or ``soak``."""
        if isinstance(self.session, LiveSession) and isinstance(self.screen, BenchScreen):
            from benchcon.console.walk import start as walk_start

            begin = {"wiggle": walk_start.start_wiggle, "soak": walk_start.start_soak}.get(what, walk_start.start_walk)
            try:
                begin(self, self.model, self.session)
            except Trouble as trouble:
                self.tell(str(trouble), "error")

    def action_match_lamps(self) -> None:
        """Make lamps look evenly bright, two at a time; the selected one is the first to compare with."""
        if not isinstance(self.screen, BenchScreen):
            return
        from benchcon.console.matching_screen import MatchingScreen
        from benchcon.view.matching import Matching

        part = self.screen.query_one(Face).part
        try:
            matching = Matching(self.model, part.name if part is not None else "")
        except Trouble as trouble:
            self.tell(str(trouble), "error")
            return
        self.push_screen(MatchingScreen(matching))

    def action_level(self) -> None:
        """All lamps at the panel's night level, or back at its day level."""
        from benchcon.console.night import switch_level

        try:
            self.tell(switch_level(self))
        except Trouble as trouble:
            self.tell(str(trouble), "warning")

    # --- looks ----------------------------------------------------------------------------------------------------

    def _wear(self, looks: Preferences) -> None:
        """Show the console in these looks."""
        self.preferences = looks
        self._light.enabled = looks.theme == "light"
        classes = {f"-letters-{size}": looks.letters == size for size in LETTERS}
        self.update_classes(classes | {"-light": self._light.enabled}, update=self.is_running)
        for screen in self.screen_stack if self.is_running else ():
            for widget in screen.walk_children(with_self=True):
                if isinstance(widget, Widget):
                    widget._styles_cache.clear()  # it holds lines as they left through the filters of before
            screen.refresh(layout=True)

    def action_light_or_dark(self) -> None:
        """Change between the light and the dark theme; it is remembered."""
        if self.no_color:
            self.tell("NO_COLOR is set, so the terminal's own colours are used")
            return
        self._wear(self.preferences.next_theme())
        remember(self.preferences)

    def action_letters(self) -> None:
        """Large letters, a single row, or none; it is remembered."""
        self._wear(self.preferences.next_letters())
        remember(self.preferences)

    # --- leaving --------------------------------------------------------------------------------------------------

    def action_leave(self) -> None:
        """Leave; whoever runs the console goes dark then."""
        self.exit(0)

    def _fatal_error(self) -> None:
        # Textual would print a traceback here. Our users get one line, and whoever runs the console tells it.
        import os

        if os.environ.get("BENCHCON_TRACEBACK"):
            super()._fatal_error()
            return
        error = self._exception
        if isinstance(error, Trouble):
            self.trouble = str(error)
        else:
            self.trouble = printable(f"unexpected: {type(error).__name__}: {error}"[:300])
        self._close_messages_no_wait()

    # --- help and commands ----------------------------------------------------------------------------------------

    def action_help(self) -> None:
        """Every key, and what the screen shows."""
        from benchcon.console.help import Help, help_for

        if isinstance(self.screen, Help):
            self.screen.dismiss(None)
        else:
            self.push_screen(help_for(self))

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Everything, for the command palette."""
        from benchcon.console.commands import boards_and_lists, keys_now

        yield from keys_now(self, screen)
        yield from boards_and_lists(self, screen)
