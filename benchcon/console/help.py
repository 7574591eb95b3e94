"""The help: what the screen shows and every key, taken from the bindings so that it is never out of date."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from textwrap import wrap
from typing import TYPE_CHECKING, Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingsMap, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen, Screen
from textual.widgets import Static

from benchcon.console.keyline import KeyLine, face_of, key_face
from benchcon.kinds import kinds
from benchcon.view.dark_keys import DARK, END_DARK
from benchcon.view.palette import BRASS, ENGRAVED, IVORY

if TYPE_CHECKING:
    from benchcon.console.ask import HelpAbout
    from benchcon.console.bench_app import BenchApp

ABOUT = f"""\
Every part is drawn where it is on the panel. ○ is a lamp that is off, ● one that is lit, in its own colour, with its \
level beside it; □ a button released, ■ pressed; ▄ ▀ a switch down and up; ◆ a selector's position. \
“? not known” means that the board is silent, lost or released: nothing shown there is current.

The part touched last (a control by hand, a lamp or display by a key) is shown in large letters below the face.

Dark ({DARK} or Ctrl-D, at any moment, from any screen) puts every output off and holds it off until \
End dark ({END_DARK}), which restores nothing: every output stays off until something sets it again. If a \
board does not confirm within half a second the screen says so: pull the plug. Quitting makes everything dark, too; if \
this program dies, the boards go dark by themselves after two seconds.

Lamps under test: no lamp flashes more than three times a second, nor do all of them in turn, and no board is asked \
for more current than its \
budget in the panel file; what was held back for that is counted under Links.

Colours: the ground is dark whatever the terminal's own theme is; with NO_COLOR set (NO_COLOR=1 benchcon) no colours \
are sent, and the terminal's own are used. Nothing is shown by colour alone."""

WORDS = (
    ("[▄] or ┊▐██▌┊", "it has a guard, a cover that flips up; whether the cover is up is not known"),
    ("history 3:20", "how much of what happened is kept in memory, ten minutes at most; k saves it to a file"),
    (
        "● REC, ● SAVING",
        "a capture is being written: REC from r until r again, SAVING the last 10 minutes and the next one after k",
    ),
    ("lines/s", "lines of the protocol that the board sends per second"),
    ("heard", "how long ago the last heartbeat came from the board; it is silent after three missed ones"),
    ("round trip, worst", "time from a request to its answer: the last one, and the longest"),
    ("◍ bad cable", "what is wrong with a link, judging by the last minutes; Links says what to do first"),
    ("curves", "under Links: the last five minutes of round trip, bad lines, heartbeats and supply"),
    ("bad checks", "lines that arrived damaged: noise, a bad cable, a wrong rate"),
    ("gaps", "notifications that were lost on the way; what they said is asked for again"),
    ("board dropped", "notifications that the board itself had no room for"),
    ("board heard bad", "lines that reached the board damaged"),
    ("repeats, given up", "requests sent again, and those that were never answered"),
    ("refused", "requests that the board refused"),
    ("held back", "what was not sent, to keep to three flashes a second and to the current budget"),
    ("worst loop", "the longest round of the board's program: shorter presses than that can be missed"),
    ("buffer", "bytes that the board can take in one go"),
    ("dead-man", "after this long without a word from this program the board goes dark by itself"),
    ("no supply", "the board reports that the supply of its outputs is gone: nothing is lit, whatever is sent"),
    ("invalid", "transitions of an encoder that no turn makes: contact bounce, or turned too fast"),
    ("min, max", "minimum and maximum since the board first answered"),
)
"""Words on the screen, each with an explanation."""

_KINDS = {
    "lamp": "Face: a lamp",
    "display": "Face: a display",
    "type": "Face: a display",
    "typed": "Face: a display",
    "untype": "Face: a display",
    "button": "Face: a simulated button",
    "switch": "Face: a simulated switch",
    "pot": "Face: a simulated knob",
}
"""Section in which a key of the face is listed, by the first word of its action."""

_STEPS = {
    "Face: a lamp": ("Brighter", "Dimmer"),
    "Face: a display": ("One up", "One down"),
    "Face: a simulated switch": ("Next position", "Position before"),
    "Face: a simulated knob": ("Turn up", "Turn down"),
}
"""What ``more`` and ``less`` do to each kind of part, by section."""


def by_kind(title: str, bindings: BindingsMap) -> list[tuple[str, list[Binding]]]:
    """Return the face's keys grouped by the kind of part that they operate; other groups are unchanged."""
    found: dict[str, list[Binding]] = {title: []}
    steps: dict[str, list[Binding]] = {}
    for _, binding in bindings:
        if binding.action in ("more", "less"):
            steps.setdefault(binding.action, []).append(binding)
            continue
        kind = _KINDS.get(binding.action.partition("_")[0].partition("(")[0], title) if title == "Face" else title
        found.setdefault(kind, []).append(binding)
    if steps:
        for kind, words in _STEPS.items():
            for action, word in zip(("more", "less"), words, strict=True):
                found.setdefault(kind, []).extend(
                    replace(binding, description=word, key_display=None) for binding in steps.get(action, ())
                )
    return list(found.items())


def _keys_and_words(bindings: Iterable[Binding]) -> list[tuple[list[str], str]]:
    """Return keys and what they do; each key once, with all that it does at different times."""
    seen: dict[str, list[str]] = {}
    for binding in bindings:
        if binding.description and not binding.system:
            faces = seen.setdefault(binding.description, [])
            # A key that stands for several on the key line is listed with all of them, except the ten numerals.
            face = key_face(binding) if binding.action.startswith("type(") else face_of(binding.key)
            if face not in faces:
                faces.append(face)
    by_keys: dict[tuple[str, ...], list[str]] = {}
    for word, faces in seen.items():
        by_keys.setdefault(tuple(faces), []).append(word)
    return [(list(faces), " / ".join(words)) for faces, words in by_keys.items()]


_OF_EVERY_SCREEN = frozenset((each.action, each.description) for _, each in BindingsMap(Screen.BINDINGS))
"""Keys that Textual gives to every screen, by action and words: they are no part of a question."""


def help_for(app: BenchApp) -> Help:
    """Return help about the screen: about a question if there is one, else opened at the section of the view."""
    screen = app.screen
    about: HelpAbout | None = getattr(screen, "help_about", None)
    everywhere = [each for _, each in BindingsMap(app.BINDINGS) if each.priority]
    if about is not None:
        keys = BindingsMap([])
        for source in (screen._bindings, BindingsMap(getattr(screen.focused, "HELP_KEYS", ()))):
            for key, binding in source:
                if (binding.action, binding.description) not in _OF_EVERY_SCREEN:
                    keys.key_to_bindings.setdefault(key, []).append(binding)
        keys = BindingsMap(binding for _, binding in keys if screen.check_action(binding.action, ()) is not False)
        return Help([("Here", keys), ("Everywhere", BindingsMap(everywhere))], about=about)
    groups = getattr(screen, "help_groups", None)
    return Help(groups()) if groups is not None else Help(*_bench_groups(app))


def _bench_groups(app: BenchApp) -> tuple[list[tuple[str, BindingsMap]], str]:
    """Return the keys of every view and screen, and the section to open at."""
    from benchcon.console.bench_screen import BenchScreen
    from benchcon.console.event_list import EventList
    from benchcon.console.face import Face
    from benchcon.console.links import LinksView
    from benchcon.console.matching_screen import MatchingScreen
    from benchcon.console.raw import Raw
    from benchcon.console.rehearsal import RehearsalList
    from benchcon.console.timeline import TimeLine
    from benchcon.console.timing_screen import TimingScreen
    from benchcon.console.transport import TRANSPORT_KEYS
    from benchcon.console.walk.screen import WalkScreen
    from benchcon.console.walk.soak_screen import SoakScreen
    from benchcon.console.walk.wiggle_screen import WiggleScreen

    own_screens: dict[type[Screen[Any]], str] = {
        TimingScreen: "Timing",
        WalkScreen: "Walk",
        WiggleScreen: "Wiggle test",
        SoakScreen: "Soak",
        MatchingScreen: "Evenly bright",
    }
    live = app.session.live
    own = [each for _, each in BindingsMap(app.BINDINGS) if live or app.check_action(each.action, ()) is not False]
    groups = [("Everywhere", BindingsMap(own))]
    playing = "Playing back a capture"
    if not live:
        groups.append((playing, BindingsMap(TRANSPORT_KEYS)))
    views = [each for each in BenchScreen.BINDINGS if each not in TRANSPORT_KEYS]
    groups.append(("Views", BindingsMap(views)))
    for title, owner in (
        ("Face", Face),
        ("Raw", Raw),
        ("Events", EventList),
        ("Links", LinksView),
        ("Time", TimeLine),
    ):
        left_out = ("hold" if live else "pause") if owner is EventList else ""
        groups.append((title, BindingsMap(each for each in owner.BINDINGS if _action(each) != left_out)))
    if live:
        groups.append((f"{playing} (benchcon replay FILE; n is next mark there)", BindingsMap(TRANSPORT_KEYS)))
        groups += [(title, BindingsMap(screen.BINDINGS)) for screen, title in own_screens.items()]
    else:
        groups.append(("Timing", BindingsMap(TimingScreen.BINDINGS)))
    if app.model.rehearsal is not None:
        groups.append(("Rehearsal", BindingsMap(RehearsalList.BINDINGS)))
    here = own_screens.get(type(app.screen), "")
    if isinstance(app.screen, BenchScreen) and app.screen.view != "face":
        here = app.screen.view.capitalize()
    return groups, here


def _action(binding: BindingType) -> str:
    return binding.action if isinstance(binding, Binding) else binding[1]


class HelpText(VerticalScroll):
    """The text, with the keys that scroll it on the key line, as nothing else shows that there is more."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "scroll_down", "Scroll", key_display="↑ ↓"),
        Binding("pagedown", "page_down", "Page", key_display="PgUp PgDn"),
    ]


class Help(ModalScreen[None]):
    """The help screen: keys by where they work."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,f1,question_mark,q", "close", "Back")]

    def __init__(
        self, groups: Iterable[tuple[str, BindingsMap]], at: str = "", *, about: HelpAbout | None = None
    ) -> None:
        """`at` is the section to open at. With `about` the help is about a question only."""
        super().__init__()
        self._groups = list(groups)
        self._at = at
        self._about = about

    def compose(self) -> ComposeResult:
        """Yield the text, which scrolls, and the keys."""
        with HelpText(id="help"):
            for text in self._sections():
                section = Static(text)
                section.set_class(bool(self._at) and text.plain.startswith(f"{self._at}\n"), "-here")
                yield section
        yield KeyLine()

    def on_mount(self) -> None:
        """Scroll to the section to open at, and let the arrow keys scroll."""
        scroll = self.query_one(HelpText)
        scroll.focus()
        for section in self.query(".-here"):
            self.call_after_refresh(scroll.scroll_to_widget, section, top=True, animate=False, force=True)
            break

    def _text(self) -> Text:
        return Text("\n").join(self._sections())

    def _sections(self) -> Iterator[Text]:
        if self._about is not None:
            yield Text(f"{self._about.title}\n", f"bold {IVORY}")
            for paragraph in (self._about.why, self._about.more):
                if paragraph:
                    yield Text(f"{paragraph}\n", ENGRAVED)
        # Each section ends with a line break, which makes the blank line before the next.
        yield Text("Keys\n", f"bold {IVORY}")
        for title, bindings in (each for group in self._groups for each in by_kind(*group)):
            rows = _keys_and_words(bindings)
            if not rows:
                continue
            text = Text(f"{title}\n", f"bold {BRASS}")
            for faces, word in rows:
                first, *more = wrap(word, 44)
                text.append(f"  {'  '.join(faces):<26}", IVORY)
                text.append(f"{first}\n" + "".join(f"{'':28}{line}\n" for line in more), ENGRAVED)
            yield text
        if self._about is not None:
            return
        text = Text("What it shows\n\n", f"bold {IVORY}")
        text.append(ABOUT, ENGRAVED)
        text.append("\n\nWords on the screen\n\n", f"bold {IVORY}")
        for word, meaning in WORDS:
            first, *more = wrap(meaning, 50)
            text.append(f"  {word:<20}", IVORY)
            text.append(f"{first}\n" + "".join(f"{'':22}{line}\n" for line in more), ENGRAVED)
        yield text
        text = Text("\nWhat a walk can find, and where to look first\n\n", f"bold {IVORY}")
        for kind in kinds().values():
            if kind.found:
                text.append(f"  {kind.name}\n", IVORY)
                for line in wrap(f"{kind.means}; {kind.look}", 68):
                    text.append(f"      {line}\n", ENGRAVED)
        yield text

    def action_close(self) -> None:
        """Close the help."""
        self.dismiss(None)
