"""Events of boards in the panel's names: which board is which, and every event as changes of its channels."""

from __future__ import annotations

from benchcon.diagnosis.evidence import Change
from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.state import BoardState
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings


class PanelBoards:
    """The boards of a session by their names on the panel, and what they report.

    It uses events and not `state.Changes`, because a walk needs to know how a board reported something (level, edge,
    reading, ghost, invalid transition) and when by the board's own clock. Moreover, a value that was read again, or
    that silence made unknown, was not changed by a hand.
    """

    def __init__(self, session: Session, panel: Panel) -> None:
        self.session, self.panel = session, panel
        self.names: dict[int, str] = {}
        """For each source number the board's name on the panel."""
        self.sources: dict[str, int] = {}
        """For each board's name its source number."""
        self._invalid: dict[str, int] = {}

    def meet(self) -> None:
        """Find the panel's boards on the bench; boards found earlier are kept."""
        with self.session.lock:
            for board in self.panel.boards:
                found = self.session.state.board_named(board.own_ident)
                if found is not None:
                    self.names[found.source] = board.name
                    self.sources[board.name] = found.source
                    for channel in found.channels.values():
                        self._invalid.setdefault(f"{board.name}.{channel.id}", channel.invalid)

    def was_reset(self, board: str) -> None:
        """Note that the board was reset, so that its counters begin at zero again."""
        for key in self._invalid:
            if key.startswith(f"{board}."):
                self._invalid[key] = 0

    def changes(self, event: ev.Event) -> list[tuple[Change, str]]:
        """Return the changes of channels in `event`, each with its kind as for `machine.Walk.heard`."""
        board = self.names.get(event.source)
        if board is None:
            return []
        if isinstance(event, ev.Moved):
            return [
                (Change(event.at_us, f"{board}.{id_}", value, event.clock_us), "is")
                for id_, value in event.values.items()
            ]
        if isinstance(event, ev.Edge):
            return [(Change(event.at_us, f"{board}.{event.channel}", event.level, event.clock_us), "edge")]
        if isinstance(event, ev.Reading):
            return [(Change(event.at_us, f"{board}.{event.channel}", event.counts, event.clock_us), "raw")]
        if isinstance(event, ev.Notification):
            return self._notified(board, event)
        return []

    def _notified(self, board: str, event: ev.Notification) -> list[tuple[Change, str]]:
        """Return ghosts that the board found, and new invalid transitions of encoders, which it reports as sums."""
        word, *rest = event.words
        out: list[tuple[Change, str]] = []
        if word == "ghost":
            out += [(Change(event.at_us, f"{board}.{channel}", 1, event.clock_us), "ghost") for channel in rest]
        for channel, total in settings(rest) if word == "skip" else ():
            key = f"{board}.{channel}"
            by = (total - self._invalid.get(key, 0)) & 0xFFFF
            self._invalid[key] = total
            out.append((Change(event.at_us, key, by, event.clock_us), "skip"))
        return out

    def values(self) -> dict[str, int]:
        """Return the value of every input of the panel, as far as it is known."""
        values: dict[str, int] = {}
        with self.session.lock:
            for board in self.panel.boards:
                found = self.session.state.board_named(board.own_ident)
                if found is not None:
                    for id_, channel in found.channels.items():
                        if channel.value is not None and not channel.is_output:
                            values[f"{board.name}.{id_}"] = channel.value
        return values

    def state_of(self, board: str) -> BoardState | None:
        """Return the state of a board by its name on the panel; None if it was never heard."""
        with self.session.lock:
            return self.session.state.boards.get(self.sources.get(board, -1))

    def linked(self) -> list[BoardState]:
        """Return all boards that are linked, the panel's or not."""
        with self.session.lock:
            return [board for board in self.session.state.boards.values() if board.link == "linked"]

    def known(self, board: str) -> bool:
        """Return whether the board has described its channels and all their values are known."""
        state = self.state_of(board)
        return state is not None and state.known


def missing_boards(session: Session, panel: Panel) -> list[str]:
    """Return the boards of `panel` that are not linked or whose values are not known yet."""
    out = []
    with session.lock:
        for board in panel.boards:
            found = session.state.board_named(board.own_ident)
            if found is None or not found.known or found.link != "linked":
                out.append(board.name)
    return out
