"""User interfaces of the walk, called faces: they show prompts, make sounds and post answers. Also that of a simulated
hand, which needs no person."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from benchcon.diagnosis.evidence import Seen
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.panel.lightness import lit_permille, sent_permille
from benchcon.panel.model import Control
from benchcon.panel.reading import share_permille
from benchcon.rig.hand import Hand
from benchcon.text import printable
from benchcon.walk.plan import ALL_TO_BE_LIT, LOOKS, Step
from benchcon.walk.prompts import Prompt
from benchcon.walk.wants import Wants

WORDS = ("done", "same", "otherwise", "lit", "skip", "back", "again", "not wired", "note", "acting", "leave")


@dataclass(frozen=True, slots=True)
class FaceAnswer:
    """An answer from a face. `step` is the number of the step that it answers; 0 stands for the current one."""

    word: str
    """One of `WORDS`."""
    step: int = 0
    lamps: Mapping[str, Seen] = field(default_factory=dict)
    """With `otherwise`, every lamp that was lit. With `lit`, those that lit while a control was worked; an empty name
    stands for one that is not known."""
    displays: Mapping[str, bytes] = field(default_factory=dict)
    """With `otherwise`, every display that showed something, and what (segments)."""
    level: str = "full"
    flickering: bool = False
    text: str = ""
    """With `note`, its text."""


Post = Callable[[FaceAnswer], None]


@dataclass(frozen=True, slots=True)
class Scene:
    """The state of the walk, for a face to show. It is immutable and may be read from any thread."""

    prompt: Prompt
    state: str
    number: int
    """Number of the step to answer."""
    step: Step | None
    wants: Wants
    values: Mapping[str, int]
    steady: bool
    """A lamp under test has stopped blinking and is lit steadily."""
    button: str = ""
    """Name of a passed button that may answer: a short press is yes, a long one no."""
    waits: str = ""
    """What the walk waits for, in two words that replace the title; empty if the title stays."""
    instead: str = ""
    """What moved in this step instead of what was asked for, in words."""
    last: str = ""
    """What came of the previous step, if that is not what was asked for."""
    trouble: str = ""
    """Why the walk waits (a board is gone, or dark), and what to do; empty when it does not wait."""
    late: str = ""
    """A message that the outputs are not set yet; empty as soon as they are."""


class WalkInterface(Protocol):
    """A face. Its methods are called on the runner's thread only; it may post answers from any thread."""

    simulated: bool
    """It is a simulated hand, which reports when it is done; steps are shown to it only once the boards are ready."""

    def begin(self, layout: PanelIndex, post: Post) -> None:
        """Begin a walk over the panel `layout`; answers go to `post`."""

    def show(self, scene: Scene) -> None:
        """Show a new state of the walk."""

    def sound(self, word: str) -> None:
        """Make a sound: `word` is ``right``, ``wrong`` or ``over``."""

    def warn(self, text: str) -> None:
        """Show one line that the person should read, such as that a board is gone."""

    def end(self) -> None:
        """End, because the walk is over or was left."""


class SimulatedHandFace:
    """Works the controls of simulated boards through their hands, and answers by what is really lit there."""

    simulated = True

    def __init__(self, hands: Mapping[str, Hand], look_s: float = 0.0) -> None:
        """`hands` are by the board's name on the panel; `look_s` is how long it looks before it answers."""
        self.hands = dict(hands)
        self.look_s = look_s
        self.trouble = ""
        """Why the hand gave up; empty if it did not."""
        self._scenes: queue.Queue[Scene | None] = queue.Queue()
        self._thread: threading.Thread | None = None
        self._layout: PanelIndex | None = None
        self._answered = 0
        self._parts: dict[str, frozenset[str]] = {}
        self._ended = threading.Event()
        self._home: dict[str, dict[str, int]] = {}
        """For each board the positions of its parts before the walk."""
        self._moved = False
        self._lit_before: frozenset[str] | None = None
        """Lamps and displays that were lit at the last look, while all should be dark; None before the first."""

    def begin(self, layout: PanelIndex, post: Post) -> None:
        """Start the hand's own thread."""
        for board, hand in self.hands.items():
            with contextlib.suppress(Trouble):  # an emulated chip knows only single channels
                kinds = hand.parts()
                at = hand.where()
                self._home[board] = {name: to for name, to in at.items() if kinds.get(name, ("",))[0] != "encoder"}
        self._layout = layout
        self._thread = threading.Thread(target=self._work, args=(layout, post), name="simulated hand", daemon=True)
        self._thread.start()

    def show(self, scene: Scene) -> None:
        """Do the step of `scene`, if it is a new one."""
        self._scenes.put(scene)

    def sound(self, word: str) -> None:
        """Do nothing: a simulated hand needs no sounds."""

    def warn(self, text: str) -> None:
        """Do nothing: a simulated hand needs no messages."""

    def end(self) -> None:
        """Stop, and put everything back to where it was before the walk."""
        self._ended.set()
        self._scenes.put(None)
        if self._thread is not None:
            self._thread.join(10)
        self._put_back()

    def _put_back(self) -> None:
        """Put back what was moved: one of the switches may feed the lamps."""
        if not self._moved:
            return
        self._moved = False
        for board, home in self._home.items():
            with contextlib.suppress(Trouble):
                at = self.hands[board].where()
                for name, position in home.items():
                    if at.get(name) != position:
                        self.hands[board].put(name, position)

    def _work(self, layout: PanelIndex, post: Post) -> None:
        while (scene := self._scenes.get()) is not None:
            while not self._scenes.empty():  # only the newest scene counts
                newer = self._scenes.get_nowait()
                if newer is None:
                    return
                scene = newer
            if scene.number == self._answered or scene.step is None:
                continue
            if scene.step.do in LOOKS and self._moved:
                post(FaceAnswer("acting", scene.number))
                self._put_back()
            try:
                if scene.state == "ask":
                    self._answered = scene.number
                    if lit := self._watch(layout):
                        post(FaceAnswer("lit", scene.number, dict.fromkeys(lit, Seen())))
                    post(FaceAnswer("acting", scene.number))
                    self._act(layout, scene.step)
                    post(FaceAnswer("done", scene.number))
                elif scene.state == "look" and scene.steady:
                    self._answered = scene.number
                    self._lit_before = None
                    self._ended.wait(self.look_s)
                    post(self._look(layout, scene))
            except Trouble as trouble:
                self.trouble = str(trouble)
                post(FaceAnswer("leave"))
                return
            except Exception as error:
                # A walk whose hand is gone would wait a minute for each step that is left.
                self.trouble = f"the simulated hand failed: {type(error).__name__}: {printable(str(error))}"
                post(FaceAnswer("leave"))
                raise

    def _watch(self, layout: PanelIndex) -> list[str]:
        """Return what has lit since the previous step although all should be dark; nothing at the first step."""
        lamps, displays = self._seen_of(layout, Wants(), DIM)
        now = frozenset((*lamps, *displays))
        before, self._lit_before = self._lit_before, now
        return sorted(now - before) if before is not None else []

    def _act(self, layout: PanelIndex, step: Step) -> None:
        self._moved = True
        for name in step.parts:
            control = layout.controls[name]
            channel = control.channels[0]
            hand = self._hand(channel.board)
            if step.do == "turn":
                hand.turn(channel.id, step.to)
            elif step.do == "end":
                for percent in self._on_the_way(hand, control, 100 if step.to else 0):
                    hand.put_percent(channel.id, percent)
            elif control.kind == "button":
                (hand.press if step.to else hand.release)(channel.id)
            elif self._knows(channel.board, control.name):
                hand.put(control.name, step.to)
            else:
                self._contact_by_contact(control, step.to)

    def _on_the_way(self, hand: Hand, control: Control, to: int) -> list[int]:
        """Return the places, in percent, through which a potentiometer is turned slowly, so that its travel is seen."""
        if not self._knows(control.channels[0].board, control.name) or control.high_count == control.low_count:
            return [to]
        try:
            counts = hand.where().get(control.name, control.low_count)
        except Trouble:  # firmware on this machine knows its channels, and one may be called what the part is
            return [to]
        right = share_permille(control, counts) / 10
        between = [n for n in range(SWEEP_PERCENT, 100, SWEEP_PERCENT) if min(right, to) < n < max(right, to)]
        return [*(between if to else reversed(between)), to]

    def _knows(self, board: str, name: str) -> bool:
        """Return whether the board's hand has a part of this name. An emulated chip has only single channels."""
        if board not in self._parts:
            try:
                self._parts[board] = frozenset(self._hand(board).parts())
            except Trouble:
                self._parts[board] = frozenset()
        return name in self._parts[board]

    def _contact_by_contact(self, control: Control, to: int) -> None:
        """Move a switch whose hand knows only its contacts: first those that break, then those that make."""
        code = control.codes[to]
        for made in (0, 1):
            for channel, value in zip(control.channels, code, strict=False):
                hand = self._hand(channel.board)
                if value > 1:
                    hand.put(channel.id, value)
                elif value == made:
                    (hand.press if value else hand.release)(channel.id)

    def _hand(self, board: str) -> Hand:
        if board not in self.hands:
            raise Trouble(f"there is no simulated hand for board '{board}': give its HAND with --hand")
        return self.hands[board]

    def _look(self, layout: PanelIndex, scene: Scene) -> FaceAnswer:
        """Look until all is as it should be, or until a lamp has had the time to come on and to go off."""
        expected: dict[str, Seen] = {name: Seen() for name, level in scene.wants.lamps.items() if level}
        pictures = {name: picture for name, picture in scene.wants.displays.items() if any(picture)}
        if scene.step is not None and scene.step.do == "no_supply":
            expected, pictures = {}, {}
        slow = scene.step is not None and scene.step.supply
        for wait_s in (*LOOKS_S, *SUPPLY_LOOKS_S) if slow else LOOKS_S:
            lit, shown = self._seen(layout, scene)
            if (lit, shown) == (expected, pictures):
                return FaceAnswer("same", scene.number)
            self._ended.wait(wait_s)
        lit, shown = self._seen(layout, scene)
        if (lit, shown) == (expected, pictures):
            return FaceAnswer("same", scene.number)
        return FaceAnswer("otherwise", scene.number, lit, shown)

    def _seen(self, layout: PanelIndex, scene: Scene) -> tuple[dict[str, Seen], dict[str, bytes]]:
        """Return what is lit and shown now."""
        dim = DIM_AMONG if scene.step is not None and scene.step.do in ALL_TO_BE_LIT else DIM
        return self._seen_of(layout, scene.wants, dim)

    def _seen_of(self, layout: PanelIndex, wants: Wants, dim: float) -> tuple[dict[str, Seen], dict[str, bytes]]:
        lit: dict[str, Seen] = {}
        shown: dict[str, bytes] = {}
        for board, hand in self.hands.items():
            looks, segments = hand.seen(), hand.shown_all()
            for lamp in layout.lamps.values():
                look = looks.get(lamp.channel.id) if lamp.channel.board == board else None
                if look is not None and look.level_permille > BARELY:
                    wanted = lit_permille(
                        lamp.dimmed, sent_permille(lamp, wants.lamps.get(lamp.name, lamp.on_permille))
                    )
                    lit[lamp.name] = Seen(
                        "dim" if look.level_permille < dim * wanted else "full",
                        "" if look.colour == lamp.colour else look.colour,
                        look.flickering,
                    )
            for display in layout.displays.values():
                picture = segments.get(display.channel.id, b"") if display.channel.board == board else b""
                if any(picture):
                    shown[display.name] = picture
        return lit, shown


SWEEP_PERCENT = 5
"""Percentage of its travel by which a simulated hand turns a potentiometer at a time."""
LOOKS_S = (0.05, 0.1, 0.15)
"""Waits between looks: a lamp dimmed by modulation is measured over a tenth of a second."""
SUPPLY_LOOKS_S = (0.3, 0.4, 0.5, 0.5, 0.5)
"""Further waits after a supply was switched, which takes time to come and to go."""
BARELY = 20
"""Lightness in permille below which a lamp counts as dark."""
DIM = 0.6
"""Share of the wanted lightness below which a lamp counts as dim."""
DIM_AMONG = 0.8
"""The same among others that are lit: half their light (0.76 of their lightness, CIE 1976) is noticed as dim."""

__all__ = ["FaceAnswer", "Post", "Scene", "SimulatedHandFace", "WalkInterface"]
