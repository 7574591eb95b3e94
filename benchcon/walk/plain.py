"""The walk in a plain terminal: one prompt at a time, answers typed as words, a bell that tells right from wrong."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from typing import TextIO

from benchcon.errors import Trouble
from benchcon.panel.model import Digits
from benchcon.panel.segments import decode, encode
from benchcon.walk.evidence import Seen
from benchcon.walk.faces import Answer, Post, Scene
from benchcon.walk.layout import Layout

HELP = """\
  Enter   it looks as it should; or: I have done it, and nothing happened
  s skip  b back  a again  w not wired yet  n TEXT a note  q leave (the walk goes on from here next time)
  of a lamp:    NAME…  these lit instead (dim:NAME, red:NAME, flicker:NAME: and how)
                dim, flicker, red … white, nothing; NAME=SHOWN of a display that shows something
  of a display: what it shows, such as 01.8 or {ACG}; dim, flicker, nothing; or NAME=SHOWN for another one"""

_COLOURS = ("red", "amber", "green", "blue", "white")


class PlainFace:
    """Prompts on a text stream, answers from another."""

    robot = False

    def __init__(self, out: TextIO | None = None, read: Callable[[], str] | None = None, bell: bool = True) -> None:
        """`read` returns the next line typed, with its end; empty when there is no more (default: standard input)."""
        self.out = out or sys.stderr
        self.read = read or sys.stdin.readline
        self.bell = bell
        self._scene: Scene | None = None
        self._layout: Layout | None = None
        self._shown = 0
        self._answered = 0
        self._news = threading.Condition()

    def begin(self, layout: Layout, post: Post) -> None:
        """Say how to answer, and listen."""
        self._layout = layout
        self._say(HELP)
        threading.Thread(target=self._listen, args=(post,), name="answers", daemon=True).start()

    def show(self, scene: Scene) -> None:
        """Print the prompt once a step."""
        with self._news:
            self._scene = scene
            self._news.notify()
        if scene.number == self._shown or scene.state in ("light", "closing", "over"):
            return
        self._shown = scene.number
        prompt = scene.prompt
        step = scene.step
        picture = f"  [{decode(step.picture)}]" if step is not None and step.picture else ""
        self._say(f"\n{prompt.number}/{prompt.of}  {prompt.ask}{picture}")
        if scene.button and self._layout is not None:
            label = self._layout.part(scene.button).label or scene.button
            self._say(f"      {label} answers too: short for yes, long for no (of a lamp: nothing lit)")

    def sound(self, word: str) -> None:
        """One bell for right, two for wrong."""
        bells = {"right": "\a", "wrong": "\a\a"}.get(word, "") if self.bell else ""
        self._say(bells + {"right": "  ok", "wrong": "  not as expected"}.get(word, ""))

    def warn(self, text: str) -> None:
        """Print one line."""
        self._say(f"! {text}")

    def end(self) -> None:
        """Nothing is held."""

    def _say(self, text: str) -> None:
        if text:
            print(text, file=self.out, flush=True)

    def _listen(self, post: Post) -> None:
        layout = self._layout
        assert layout is not None
        while True:
            # One line answers one prompt, so what is typed ahead waits for the prompt that it belongs to.
            with self._news:
                self._news.wait_for(self._is_open)
            line = self.read()
            scene = self._scene
            assert scene is not None
            if not line:
                post(Answer("leave"))
                return
            try:
                answer = understood(line.strip(), scene, layout)
            except Trouble as trouble:
                self._say(f"? {trouble}")
                continue
            post(answer)
            if answer.word == "leave":
                return
            if answer.word != "note":
                self._answered = scene.number

    def _is_open(self) -> bool:
        """Whether there is a prompt that waits for a person, who has not answered it yet."""
        scene = self._scene
        return scene is not None and scene.number != self._answered and scene.state in ("ask", "look")


_KEYS = {
    "s": "skip",
    "skip": "skip",
    "b": "back",
    "back": "back",
    "a": "again",
    "again": "again",
    "w": "not wired",
    "q": "leave",
}


def understood(text: str, scene: Scene, layout: Layout) -> Answer:
    """Return what a typed line means at `scene`. Raises `Trouble` with one line if it means nothing."""
    number, step = scene.number, scene.step
    if text in _KEYS:
        return Answer(_KEYS[text], number)
    if text[:2] == "n " or text == "n":
        if not text[2:].strip():
            raise Trouble("a note needs its words: n TEXT")
        return Answer("note", text=text[2:].strip())
    if step is None or scene.state not in ("look", "light"):
        if text:
            raise Trouble(f"'{text[:40]}' means nothing here; Enter says that it is done, s skips")
        return Answer("done", number)
    if not text or text in ("y", "yes", "same"):
        return Answer("same", number)
    part = layout.part(step.parts[0]) if step.parts else None
    if isinstance(part, Digits):
        return _display(text, scene, layout, part)
    lamps: dict[str, Seen] = {}
    displays: dict[str, bytes] = {}
    own = step.parts[0] if step.parts else ""
    for word in text.replace(",", " ").split():
        if word == "nothing":
            continue
        display, equals, shown = word.partition("=")
        if equals and display in layout.digits:
            displays[display] = encode(shown, layout.digits[display].places)
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
            raise Trouble(f"'{how[:20]}' is no way for a lamp to look; allowed: dim, flicker, {', '.join(_COLOURS)}")
    return Answer("otherwise", number, lamps=lamps, displays=displays)


def _display(text: str, scene: Scene, layout: Layout, part: Digits) -> Answer:
    picture = scene.wants.digits.get(part.name, b"")
    if text == "dim":
        return Answer("otherwise", scene.number, displays={part.name: picture}, level="dim")
    if text == "flicker":
        return Answer("otherwise", scene.number, displays={part.name: picture}, flickering=True)
    if text == "nothing":
        return Answer("otherwise", scene.number)
    name, equals, shown = text.partition("=")
    if equals and name.strip() in layout.digits:
        other = layout.digits[name.strip()]
        assert isinstance(other, Digits)
        return Answer("otherwise", scene.number, displays={other.name: encode(shown.strip(), other.places)})
    return Answer("otherwise", scene.number, displays={part.name: encode(text, part.places)})
