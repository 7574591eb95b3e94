"""The console's view of its session, gathered once a frame: panel, boards, events, time."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchcon.panel.model import Control, Lamp, Panel, Part
from benchcon.session import ReplaySession, Session
from benchcon.state import BoardState
from benchcon.state.board import find_channel
from benchcon.state.described import Signature, completed, signature
from benchcon.state.keyframe import MOST_BOARDS
from benchcon.text import about, listed, printable
from benchcon.view.board_status import BoardStatus, Darkness, darkness, status_of
from benchcon.view.captures import troubles
from benchcon.view.event_feed import Feed, worth_telling
from benchcon.view.history import History, Past
from benchcon.view.part_work import Tell, Work
from benchcon.view.showing import RULE_ERROR, Showing, boards_of, show
from benchcon.view.steady import Steady, state_of, swing_of
from benchcon.view.stopwatch import Stopwatch

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.rehearse.live import LiveRun
    from benchcon.rehearse.picture import Picture
    from benchcon.view.recorded import Recorded
    from benchcon.view.replay_backlog import ReplayBacklog

NOTICE_S = 0.25
"""How often the link and the capture are asked for problems."""


@dataclass
class HeldPart:
    """A part on the screen, and how it was last shown without being held."""

    steady: Steady
    showing: Showing


class ViewModel:
    """Looks at a session once a frame; every widget draws from it.

    The session's lock is held while showings are worked out, never while they are drawn.
    """

    def __init__(self, session: Session, tell: Tell, rehearsal: LiveRun | None = None) -> None:
        self.session = session
        self.rehearsal = rehearsal
        """The rehearsal on this bench, or None."""
        self.feed = Feed()
        self.work = Work(session, tell)
        self.now_us = 0
        self.panel: Panel = session.panel
        """The session's panel, with a part added for every channel that it does not name."""
        self.boards: dict[str, BoardState] = {}
        """Boards by their names on the panel."""
        self.statuses: dict[str, BoardStatus] = {}
        """Status of each board by its name on the panel."""
        self.darkness = Darkness((), (), ())
        self.history = History()
        self.past: Past = self.history
        """What the time line draws from."""
        self._backlog: ReplayBacklog | None = None
        self._recorded: Recorded | None = None
        if isinstance(session, ReplaySession):
            from benchcon.view.recorded import Recorded
            from benchcon.view.recording_stopwatch import RecordingStopwatch
            from benchcon.view.replay_backlog import ReplayBacklog

            self.stopwatch: Stopwatch = RecordingStopwatch(session)
            self._backlog = ReplayBacklog(session)
            self.past = self._recorded = Recorded(session.path, session.first_us, session.last_us)
        else:
            self.stopwatch = Stopwatch(session)
            self.feed.listeners.append(self.history.note)
            self.feed.watchers.append(self.history.take)
        self.feed.listeners.append(self.stopwatch.take)
        self.rates: dict[int, float] = {}
        """For each source the valid lines a second from the board, over about the last second."""
        self._counted: tuple[int, dict[int, int]] = (0, {})
        self.ports: list[PortInfo] = []
        """The ports of a live bench."""
        self.notices: list[str] = []
        """Present problems, one printable line each."""
        self._noticed = -60.0
        self._read_back = 0
        """Number of events before the present position of a capture that have been asked for."""
        self._seen: tuple[Panel, Signature] | None = None
        self._held: dict[str, HeldPart] = {}
        """Parts on the screen by name."""
        self._unfollow = session.follow(self.feed.change)
        self._unsubscribe = session.subscribe(self.feed.take)
        if self.past is self.history:
            with session.lock:  # values that do not change would never be reported
                self.history.begin(session.state.values)
        self.look()

    def look(self) -> int:
        """Take in what has happened since the last look; return the number of events."""
        self.now_us = self.session.now_us()
        with self.session.lock:
            self._learn()
            self._count()
            boards, now_us = self.boards, self.now_us
            self.statuses = {}
            for each in self.panel.boards:
                board = boards.get(each.name)
                verdict = self.stopwatch.verdicts.get(board.source) if board is not None else None
                self.statuses[each.name] = status_of(board, now_us, verdict, self._absent)
            self.darkness = darkness(boards, now_us)
        self._notice()
        self.stopwatch.look_at_links()
        if self.feed.changes_missed:
            self.feed.changes_missed = False
            self._unfollow()
            self._unfollow = self.session.follow(self.feed.change)
        return self.feed.drain()

    @property
    def _absent(self) -> str:
        """Return the liveness of a board that was never heard: absent, unless one of the ports may still be its."""
        bench = self.session.bench
        if bench is None or not bench.has_ports:
            return "absent"
        undecided = not self.ports or not all(port.decided for port in self.ports)
        return "connecting" if undecided else "absent"

    def show(self, parts: Iterable[Part]) -> list[Showing]:
        """Return how `parts` look at the time of the last look; call it only for parts in view."""
        boards, now_us = self.boards, self.now_us
        with self.session.lock:
            seen = [(part, show(part, boards, now_us, self._absent)) for part in parts]
        looked_us = time.monotonic_ns() // 1000  # real time, whatever the speed of a replay
        found = [self._steady(part, showing, looked_us) if showing.known else showing for part, showing in seen]
        picture = self.rehearsal.picture if self.rehearsal is not None else None
        if picture is None or not picture.mistakes:
            return found
        return [self._by_rule(part, showing, picture) for (part, _), showing in zip(seen, found, strict=True)]

    @staticmethod
    def _by_rule(part: Part, showing: Showing, picture: Picture) -> Showing:
        """Return the showing of a lamp or display, with the rule's error and line if its rule fails."""
        output = picture.output(part.name) if not isinstance(part, Control) else None
        if output is None or not output.wrong or not showing.known:
            return showing
        line = output.where.partition(" ")[0].rpartition(":")[2]
        return showing._replace(word=f"{RULE_ERROR}line {line}", sort="wrong")

    def _steady(self, part: Part, showing: Showing, looked_us: int) -> Showing:
        """Return `showing`, or a held one with a count while the part flashes faster than a screen may."""
        kind = part.kind if isinstance(part, Control) else "lamp" if isinstance(part, Lamp) else "display"
        held = self._held.get(part.name)
        if held is None:
            held = self._held[part.name] = HeldPart(Steady(swing_of(kind)), showing)
        state = state_of(kind, showing.step, showing.level, showing.segments)
        moves = self.feed.moves.get(part.name, 0) if kind in ("button", "switch", "encoder") else 0
        count = held.steady.take(state, looked_us, moves)
        if not count:
            held.showing = showing
            return showing
        fast = isinstance(self.session, ReplaySession) and self.session.speed > 1
        word = "chattering" if isinstance(part, Control) and held.steady.chatters and not fast else "changing"
        return held.showing._replace(word=f"{word} × {count}", sort="held")

    @property
    def latest_us(self) -> int:
        """The latest time of the session in µs: the present, or the end of a capture."""
        return self.session.last_us if isinstance(self.session, ReplaySession) else self.now_us

    def _learn(self) -> None:
        """Update panel and boards after boards have come or described themselves, or the panel was edited."""
        state = self.session.state
        seen = (self.session.panel, signature(state))
        if self._seen is None or self._seen[0] is not seen[0] or self._seen[1] != seen[1]:
            self._seen = seen
            self.panel = completed(self.session.panel, state)
            self.boards = boards_of(self.panel, state)
            self.feed.wire(self.panel, self.boards)

    def _count(self) -> None:
        """Work out the lines a second, once a second."""
        then_us, before = self._counted
        elapsed_us = self.now_us - then_us
        if 0 <= elapsed_us < 1_000_000:
            return
        observer = self.session.state.observer
        lines = {source: observer.counters(source).lines_up for source in self.session.state.boards}
        if 0 < elapsed_us < 10_000_000:
            self.rates = {
                source: max(count - before.get(source, count), 0) * 1e6 / elapsed_us for source, count in lines.items()
            }
        self._counted = self.now_us, lines

    def _notice(self) -> None:
        """Ask the link and the capture for problems."""
        now = time.monotonic()
        if now - self._noticed < NOTICE_S:
            return
        self._noticed = now
        self.ports = self.session.ports()
        self.stopwatch.learn_rates(self.ports)
        telling = [port for port in self.ports if port.text and port.stage != "listening"]
        notices = [about(port.port, port.text) for port in telling]
        notices += troubles(self.session)
        if self.session.state.left_out:
            notices.append(f"more than {MOST_BOARDS} boards: the others are not shown")
        notices += self._strangers()
        if self.feed.events_dropped:
            notices.append(f"the screen was too slow: {self.feed.events_dropped} events never reached its lists")
        self.notices = notices

    def _strangers(self) -> list[str]:
        """Return notices of boards that the panel file does not name, and of boards in it that have not answered.

        Of a capture, it is the notice that nothing is known yet.
        """
        named = self.session.panel.boards
        with self.session.lock:
            known = [board for board in self.session.state.boards.values() if board.known and not board.duplicate]
            twins = [board for board in self.session.state.boards.values() if board.duplicate]
            here = boards_of(self.session.panel, self.session.state).values()
        if isinstance(self.session, ReplaySession):
            if known:
                return [
                    f"{printable(board.port)}: a second board with the ident '{printable(board.ident)}', refused"
                    for board in twins
                ]
            begins = self.now_us < self.session.first_us + 1_000_000
            why = "the capture begins here; Space plays" if begins else "no board has described itself up to here"
            return [f"nothing is known yet: {why}"]
        if not named:
            return []
        others = [board.called for board in known if board not in here]
        if not others:
            return []
        missing = [printable(board.name) for board in named if board.name not in self.boards]
        text = f"{listed(others)} {_are(others)} here but not in the panel file"
        return [
            text
            + (
                f"; {listed(missing)}, in the file, {'has' if len(missing) == 1 else 'have'} not answered"
                if missing
                else ""
            )
        ]

    def title_of(self, board: str) -> str:
        """Return the title of a board's plate."""
        for each in self.panel.boards:
            if each.name == board and each.label:
                return each.label
        state = self.boards.get(board)
        return (state.name if state else "") or board

    def moved_last(self) -> Control | None:
        """Return the control that moved last before the replay's position; None if none did, or on a live bench."""
        if self.session.live:
            return None
        found: tuple[int, Control] | None = None
        with self.session.lock:
            for control in self.panel.controls:
                for channel in control.channels:
                    state = find_channel(self.boards, channel.board, channel.id)
                    if state is not None and state.changes and (found is None or state.at_us > found[0]):
                        found = state.at_us, control
        return found[1] if found is not None else None

    def read_back(self, most: int) -> None:
        """Fill the list of a replay with at least the last `most` events up to now, whether or not they were played."""
        if self._backlog is not None and self._read_back < most:
            self._read_back = most
            self.feed.drain()
            self.feed.refill(*self._backlog.events(most, worth_telling))

    def start_again(self) -> None:
        """Forget everything and look again, because a replay has jumped."""
        self._read_back = 0
        self._held.clear()
        self.feed.start_again()
        self._seen = None
        self._counted = (0, {})
        self.look()

    def close(self) -> None:
        """Stop listening to the session."""
        self._unfollow()
        self._unsubscribe()
        self.stopwatch.close()
        if self._recorded is not None:
            self._recorded.close()
        if self._backlog is not None:
            self._backlog.close()
        self.work.close()


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"
