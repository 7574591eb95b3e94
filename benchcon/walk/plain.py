"""The walk in a plain terminal: one prompt at a time, answers typed as words, one bell for right and two for wrong."""

from __future__ import annotations

import contextlib
import queue
import shutil
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from typing import TextIO

from benchcon.diagnosis.evidence import Seen
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.gate import own_codes
from benchcon.panel.model import Display
from benchcon.panel.segments import POINT, SEGMENTS, decode, encode
from benchcon.walk.guard import AFTER_S, Guard, Press
from benchcon.walk.interfaces import FaceAnswer, Post, Scene
from benchcon.walk.plan import ALL_TO_BE_LIT, Step, lit_but
from benchcon.walk.prompts import by_button

HELP = (
    ("Enter", "it looks right; or: I have done it, and nothing more happened"),
    ("s u r w", "skip, back, again, not wired yet"),
    ("n TEXT", "a note"),
    ("p, p NAME…", "while a control is worked: something lit, or these did"),
    ("?", "this help"),
    ("q", "quit; with a --report folder the walk can be continued from here"),
    (
        "of a lamp",
        "NAME… these lit instead (dim:NAME, red:NAME, flicker:NAME: and how); < or dim, i or flicker, "
        "red … white, x or nothing; NAME=SHOWN of a display that shows something",
    ),
    (
        "of a supply",
        "NAME… these are lit though it is off, or dark though it is on; x or nothing: nothing is lit",
    ),
    (
        "of all lit",
        "NAME… these are dark, dim:NAME… these are dim; x or nothing: nothing is lit",
    ),
    (
        "of a display",
        "what it shows, such as 01.8 or {ACG}; < or dim, i or flicker, x or nothing; NAME=SHOWN for another one",
    ),
)
"""What may be typed and what it means. The letters are the same as in the console's walk."""
INDENT = 15
SCRIPT_S = 60.0
"""How long lines of a script wait for a prompt."""
_Line = tuple[str, float]
"""A typed line, and when it came (monotonic seconds)."""

_COLOURS = ("red", "amber", "green", "blue", "white")


def _drawn(segments: bytes) -> list[str]:
    """Return three rows of text that draw the lit `segments`."""
    places = " A ", "FGB", "EDC"

    def stroke(shape: int, segment: str) -> str:
        lit = segment != " " and shape & 0x40 >> SEGMENTS.index(segment)
        return ("_" if segment in "ADG" else "|") if lit else " "

    def digit(shape: int, row: str) -> str:
        point = "." if row == places[2] and shape & POINT else " "
        return "".join(stroke(shape, segment) for segment in row) + point

    return ["".join(digit(each, row) for each in segments).rstrip() for row in places]


class PlainFace:
    """A face with prompts on one text stream and answers from another."""

    simulated = False

    def __init__(
        self,
        out: TextIO | None = None,
        read: Callable[[], str] | None = None,
        bell: bool = True,
        typed: bool | None = None,
    ) -> None:
        """`read` returns the next line with its end, or an empty text at the end of input (default: standard input).

        `typed` says whether a person types the lines (default: standard input is a terminal). Lines that a person typed
        ahead are discarded, because nobody has looked at what they would answer. Lines of a script wait for their
        prompts.
        """
        self.out = out or sys.stderr
        self.read = read or sys.stdin.readline
        self.bell = bell
        self.typed = (read is None and sys.stdin.isatty()) if typed is None else typed
        self._scene: Scene | None = None
        self._layout: PanelIndex | None = None
        self._guard = Guard()
        self._lines: queue.SimpleQueue[_Line] = queue.SimpleQueue()
        self._shown = 0
        self._instead = self._last = self._late = ""
        self._answered = 0
        self._turn = threading.Condition()

    def begin(self, layout: PanelIndex, post: Post) -> None:
        """Print how to answer, and start to read answers."""
        self._layout = layout
        self._help()
        threading.Thread(target=self._listen, args=(post,), name="answers", daemon=True).start()

    def show(self, scene: Scene) -> None:
        """Print the prompt, once for each step."""
        with self._turn:
            if scene.state in ("ask", "look") and not scene.trouble:
                self._guard.asked(scene.number, time.monotonic())
            else:
                self._guard.nothing_asked()
            self._scene = scene
            self._turn.notify()
        if scene.last != self._last:
            self._last = scene.last
            self._say(self._last and f"  {self._last}")
        if scene.instead != self._instead:
            self._instead = scene.instead
            self._say(self._instead and f"  {self._instead} Enter: that is what it did.")
        if scene.late != self._late:
            self._late = scene.late
            if self._late:
                self.warn(self._late)
        if scene.number == self._shown or scene.state in ("light", "closing", "over"):
            return
        self._shown = scene.number
        self._ask(scene)

    def _ask(self, scene: Scene) -> None:
        """Print the question of a step."""
        prompt = scene.prompt
        step = scene.step
        picture = f"  [{decode(step.picture)}]" if step is not None and step.picture else ""
        self._say("")
        self._say(f"{prompt.number}/{prompt.of}  {prompt.ask}{picture}")
        for row in _drawn(step.picture) if step is not None and step.picture else ():
            self._say(f"      {row}")
        if "already" in prompt.hint:
            self._say(f"      {prompt.hint}")
        if scene.button and self._layout is not None:
            self._say(f"      {by_button(self._layout.part(scene.button), scene.step)}")

    def sound(self, word: str) -> None:
        """Ring one bell for right, two for wrong."""
        bells = {"right": "\a", "wrong": "\a\a"}.get(word, "") if self.bell else ""
        said = {"right": "  ok", "wrong": "  not as expected"}.get(word, "")
        if said:
            own_codes(self.out, bells)
            print(said, file=self.out, flush=True)

    def warn(self, text: str) -> None:
        """Print one line."""
        self._say(f"! {text}")

    def end(self) -> None:
        """Do nothing: there is nothing to release."""

    def _help(self) -> None:
        for key, text in HELP:
            self._say(f"  {key:<{INDENT - 2}}{text}", INDENT)

    def _say(self, text: str, indent: int = 0) -> None:
        """Print `text`, broken between words so that the terminal does not break within one."""
        width = shutil.get_terminal_size().columns if self.out.isatty() else 0
        if width > 0 and len(text) > width:
            lead = len(text) - len(text.lstrip())
            indent = min(indent or lead + 2, width // 2)
            text = textwrap.fill(text, max(width, 20), subsequent_indent=" " * indent, break_on_hyphens=False)
        print(text, file=self.out, flush=True)

    def _listen(self, post: Post) -> None:
        """Take lines until there are no more, or until one leaves the walk."""
        if self.typed:
            threading.Thread(target=self._read_on, name="typed", daemon=True).start()
        ahead: _Line | None = None
        while True:
            if self.typed:
                line = ahead or self._lines.get()
            else:
                # Each line of a script waits for its prompt.
                with self._turn:
                    there = self._turn.wait_for(self._is_open, SCRIPT_S)
                if not there:
                    self._say(f"! nothing could be asked for {SCRIPT_S:.0f} s, and a script cannot correct that")
                line = self.read() if there else "", 0.0
            ahead = None
            if not line[0]:
                post(FaceAnswer("leave"))
                return
            answer = self._meant(line[0].strip())
            if answer is None:
                continue
            if self.typed and answer.word not in ("leave", "note", "lit"):
                taken, ahead = self._looked_at(line)
                if not taken:
                    continue
            post(answer)
            if answer.word == "leave":
                return
            if answer.word not in ("note", "lit"):
                self._answered = answer.step

    def _read_on(self) -> None:
        """Read lines as they come, to know when each came."""
        while True:
            text = self.read()
            self._lines.put((text, time.monotonic()))
            if not text:
                return

    def _meant(self, text: str) -> FaceAnswer | None:
        """Return the answer in a typed line; None if it asks for help, or means nothing."""
        scene, layout = self._scene, self._layout
        if text in ("?", "h", "help"):
            self._help()
            if scene is not None and scene.state in ("ask", "look"):
                self._ask(scene)  # which the help has pushed up
            return None
        if scene is None or layout is None:
            return None
        try:
            return understood(text, scene, layout)
        except Trouble as trouble:
            self._say(f"? {trouble}")
            return None

    def _looked_at(self, line: _Line) -> tuple[bool, _Line | None]:
        """Return whether the person can have seen what `line` answers, and a line that came meanwhile."""
        key, ahead = line[0].strip() or "Enter", None
        with self._turn:
            verdict = self._guard.pressed(key, line[1])
        if verdict is Press.MAYBE:
            with contextlib.suppress(queue.Empty):
                ahead = self._lines.get(timeout=AFTER_S)
            if ahead is not None and ahead[0] == line[0] and ahead[1] - line[1] < AFTER_S:
                return False, ahead  # a key is held down
            with self._turn:
                verdict = self._guard.settled()
        if verdict is Press.EARLY and self._scene is not None and self._scene.trouble and line[0].strip() in _KEYS:
            return True, ahead  # these only leave the step, and prove nothing
        if verdict is Press.EARLY:
            away = self._scene is not None and self._scene.trouble
            self._say("  (not taken: the walk waits)" if away else "  (not taken: look first)")
        return verdict is Press.TAKEN, ahead

    def _is_open(self) -> bool:
        """Return whether a prompt waits for an answer."""
        scene = self._scene
        return scene is not None and scene.number != self._answered and scene.state in ("ask", "look")


_KEYS = {
    "s": "skip",
    "skip": "skip",
    "u": "back",
    "b": "back",
    "back": "back",
    "r": "again",
    "a": "again",
    "again": "again",
    "w": "not wired",
    "q": "leave",
}


_SHORT = {"<": "dim", "i": "flicker", "x": "nothing"}
"""The console's keys, and the words for them."""
_WORDS = frozenset({*_SHORT, *_SHORT.values(), *_COLOURS})


def understood(text: str, scene: Scene, layout: PanelIndex) -> FaceAnswer:
    """Return the answer that a typed line gives at `scene`. Raises `Trouble` if it means nothing."""
    number, step = scene.number, scene.step
    if text in _KEYS:
        return FaceAnswer(_KEYS[text], number)
    if text[:2] == "n " or text == "n":
        if not text[2:].strip():
            raise Trouble("a note needs its words: n TEXT")
        return FaceAnswer("note", text=text[2:].strip())
    if step is None or scene.state not in ("look", "light"):
        if text.split()[:1] in (["p"], ["lit"]):
            return _lit(text.partition(" ")[2], number, layout)
        if text:
            raise Trouble(f"'{text[:40]}' means nothing here; Enter says that it is done, s skips")
        return FaceAnswer("done", number)
    if not text or text in ("y", "yes", "same"):
        return FaceAnswer("same", number)
    one = step.do in ("lamp", "display")
    part = layout.part(step.parts[0]) if one else None
    if isinstance(part, Display):
        return _display(text, scene, layout, part)
    if step.supply:
        return _of_supply(text, number, step, layout)
    if step.do in ALL_TO_BE_LIT:
        return _of_several(text, number, step, layout)
    lamps: dict[str, Seen] = {}
    displays: dict[str, bytes] = {}
    own = step.parts[0] if one else ""
    text = layout.with_names(text, _WORDS)
    for word in text.replace(",", " ").split():
        word = _SHORT.get(word, word)
        if word == "nothing":
            continue
        display, equals, shown = word.partition("=")
        if equals and display in layout.displays:
            displays[display] = encode(shown, layout.displays[display].digits)
            continue
        how, colon, name = word.rpartition(":")
        if not colon and own and (word in ("dim", "flicker") or word in _COLOURS):
            how, name = word, own
        if name not in layout.lamps:
            raise Trouble(f"there is no lamp '{name[:40]}'; there are: {', '.join(layout.lamps)}")
        old = lamps.get(name, Seen())
        if how == "dim":
            lamps[name] = Seen("dim", old.colour, old.flickering)
        elif how == "flicker":
            lamps[name] = Seen(old.level, old.colour, True)
        elif how in _COLOURS or not how:
            lamps[name] = Seen(old.level, how or old.colour, old.flickering)
        else:
            raise Trouble(f"'{how[:20]}' is not how a lamp can look; allowed: dim, flicker, {', '.join(_COLOURS)}")
    return FaceAnswer("otherwise", number, lamps=lamps, displays=displays)


def _lit(text: str, number: int, layout: PanelIndex) -> FaceAnswer:
    """Return the answer that something lit while a control was worked; `text` names what, or is empty."""
    names = layout.with_names(text).casefold().replace(",", " ").split()
    for name in names:
        if name not in layout.lamps and name not in layout.displays:
            raise Trouble(
                f"there is no lamp or display '{name[:40]}'; there are: {', '.join((*layout.lamps, *layout.displays))}"
            )
    return FaceAnswer("lit", number, dict.fromkeys(names or [""], Seen()))


def _of_supply(text: str, number: int, step: Step, layout: PanelIndex) -> FaceAnswer:
    """Return the answer that outputs were lit although their supply is off, or dark although it is on."""
    if _SHORT.get(text, text) == "nothing":
        return FaceAnswer("otherwise" if step.do == "supplied" else "same", number)
    names = layout.with_names(text, _WORDS).casefold().replace(",", " ").split()
    for name in names:
        if name not in step.parts:
            raise Trouble(f"'{name[:40]}' is not among what the supply feeds; there are: {', '.join(step.parts)}")
    return FaceAnswer("otherwise", number, lit_but(step, names))


def _of_several(text: str, number: int, step: Step, layout: PanelIndex) -> FaceAnswer:
    """Return the answer that some outputs were dark or dim while all were lit together."""
    if _SHORT.get(text, text) == "nothing":
        return FaceAnswer("otherwise", number)
    dark: list[str] = []
    dim: dict[str, Seen] = {}
    for word in layout.with_names(text, _WORDS).casefold().replace(",", " ").split():
        how, _, name = word.rpartition(":")
        if name not in step.parts:
            raise Trouble(f"'{name[:40]}' is not among what is lit here; there are: {', '.join(step.parts)}")
        if how not in ("", "dim", "<"):
            raise Trouble(f"'{how[:20]}' means nothing here; NAME is dark, dim:NAME is dim")
        dark.append(name)
        if how:
            dim[name] = Seen("dim")
    return FaceAnswer("otherwise", number, lit_but(step, dark) | dim)


def _display(text: str, scene: Scene, layout: PanelIndex, part: Display) -> FaceAnswer:
    picture = scene.wants.displays.get(part.name, b"")
    text = _SHORT.get(text, text)
    if text == "dim":
        return FaceAnswer("otherwise", scene.number, displays={part.name: picture}, level="dim")
    if text == "flicker":
        return FaceAnswer("otherwise", scene.number, displays={part.name: picture}, flickering=True)
    if text == "nothing":
        return FaceAnswer("otherwise", scene.number)
    name, equals, shown = text.partition("=")
    name = layout.with_names(name)
    if equals and name.strip() in layout.displays:
        other = layout.displays[name.strip()]
        assert isinstance(other, Display)
        return FaceAnswer("otherwise", scene.number, displays={other.name: encode(shown.strip(), other.digits)})
    return FaceAnswer("otherwise", scene.number, displays={part.name: encode(text, part.digits)})
