"""What the boards say, in the panel's own names: which board is which, and every event as changes of its channels."""

from __future__ import annotations

from benchcon.diagnosis.evidence import Change
from benchcon.panel.model import Panel
from benchcon.session import Session
from benchcon.state import BoardState
from benchcon.wire import events as ev
from benchcon.wire.notifications import settings


class Hearing:
    """Boards of a session by their names on the panel, and what is heard of them.

    It takes events and not `state.Changes`: a walk needs to know what a board reported, when by the board's own clock,
    and how (a level, an edge, a reading, a ghost, invalid transitions); changes of values are only one of these. And a
    value that was read again, or that silence made unknown, is nothing that a hand has moved.
    """

    def __init__(self, session: Session, panel: Panel) -> None:
        self.session, self.panel = session, panel
        self.names: dict[int, str] = {}
        """Source number → the board's name on the panel."""
        self.sources: dict[str, int] = {}
        """The other way round."""
        self._invalid: dict[str, int] = {}

    def meet(self) -> None:
        """Find the panel's boards on the bench; those found before stay."""
        with self.session.lock:
            for board in self.panel.boards:
                found = self.session.state.board_named(board.own_ident)
                if found is not None:
                    self.names[found.source] = board.name
                    self.sources[board.name] = found.source
                    for channel in found.channels.values():
                        self._invalid.setdefault(f"{board.name}.{channel.id}", channel.invalid)

    def was_reset(self, board: str) -> None:
        """The board counts from nothing again."""
        for key in self._invalid:
            if key.startswith(f"{board}."):
                self._invalid[key] = 0

    def changes(self, event: ev.Event) -> list[tuple[Change, str]]:
        """Return what `event` says of channels, each with how it was heard, as in `machine.Walk.heard`."""
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
        if isinstance(event, ev.Told):
            return self._told(board, event)
        return []

    def _told(self, board: str, event: ev.Told) -> list[tuple[Change, str]]:
        """Ghosts that the board found itself, and an encoder's invalid transitions, reported as the sum so far."""
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
        """Return how every input of the panel stands, as far as it is known."""
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
        """Return how the board stands, by its name on the panel; None: it was never heard."""
        with self.session.lock:
            return self.session.state.boards.get(self.sources.get(board, -1))

    def linked(self) -> list[BoardState]:
        """Return all boards that are linked, the panel's or not."""
        with self.session.lock:
            return [board for board in self.session.state.boards.values() if board.link == "linked"]

    def known(self, board: str) -> bool:
        """Whether the board has told what it has and how it stands."""
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
