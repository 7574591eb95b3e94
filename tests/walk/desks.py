"""The demo's desks with a bench on them, for walks in the same process."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from benchcon.demo import Demo, panel_path, start
from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.findings import Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.session import LiveSession
from benchcon.walk.channel_changes import missing_boards
from benchcon.walk.interfaces import FaceAnswer, Scene, SimulatedHandFace
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner

PATIENCE_S = 60.0


class Desks:
    """Three simulated desks, linked."""

    def __init__(self, faults: Path | None = None) -> None:
        self.panel = load(panel_path())
        self.demo: Demo = start(faults)
        self.hands = self.demo.hands
        self._at_first = {board: hand.where() for board, hand in self.hands.items()}
        self.bench = Bench([desk.port for desk in self.demo.boards], panel=self.panel, keep=False)
        self.session = LiveSession(self.bench, self.panel, self.hands)
        self._heard = threading.Event()
        self.session.subscribe(lambda events: self._heard.set())
        self.bench.start()
        self.wait(lambda: not missing_boards(self.session, self.panel))

    def wait(self, test: Callable[[], bool]) -> None:
        """Wait until `test` holds, looking whenever a board has said something."""
        for _ in range(int(PATIENCE_S / 0.1)):
            self._heard.clear()
            if test():
                return
            self._heard.wait(0.1)
        raise AssertionError("this did not come")

    def at_rest(self) -> None:
        """No faults, every switch as it was at first, buttons released, no board dark; waits until it is heard."""
        for hand in self.hands.values():
            hand.clear()
        for control in self.panel.controls:
            board = control.channels[0].board
            hand, first = self.hands[board], self._at_first[board][control.name]
            if control.kind == "button":
                hand.release(control.name)
            elif control.kind != "encoder" and hand.where()[control.name] != first:
                hand.put(control.name, first)
        self.bench.light()
        self.wait(lambda: not missing_boards(self.session, self.panel))
        self.wait(lambda: not any(board.dark or board.no_supply for board in self.session.state.boards.values()))

    def close(self) -> None:
        self.session.close()
        self.demo.close()

    def hand_walk(self, only: Sequence[str] = (), blink_s: float = 0.0, look_s: float = 0.0) -> Walk:
        """Walk with the simulated hand; the waits are cut short."""
        walk = Walk(self.panel, only, rest_us=150_000, still_us=1_500_000)
        face = SimulatedHandFace(self.hands, look_s)
        assert Runner(self.session, walk, face, blink_s=blink_s).run()
        assert not face.trouble
        return walk

    def findings(self, only: Sequence[str] = ()) -> list[Finding]:
        return diagnose(self.panel, self.hand_walk(only).evidence)


class Scripted:
    """A face whose answers a test gives: `answer` is asked at each new step or state."""

    simulated = True

    def __init__(self, answer: Callable[[Scene], FaceAnswer | None]) -> None:
        self.answer = answer
        self.scenes: list[Scene] = []
        self.sounds: list[str] = []
        self.warnings: list[str] = []
        self.layout: PanelIndex | None = None
        self.warned = threading.Event()

    def begin(self, layout: PanelIndex, post: Callable[[FaceAnswer], None]) -> None:
        self.layout, self.post = layout, post

    def show(self, scene: Scene) -> None:
        self.scenes.append(scene)
        answer = self.answer(scene)
        if answer is not None:
            self.post(answer)

    def sound(self, word: str) -> None:
        self.sounds.append(word)

    def warn(self, text: str) -> None:
        self.warnings.append(text)
        self.warned.set()

    def end(self) -> None:
        pass
