"""The walk's thread behind the screen: it walks, keeps the journal, writes the report, and posts events."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from textual.message import Message
from textual.message_pump import MessagePump

from benchcon.console.walk.begin import UNSIGNED, Signature
from benchcon.console.walk.resumed import other_boards
from benchcon.console.walk.tally import Tally
from benchcon.diagnosis.layout import PanelIndex
from benchcon.errors import Trouble
from benchcon.report.folder import Folder
from benchcon.walk.identities import identities
from benchcon.walk.interfaces import FaceAnswer, Post, Scene
from benchcon.walk.journal import FinishedStep
from benchcon.walk.machine import Walk
from benchcon.walk.report_header import Sitting, about
from benchcon.walk.runner import Runner

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.session import LiveSession


class WalkEvent(Message):
    """An event of the walk: ``scene``, ``sound``, ``warn``, ``counts``, or ``end`` (report or None, and trouble)."""

    def __init__(self, what: str, value: Any = None) -> None:
        super().__init__()
        self.what, self.value = what, value


class WalkThread:
    """One walk, which may be paused and continued. It is the runner's face, and posts everything to `screen`."""

    simulated = False

    def __init__(
        self,
        screen: MessagePump,
        session: LiveSession,
        panel: Panel,
        folder: Folder | None,
        only: Sequence[str] = (),
        signed: Signature = UNSIGNED,
    ) -> None:
        """`only` names the parts to walk (empty: all); `signed` is who walks, and the panel's serial number."""
        self.session, self.panel, self.folder, self.only = session, panel, folder, list(only)
        self._tally = Tally(panel, lambda counts: self._tell("counts", counts))
        self._screen = screen
        self._sitting = Sitting(signed.by, signed.serial)
        self._runner: Runner | None = None
        self._thread: threading.Thread | None = None
        self._post: Post | None = None

    def start(self) -> None:
        """Start the walk, or continue an interrupted one in the folder. Raises `Trouble` if that is not possible."""
        self._walk(self.folder.unfinished(self.panel) if self.folder else [])

    def go_on(self) -> None:
        """Continue with what is not done yet. Raises `Trouble` if that is not possible."""
        self._walk(list(self._runner.walk.done.values()) if self._runner is not None else [])

    def again(self, names: Sequence[str]) -> None:
        """Walk the parts `names` once more, and steps that are about no single part; other results are kept.

        Raises `Trouble` if that is not possible.
        """
        done = list(self._runner.walk.done.values()) if self._runner is not None else []
        # Hands off and all dark take no time, and are asked again as well.
        kept = [d for d in done if d.group.is_part and d.group.name not in names]
        self.only = list(names) or [d.group.name for d in kept]
        self._walk(kept)

    def other_boards(self) -> str:
        """Return in words which boards are not the same as when the walk in the folder was interrupted, if any."""
        try:
            done = self.folder.unfinished(self.panel) if self.folder is not None else []
        except Trouble:
            return ""
        if self.folder is None or not done:
            return ""
        return other_boards(self.folder, self.panel, done, identities(self.session, self.panel), how=False)

    def can_go_on(self) -> bool:
        """Return whether a walk started with this folder would continue where this one was left."""
        try:
            return self.folder is not None and bool(self.folder.unfinished(self.panel))
        except Trouble:
            return False

    def post(self, answer: FaceAnswer) -> None:
        """Pass an answer to the walk."""
        if self._post is not None:
            self._post(answer)

    def leave(self) -> None:
        """End the walk as soon as possible, and keep what was done; ``end`` is posted when it has ended."""
        if self._runner is not None:
            self._runner.leave()

    def close(self) -> None:
        """End the walk, and wait until it has ended."""
        self._tally.close()
        self.leave()
        if self._thread is not None:
            self._thread.join(2)

    def _walk(self, done: Iterable[FinishedStep]) -> None:
        groups = list(done)
        if self.folder is not None:
            began = self.folder.open(
                self.panel, self._sitting.began, groups, lambda: identities(self.session, self.panel)
            )
            if began != self._sitting.began:
                self._sitting.goes_on(began, groups)
        write = self.folder.write if self.folder else lambda line: None
        self._runner = Runner(self.session, Walk(self.panel, self.only, groups), self, write)
        self._thread = threading.Thread(target=self._run, args=(self._runner,), name="walk", daemon=True)
        self._thread.start()

    def _run(self, runner: Runner) -> None:
        """Run the walk; called on the thread."""
        from benchcon.report.walk import build

        trouble = ""
        report: dict[str, Any] | None = None
        try:
            if runner.run():
                judged_on = self.folder.judged_on() if self.folder is not None else {}
                head = about(self.session, self.panel, self._sitting, runner.conditions.boards, judged_on)
                report = build(self.panel, runner.walk.done.values(), head)
                if self.folder is not None:
                    self.folder.finish(report, self.panel, None)
        except Trouble as error:
            trouble = str(error)
        finally:
            if self.folder is not None:
                self.folder.close()
        self._tell("end", (report, trouble))

    def _tell(self, what: str, value: object) -> None:
        self._screen.post_message(WalkEvent(what, value))

    # The runner's face ----------------------------------------------------------------------------------------------

    def begin(self, layout: PanelIndex, post: Post) -> None:
        """Remember `post`, which takes answers."""
        self._post = post

    def show(self, scene: Scene) -> None:
        """Post a new scene."""
        if self._runner is not None:
            self._tally.count(list(self._runner.walk.done.values()))
        self._tell("scene", scene)

    def sound(self, word: str) -> None:
        """Post a sound."""
        self._tell("sound", word)

    def warn(self, text: str) -> None:
        """Post a line for the person to read."""
        self._tell("warn", text)

    def end(self) -> None:
        """Do nothing: the thread posts ``end`` once the report is written."""
