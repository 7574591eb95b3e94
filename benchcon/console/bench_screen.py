"""The main screen: the face and the other views, one at a time, with links and events beside it if there is room."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.geometry import Size
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import ContentSwitcher

from benchcon.console.canvas_widget import Drawn
from benchcon.console.event_list import EventList
from benchcon.console.face import Face
from benchcon.console.head import REHEARSAL, TIMING, VIEWS, Head
from benchcon.console.keyline import KeyLine
from benchcon.console.links import LinksView
from benchcon.console.notice import Notice
from benchcon.console.touched import AIRY, LargeText, Touched
from benchcon.console.transport import TRANSPORT_KEYS, Transport
from benchcon.panel.model import Control, Part
from benchcon.session import ReplaySession
from benchcon.text import printable
from benchcon.view.showing import label_of
from benchcon.view.why_not import why_not

if TYPE_CHECKING:
    from benchcon.console.raw import Raw
    from benchcon.console.rehearsal import PersonAsked, RehearsalList
    from benchcon.console.timeline import TimeLine
    from benchcon.view.event_feed import Touch
    from benchcon.view.model import ViewModel

WIDE, HIGH = 118, 34
"""From this size on (columns, rows), links and events are shown beside the face."""

BREAKPOINTS = [(0, "-lowest"), (8, "-low"), (16, "-tall")]
"""The CSS classes of every screen by its number of rows."""

BESIDE_S = 0.2
"""Least time between redraws of what is beside the face; nobody reads a list at film rate."""

LIST_S = 0.1
"""Least time between redraws of lists and the time line, except after a key."""


NEEDED = (
    *("replay('play')", "leave", "untype", "answer(True)", "sweep", "hold", ""),
    *("record", "stop_recording", "mark", "keep", "lamp_blink", "pause", "walk", ""),
)
"""Actions whose keys get room on the last row before others, the most needed first."""


class BenchScreen(Screen[None]):
    """The main screen: head, views, the part touched last, keys."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *[Binding(key, f"view('{name}')", word, show=False) for name, key, word in VIEWS],
        Binding(TIMING[1], "timing", TIMING[2], show=False),
        Binding(REHEARSAL[1], "view('rehearsal')", REHEARSAL[2], show=False),
        *TRANSPORT_KEYS,
    ]

    def __init__(self, model: ViewModel, asked: PersonAsked | None = None) -> None:
        super().__init__()
        self.model = model
        self._asked = asked
        self._beside = self._listed = 0.0
        self._drawn_view = ""
        self._touch: Touch | None = None
        self._worked: tuple[Part, int] | None = None
        self._last: Part | None = None
        """The part touched last: a control by hand, or a lamp or display by a key."""

    def compose(self) -> ComposeResult:
        """Yield what is seen first; `_add_views` adds the other views once that is on the screen."""
        self._take_size(self.app.size, update=False)  # before the first layout, so that there is only one
        yield Head(self.model, id="head")
        with ContentSwitcher(initial="face-view", id="views"):
            with Horizontal(id="face-view"):
                if self.model.rehearsal is not None:
                    from benchcon.console.rehearsal import RehearsalList

                    yield RehearsalList(self.model, self.model.rehearsal, self._asked, id="rehearsal")
                yield Face(self.model, id="face")
                with Vertical(id="side"):
                    yield LinksView(self.model, brief=True, id="links-brief")
                    yield EventList(self.model, brief=True, id="events-brief")
        if isinstance(self.model.session, ReplaySession):
            yield Transport(self.model, self.model.session, id="transport")
        yield Notice(self.model, id="notice")
        yield Touched(live=self.model.session.live, id="touched")
        yield KeyLine(needed=NEEDED, id="keys")

    def on_mount(self) -> None:
        """Begin with the focus on the first view."""
        self.query_one("#links-brief", LinksView).can_focus = False
        self.query_one("#events-brief", EventList).can_focus = False
        self.query_one(Face).focus()
        self.call_after_refresh(self._add_views)

    def _add_views(self) -> None:
        """Make the other views; this is done once, as views are switched and not rebuilt."""
        from benchcon.console.raw import Raw
        from benchcon.console.timeline import TimeLine

        views = self.query_one("#views", ContentSwitcher)
        if len(views.children) > 1 or not views.is_attached:  # they exist already, or the screen is closing
            return
        model = self.model
        others = (
            *(Raw(model, id="raw"), EventList(model, id="events")),
            *(LinksView(model, id="links"), TimeLine(model, id="time")),
        )
        for view in others:
            view.display = False
        views.mount(*others)

    def on_screen_resume(self) -> None:
        """Draw again after a question, as things may have changed meanwhile."""
        if self.is_mounted:
            self.frame()

    def on_resize(self) -> None:
        """Adapt to a new size."""
        self._take_size(self.size)
        self._beside_rehearsal()

    def _take_size(self, size: Size, update: bool = True) -> None:
        """Decide what there is room for."""
        width, height = size
        room = {"-wide": width >= WIDE and height >= HIGH, "-high": height >= HIGH, "-airy": height >= AIRY}
        lowest = [name for rows, name in BREAKPOINTS if height >= rows][-1:]
        self.update_classes(room | {name: [name] == lowest for _, name in BREAKPOINTS}, update=update)

    def _beside_rehearsal(self) -> None:
        """Show the face beside a rehearsal if that leaves room for all parts of each board."""
        if self.has_class("-rehearsal"):
            from benchcon.console.face_layout import lay_out

            face, width = self.query_one(Face), self.size.width // 2 - 1
            pages = (lay_out(self.model.panel, width, self.size.height, page) for page in face.pages[1:] or face.pages)
            self.set_class(any(page.width > width for page in pages), "-alone")

    # --- views ----------------------------------------------------------------------------------------------------

    @property
    def view(self) -> str:
        """Name of the view that is shown."""
        if self.has_class("-rehearsal"):
            return "rehearsal"
        return (self.query_one("#views", ContentSwitcher).current or "face-view").removesuffix("-view")

    def action_view(self, name: str) -> None:
        """Switch to a view."""
        if name == TIMING[0]:
            self.action_timing()
            return
        target = "face-view" if name in ("face", "rehearsal") else name
        switcher = self.query_one("#views", ContentSwitcher)
        self._add_views()
        if not switcher.query(f"#{target}") or not self.query(f"#{name}"):
            return  # there is no such view, such as the rehearsal, whose key the timing screen offers in any case
        self.set_class(name == "rehearsal", "-rehearsal")
        self._beside_rehearsal()
        switcher.current = target
        head = self.query_one(Head)
        head.view = name
        focus: Widget = self.query_one(f"#{name}")
        focus.focus()
        self.call_after_refresh(self.frame)

    def action_timing(self) -> None:
        """Open the timing screen."""
        from benchcon.console.timing_screen import TimingScreen

        def left(view: str | None) -> None:
            if view is not None:
                self.action_view(view)

        self.app.push_screen(TimingScreen(self.model), left)

    def on_head_turn(self, message: Head.Turn) -> None:
        """Switch to the view that was clicked."""
        self.action_view(message.view)

    def on_raw_find(self, message: Raw.Find) -> None:
        """Show the part of a channel on the face."""
        self.action_view("face")
        self.query_one(Face).select(message.name)

    def on_rehearsal_list_to_face(self, message: RehearsalList.ToFace) -> None:
        """Go to the face beside the rehearsal, or to its own view if there is no room for it there."""
        if self.has_class("-alone"):
            self.action_view("face")
        face = self.query_one(Face)
        if message.part:
            face.select(message.part)
        else:
            face.focus()

    def on_time_line_go(self, message: TimeLine.Go) -> None:
        """Take the replay to a time."""
        for bar in self.query(Transport):
            bar.jump(message.at_us)
            self.frame()

    # --- playing back ---------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the transport bar's keys in a replay, and the rehearsal's if there is one."""
        if action == "view" and parameters == ("rehearsal",):
            return self.model.rehearsal is not None
        return action != "replay" or not self.model.session.live

    def action_replay(self, verb: str) -> None:
        """Do one of the transport bar's actions."""
        bar = self.query_one(Transport)
        session = bar.session
        if verb == "play":
            if session.now_us() >= session.last_us:
                bar.jump(session.first_us)
            session.playing = not session.playing
        elif verb in ("slower", "faster"):
            bar.faster(1 if verb == "faster" else -1)
        elif verb in ("next", "before"):
            bar.mark_near(1 if verb == "next" else -1)
        elif verb in ("step", "step_back"):
            bar.step(1 if verb == "step" else -1)
        elif verb == "go":
            bar.ask_where()
        else:
            bar.jump(session.first_us if verb == "first" else session.now_us() - 1_000_000)
        self.model.look()
        self.frame()

    def on_key(self, event: events.Key) -> None:
        """Say why a key does nothing in a replay, on a tap, or on a control of the real panel."""
        if event.key in self.active_bindings:
            return
        part = self.query_one(Face).part if self.view == "face" else None
        why = why_not(self.model, event.key)
        if (
            self.model.session.bench is not None
            and isinstance(part, Control)
            and event.key in ("space", "enter", "plus", "equals_sign", "minus")
        ):
            why = f"{label_of(part)} is a control of the real panel: only a hand can move it"
            if self.model.work.can_work(part):
                keys = "press it with Enter, hold it with Space" if part.kind == "button" else "turn it with + and -"
                why = f"{label_of(part)}: {keys}"
        if why:
            self.app.notify(why, timeout=3 if len(why) < 80 else 7, markup=False)

    # --- each frame -----------------------------------------------------------------------------------------------

    def frame(self) -> None:
        """Draw what has changed in what is shown."""
        now = time.monotonic()
        self.query_one(Head).repaint()
        for bar in self.query(Transport):
            bar.repaint()
        notice, touched = self.query_one(Notice), self.query_one(Touched)
        enough = 5 if self.has_class("-long-notice") else 6
        rows = notice.rows
        self.set_class(rows > 1 and touched.display and touched.size.height >= enough, "-long-notice")
        notice.styles.height = rows
        notice.repaint()
        self._show_touched()
        view = self.view
        if view in ("face", "rehearsal"):
            self.query_one(Face).repaint()
            if self.has_class("-wide") and now - self._beside >= BESIDE_S:
                self._beside = now
                for beside in self.query("#links-brief, #events-brief").results(Drawn):  # none while the screen closes
                    beside.repaint()
        if view == "rehearsal" and (now - self._listed >= LIST_S or view != self._drawn_view):
            self._listed, self._drawn_view = now, view
            self.query_one("#rehearsal", Drawn).repaint()
        elif view != "face" and (now - self._listed >= LIST_S or view != self._drawn_view):
            self._listed, self._drawn_view = now, view
            self.query_one(f"#{view}", Drawn).repaint()

    def _show_touched(self) -> None:
        if self.model.darkness.everything:
            self.query_one(Touched).show(self._all_dark())
            return
        touch, worked = self.model.feed.touched, self.model.work.worked
        if worked is not self._worked:
            self._last, self._worked = worked and worked[0], worked
        if touch is not self._touch:
            self._last, self._touch = touch and touch.control, touch
        control: Part | None = touch.control if touch is not None else self.model.moved_last()
        for last in (self._last, control):
            if last is None:
                continue
            part = next((part for part in self.model.panel.parts if part.name == last.name), last)
            (showing,) = self.model.show([part])
            if showing.sort != "dark" or isinstance(part, Control):
                break  # large letters that say dark must mean the whole bench, so a lamp on a dark board is not shown
        else:
            self.query_one(Touched).show(None)
            return
        word = showing.word if showing.known else "not known"
        self.query_one(Touched).show(LargeText(label_of(part), word, showing.known))

    def _all_dark(self) -> LargeText:
        """Return the large text while everything is dark, which matters more than any control."""
        dark, _, not_known = self.model.darkness
        name = "Linked boards" if not_known else "All boards" if len(dark) > 1 else self.model.title_of(dark[0])
        return LargeText(printable(name), "DARK", warn=True)
