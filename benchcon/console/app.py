"""The console's application: one session, one look a frame, and the keys that work everywhere.

However it ends (by a key, an error or a signal), the bench goes dark. After SIGKILL the boards' dead-man does that.
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
from benchcon.errors import Trouble, wants_traceback
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
"""How often the session is looked at when nothing is new."""

SETTLE_S = 1.0
"""Time after the start by which everything that a session needs is loaded."""

ABOUT_MARK = (
    "The mark is in the history, in the capture that is being written, and on the time line, where [ and ] go from "
    "one to the next. Its time is that of the key m, however long you type. Esc leaves it without words."
)
"""Help text while a mark's words are asked for."""

TICK_S = 0.25
"""How often triggers on silence, and captures that are due to end, are checked."""


def _commands_provider() -> type[Provider]:
    from benchcon.console.commands import CommandsProvider

    return CommandsProvider


def _parts_provider() -> type[Provider]:
    from benchcon.console.commands import PartsProvider

    return PartsProvider


class Palette(CommandPalette):
    """The command palette, safe for a terminal that has become smaller since a click."""

    def _on_click(self, event: events.Click) -> None:  # type: ignore[override]  # its two bases disagree
        if not self.region.contains(int(event.screen_x), int(event.screen_y)):
            event.prevent_default()  # Textual would look for a widget there, and fail where there is none

    def _action_command_list(self, action: str) -> None:
        if self.query_one(CommandList).scrollable_content_region.height:  # paging fails in a list without rows
            super()._action_command_list(action)


class ConsoleApp(BenchApp):
    """The console on a session, live or replayed."""

    CSS_PATH = "console.tcss"
    VERTICAL_BREAKPOINTS = BREAKPOINTS
    TITLE = "benchcon"
    ENABLE_COMMAND_PALETTE = True
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {_commands_provider, _parts_provider}

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
        """`rehearsal` runs on the bench, and asks the person through `asked`; `view` is the first view to show.

        `looks` replaces the preferences that the user last chose.
        """
        super().__init__(session, rehearsal)
        self._asked = asked
        self._first_view = view
        if rehearsal is not None:
            rehearsal.watched = True
            rehearsal.on_rules = self._tell_rules
            rehearsal.on_complaint = lambda text: self.tell(text, "warning")
        self.leave_when: Callable[[], bool] = lambda: False
        """Called once a frame: returns whether the console must end because of a signal."""
        self.when_shown: Callable[[], object] | None = None
        """Called once the first frame is on the screen, which is there sooner this way."""
        self.when_leaving: Callable[[], object] | None = None
        """Called when the user quits, before the screen is taken down, which may take a while."""
        self.trouble = ""
        """Why the console ended, in one line, if something went wrong; else empty."""
        self._dark: DarkWatch | None = None
        self._dark_key_us = 0
        """When `dark_now` asked for dark (µs), until the screen gets the key; else 0."""
        self._user_dark = False
        """Whether the user has asked for dark, and not since for its end."""
        self._shout: NotConfirmed | None = None
        self._dark_ends_us = 0
        """When the end of dark was asked for (µs), until the result is shown; else 0."""
        self._dark_message = ""
        """The message that dark is confirmed, which is removed when dark ends."""
        self._looked = self._ticked = self._bound = -60.0
        self.model.feed.listeners.append(self._tell_triggers)
        self._marks = 0
        self._met: set[int] = set()
        """Sources of the boards that have been live in this console."""
        self._played = time.monotonic()
        self._keys = TypedAhead(self, super().on_event)
        self._begin_with(THEME)
        if self.no_color:
            # With NO_COLOR Textual would turn colours into greys; send no colours at all instead.
            from textual.filter import Monochrome, NoColor

            self._filters = [NoColor() if isinstance(each, Monochrome) else each for each in self._filters]
        self.preferences = looks or preferred()
        self._light = LightTheme(enabled=False)
        if not self.no_color:
            self._filters.append(self._light)
        self._wear(self.preferences)

    def _begin_with(self, theme: Theme) -> None:
        """Set `theme` before there is a screen; later it would make Textual read every style sheet twice."""
        self.register_theme(theme)
        self.set_reactive(App.theme, theme.name)
        self.set_class(True, f"-theme-{theme.name}", "-dark-mode" if theme.dark else "-light-mode", update=False)
        self.set_class(False, "-light-mode" if theme.dark else "-dark-mode", update=False)
        self.stylesheet.set_variables(self.get_css_variables())

    def on_load(self) -> None:
        """Move a replay to where something is known, before there is a screen."""
        if isinstance(self.session, ReplaySession) and self.session.now_us() == self.session.first_us:
            from benchcon.view.replay_backlog import first_known

            self.session.jump(first_known(self.session))
            self.model.start_again()

    def get_default_screen(self) -> Screen[Any]:
        """Return the main screen, so that Textual makes no other one beneath it."""
        return BenchScreen(self.model, self._asked)

    def on_mount(self) -> None:
        """Begin to look at the session."""
        if self._first_view and isinstance(self.screen, BenchScreen):
            self.call_after_refresh(self.screen.action_view, self._first_view)
        self.screen.call_after_refresh(self._shown)
        if not self.is_headless:
            self.set_timer(SETTLE_S, self._settle)
        self.set_interval(1 / FRAMES_A_SECOND, self.frame)
        if self.session.bench is not None and not self.session.bench.has_ports:
            self.call_after_refresh(self.action_ports)

    def _shown(self) -> None:
        """Do what waits for the first frame on the screen."""
        if self.when_shown is not None and not self.leave_when():
            self.when_shown()

    def _settle(self) -> None:
        """Exclude what is loaded by now from garbage collection, which would hold up repaints."""
        gc.collect()
        gc.freeze()
        gc.enable()  # the caller may have disabled it during the start

    async def on_event(self, event: events.Event) -> None:
        """Handle keys one after the other, and everything else at once."""
        if not await self._keys.take(event):
            await super().on_event(event)

    def action_command_palette(self) -> None:
        """Open the command palette."""
        if not isinstance(self.screen, CommandPalette):
            self.push_screen(Palette(id="--command-palette"))

    async def on_handled(self, message: Handled) -> None:
        """Go on with the next key, as one has been handled completely."""
        await self._keys.handled(message)

    async def frame(self) -> None:
        """Look at the session and draw what has changed; if nothing is new, only now and then, for ages and silence."""
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
        """Hide keys that have nothing to do."""
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
        """Return the screen that keys work on: the current one, or that beneath the command palette."""
        return next((each for each in reversed(self.screen_stack) if not isinstance(each, CommandPalette)), self.screen)

    def _play(self, now: float) -> None:
        """Advance a replay by the time since the last frame."""
        passed, self._played = now - self._played, now
        if isinstance(self.session, ReplaySession):
            self.session.advance(min(passed, 0.5) * 1e6)

    # --- telling --------------------------------------------------------------------------------------------------

    def _tell_rules(self, text: str) -> None:
        self.tell(text, "information" if "reloaded" in text else "error")

    def _tell_triggers(self, events: list[Event]) -> None:
        """Show at once, on any screen, a trigger that fires or an expectation that is broken."""
        for event in events:
            if isinstance(event, Note) and event.kind == "trigger":
                self.tell(f"trigger: {printable(event.text)}", "warning")
            elif isinstance(event, Note) and event.kind == "expectation":
                self.tell(printable(event.text), "warning")

    # --- dark -----------------------------------------------------------------------------------------------------

    def get_driver_class(self) -> type[Driver]:
        """Return Textual's driver for this terminal, changed so that the keys of dark do not wait."""
        return quick(super().get_driver_class())

    def dark_now(self) -> None:
        """Darken all outputs; called on the thread that reads the terminal, however busy the screen is."""
        if self.session.bench is not None:
            self._user_dark = True
            self._dark_key_us = self.session.now_us()
            self.session.bench.dark()

    def action_dark(self) -> None:
        """Darken all outputs, and watch until every board confirms it."""
        if self.session.bench is None:
            return
        self._user_dark = True
        asked_us, self._dark_key_us = self._dark_key_us, 0
        if not asked_us:  # unless the terminal's thread has asked for it already
            asked_us = self.session.now_us()
            self.session.bench.dark()
        self.model.work.forget()
        with self.session.lock:
            self._dark = DarkWatch(self.model.boards, asked_us)

    def _welcome(self) -> None:
        """End the dark in which an earlier program left a board, when the board is first seen; nothing lights by that.

        Dark that comes later (by a key, the dead-man, a switch on the panel) stays until the user ends it.
        """
        bench = self.session.bench
        if bench is None or self._user_dark:
            return
        for board in self.model.boards.values():
            if board.source not in self._met and board.known and board.source in self.model.feed.alive:
                self._met.add(board.source)
                if board.dark and board.dark_why != "local":
                    bench.light(board.source)
                    if self._user_dark:  # the key of dark came meanwhile, on the thread that reads the terminal
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
                # Dismissing removes the topmost screen, so remove first what was opened over this one, such as help.
                for screen in reversed(self.screen_stack[self.screen_stack.index(self._shout) :]):
                    screen.dismiss(None)
            self._shout = None
            late_us = self.session.now_us() - watch.asked_us
            who = "every board that is linked" if watch.absent else "every board"
            self._dark_message = f"Dark, confirmed by {who} in {late_us / 1000:.0f} ms; {END_DARK} ends it."
            self.tell(self._dark_message)
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
            self._dark_key_us = 0  # a key of dark that is still in the queue asks for dark again
            self._dark_ends_us = self.session.now_us()
            self.session.bench.light()

    def _watch_end_of_dark(self) -> None:
        """Remove the messages about dark once it has ended; show that it has, or on which boards it has not."""
        still = self.model.darkness.dark
        if self._dark_message and not self.model.darkness.everything:
            take_back(self, [self._dark_message])
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
        """Mark the moment of the key press, and then ask for words to go with it."""
        session = self.session
        if not isinstance(session, OpenSession):
            return
        self._marks += 1
        number = self._marks
        session.mark(str(number))

        def done(text: str | None) -> None:
            if text:
                session.note("word", f"{number}: {text}")

        why = "The moment is marked already. A few words will help you find it again."
        self.push_screen(Ask(f"Mark {number}", why, may_be_empty=True, leave="No words", more=ABOUT_MARK), done)

    def action_name(self) -> None:
        """Name the part that is moved next, or the selected one."""
        from benchcon.console.name_by_hand import name_by_hand

        faces = self.screen.query(Face)
        self.run_worker(name_by_hand(self, faces.first().part if faces else None), exclusive=True, group="naming")

    def action_walk(self, what: str = "walk") -> None:
        """Start a walk, or with `what` ``wiggle`` or ``soak`` that test."""
        if isinstance(self.session, LiveSession) and isinstance(self.screen, BenchScreen):
            from benchcon.console.walk import start as walk_start

            begin = {"wiggle": walk_start.start_wiggle, "soak": walk_start.start_soak}.get(what, walk_start.start_walk)
            try:
                begin(self, self.model, self.session)
            except Trouble as trouble:
                self.tell(str(trouble), "error")

    def action_match_lamps(self) -> None:
        """Make lamps look evenly bright, two at a time; the selected one is the first reference."""
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
        """Switch all lamps to the panel's night level, or back to its day level."""
        from benchcon.console.night import switch_level

        try:
            self.tell(switch_level(self))
        except Trouble as trouble:
            self.tell(str(trouble), "warning")

    # --- looks ----------------------------------------------------------------------------------------------------

    def _wear(self, looks: Preferences) -> None:
        """Apply theme and size of letters from `looks`."""
        self.preferences = looks
        self._light.enabled = looks.theme == "light"
        classes = {f"-letters-{size}": looks.letters == size for size in LETTERS}
        self.update_classes(classes | {"-light": self._light.enabled}, update=self.is_running)
        for screen in self.screen_stack if self.is_running else ():
            for widget in screen.walk_children(with_self=True):
                if isinstance(widget, Widget):
                    widget._styles_cache.clear()  # it has lines as the previous theme's filter made them
            screen.refresh(layout=True)

    def action_light_or_dark(self) -> None:
        """Switch between the light and the dark theme, and remember it."""
        if self.no_color:
            self.tell("NO_COLOR is set, so the terminal's own colours are used")
            return
        self._wear(self.preferences.next_theme())
        remember(self.preferences)

    def action_letters(self) -> None:
        """Switch between large letters, a single row and none, and remember it."""
        self._wear(self.preferences.next_letters())
        remember(self.preferences)

    # --- leaving --------------------------------------------------------------------------------------------------

    def action_leave(self) -> None:
        """Quit."""
        if self.when_leaving is not None:
            self.when_leaving()
        self.exit(0)

    def _fatal_error(self) -> None:
        # Textual would print a traceback here. Users get one line instead, which `run_console` raises.
        if wants_traceback():
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
        """Show help: every key, and what the screen shows."""
        from benchcon.console.help import Help, help_for

        if isinstance(self.screen, Help):
            self.screen.dismiss(None)
        else:
            self.push_screen(help_for(self))

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Yield all commands for the command palette."""
        from benchcon.console.commands import boards_and_lists, keys_now

        yield from keys_now(self, screen)
        yield from boards_and_lists(self, screen)
