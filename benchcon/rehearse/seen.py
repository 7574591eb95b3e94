"""What the boards report, for a rehearsal: positions of controls, and what lamps and displays really show.

Pure: it takes events, and reads the bench's state.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from benchcon.panel.lightness import level_word, looks_permille
from benchcon.panel.model import Display, Lamp, Panel
from benchcon.panel.segments import decode, segments_of
from benchcon.rehearse.expect import LEVEL_PERMILLE, Expectation
from benchcon.rehearse.inputs import Controls
from benchcon.rehearse.showing import outputs_of
from benchcon.state import BenchState, BoardState
from benchcon.text import printable
from benchcon.wire import events as ev

_NOTHING_NEW = (ev.Asked, ev.Edge, ev.Reading, ev.Note, ev.Odd)
_SETTING = frozenset({"set", "ping", "item", "hello", "no", "wink", "deadman", "raw"})
"""Answers that change at most the channels that were asked about."""
SETTLE_US = 1_000_000
"""How long a board that was just connected or reset is not judged, since it first has to be sent what to show."""
ANSWER_US = 5_000_000
"""How long it may then take to report what its outputs show."""
GONE = "a board was dark, reset or lost"
NOT_OURS = "somebody else had set what it looks at"
BY_HAND = "a value was worked by hand"


class SeenOutputs:
    """What the boards of `panel` report; `state` is the bench's."""

    def __init__(self, panel: Panel, state: BenchState) -> None:
        self.panel = panel
        self.state = state
        self.controls = Controls(panel)
        self.live: set[str] = set()
        """Names on the panel of the boards that answer and are not dark."""
        self.given_up: set[str] = set()
        """Outputs that somebody else has set, so that no rule is to blame for what they show."""
        self.by_hand = False
        """Whether the user has taken over a value, so that expectations of steps cannot be judged."""
        self.went_wrong: Callable[[str], bool] = lambda output: False
        """Returns whether the rule of an output went wrong."""
        self._settling: dict[str, int] = {}
        """Boards that have just been connected or reset → when."""
        self._boots: dict[int, int] = {}
        """Number of a board → how many resets of it had been seen when it was last looked at."""
        self._stood: dict[str, str] = {}
        self._names = {board.own_ident: board.name for board in panel.boards}
        self._inputs: dict[str, list[str]] = {}
        self._shown: dict[str, int | bytes | None] = {}
        self._parts: dict[str, Lamp | Display] = {}
        self._on: dict[str, list[Lamp | Display]] = {}
        self._at: dict[tuple[str, str], Lamp | Display] = {}
        self.outputs_are(panel)
        for control in panel.controls:
            for channel in control.channels:
                self._inputs.setdefault(channel.board, []).append(channel.id)
        self._sources: dict[int, str] = {}
        self._stages: dict[int, tuple[object, ...]] = {}
        """Number of a board → its `_stage` when it was last looked at."""
        self._ticked_us = 0

    def outputs_are(self, panel: Panel) -> None:
        """Take the same lamps and displays from `panel`, in which they have the panel's present light level."""
        self._parts = dict(outputs_of(panel))
        self._on = {board.name: [] for board in panel.boards}
        self._at = {}
        for part in self._parts.values():
            self._on.setdefault(part.channel.board, []).append(part)
            self._at[part.channel.board, part.channel.id] = part

    def feed(self, happened: Iterable[ev.Event], now_us: int) -> tuple[dict[str, Any], set[str]]:
        """Take events that `state` has taken already.

        Returns name → input of the controls that have moved, and the names of outputs that show something else.
        """
        inputs: dict[str, Any] = {}
        outputs: set[str] = set()
        look: set[int] = set()
        for event in happened:
            sort = type(event)
            if sort is ev.Moved:
                name = self.name_of(event.source)
                if name in self.live:
                    for channel, value in event.values.items():  # type: ignore[union-attr]
                        inputs |= self.controls.moved(name, channel, value, now_us)
                else:
                    look.add(event.source)
            elif isinstance(event, ev.Answered) and event.words[0] in _SETTING:
                if event.words[0] == "set" and event.request is not None:
                    name = self.name_of(event.source)
                    for word in event.request.words[1:]:
                        self._output(name, word.partition("=")[0], event.source, outputs)
            elif sort is ev.Alive:
                if self._stage(event.source) != self._stages.get(event.source):
                    look.add(event.source)
            elif sort not in _NOTHING_NEW:
                look.add(event.source)
        for source in look:
            self._look(source, now_us, inputs, outputs)
        return inputs, outputs

    def look_at_all(self, now_us: int) -> tuple[dict[str, Any], set[str]]:
        """Look at all boards that the state knows already; returns as `feed`."""
        inputs: dict[str, Any] = {}
        outputs: set[str] = set()
        for source in list(self.state.boards):
            self._look(source, now_us, inputs, outputs)
        # Boards that were connected before, and have reported what they show, need no time.
        self._settling = {name: at for name, at in self._settling.items() if not self._all_known(name)}
        return inputs, outputs

    def tick(self, now_us: int) -> tuple[dict[str, Any], set[str]]:
        """Forget boards that have been silent for too long; returns as `feed`."""
        self._ticked_us = now_us
        inputs: dict[str, Any] = self.controls.tick(now_us)
        outputs: set[str] = set()
        for source, name in self._sources.items():
            board = self.state.boards.get(source)
            if name in self.live and (board is None or board.liveness(now_us) != "live"):
                self._look(source, now_us, inputs, outputs)
        for name, since_us in list(self._settling.items()):
            if now_us >= since_us + (SETTLE_US if self._all_known(name) else ANSWER_US):
                del self._settling[name]
        return inputs, outputs

    def next_us(self) -> int | None:
        """Return when to call `tick` next, or None."""
        if not self._settling:
            return self.controls.next_us()
        due = [at for at in (self.controls.next_us(),) if at is not None]
        due += [since_us + SETTLE_US for since_us in self._settling.values() if since_us + SETTLE_US > self._ticked_us]
        due += [since_us + ANSWER_US for since_us in self._settling.values()]
        return min(due, default=None)

    def source_of(self, name: str) -> int | None:
        """Return the number of the board called `name` if it answers and is not dark, else None."""
        if name not in self.live:
            return None
        return next((source for source, known in self._sources.items() if known == name), None)

    def can_show(self, name: str) -> bool:
        """Return whether the board called `name` answers, is not dark, and has supply for its outputs."""
        if name not in self.live:
            return False
        known = [self.state.boards.get(source) for source, each in self._sources.items() if each == name]
        return not any(board is not None and board.no_supply for board in known)

    def stands(self, name: str) -> str:
        """Return the state of the board called `name`: ``live``, ``dark`` or ``gone``."""
        if name in self.live:
            return "live"
        return "dark" if any(board.dark and board.link == "linked" for board in self._boards_of(name)) else "gone"

    def dark_by_deadman(self, name: str) -> bool:
        """Return whether the board called `name` is dark by its dead-man."""
        return any(board.dark and board.dark_why == "deadman" for board in self._boards_of(name))

    def _boards_of(self, name: str) -> list[BoardState]:
        sources = [source for source, each in self._sources.items() if each == name]
        return [self.state.boards[source] for source in sources if source in self.state.boards]

    # --- what they show (see `expect.Outputs`) ----------------------------------------------------------------------

    def shows(self, output: str) -> int | bytes | None:
        """Return a lamp's lightness in permille, without its trim, or a display's segments; None: not known."""
        return self._shown.get(output)

    def in_words(self, output: str) -> str:
        """Return what an output shows: ``on``, ``40 %``, ``'1013.2'``, ``not known``."""
        shows, part = self._shown.get(output), self._parts.get(output)
        if isinstance(shows, int) and isinstance(part, Lamp):
            return level_word(part, shows)
        return repr(display_text(shows)) if isinstance(shows, bytes) else "not known"

    def payload(self, output: str) -> str:
        """Return what an output shows, for other programs: as `in_words`, but a display's text without quotes."""
        shows = self._shown.get(output)
        return display_text(shows) if isinstance(shows, bytes) else self.in_words(output)

    @property
    def output_names(self) -> Sequence[str]:
        """The names of the panel's lamps and displays."""
        return list(self._parts)

    def shows_as(self, output: str, value: int | bytes) -> bool:
        """Return whether an output shows `value`, a lamp to the nearest percent; True if not known."""
        shows = self._shown.get(output)
        if isinstance(shows, int) and isinstance(value, int):
            return (shows > 0) == (value > 0) and abs(shows - value) <= LEVEL_PERMILLE
        return shows is None or shows == value

    def lit_on(self, board: str) -> Sequence[str]:
        """Return the names of a board's lamps and displays that are lit, or may be because it is not known."""
        return [part.name for part in self._on.get(board, ()) if self._is_lit(self._shown.get(part.name))]

    def label_of(self, output: str) -> str:
        """Return an output's label on the panel, printable."""
        return printable(self._parts[output].label)

    def why_not(self, expectation: Expectation) -> str:
        """Return why an expectation cannot be judged now; empty if it can.

        The boards that it concerns must answer, and have had time to settle; those that are to show something must not
        be dark.
        """
        shown = {self._parts[wanted.output].channel.board for wanted in expectation.wanted}
        if not shown <= self.live or any(self.stands(board) == "gone" for board in expectation.dark):
            return GONE
        if not self._settling.keys().isdisjoint((*shown, *expectation.dark)):
            return GONE
        if not self.given_up.isdisjoint(self._looked_at(expectation)):
            return NOT_OURS
        return BY_HAND if self.by_hand and expectation.at_us is not None else ""

    def rule_went_wrong(self, expectation: Expectation) -> bool:
        """Return whether the rule of an output that it concerns went wrong when it was last called."""
        return any(map(self.went_wrong, self._looked_at(expectation)))

    def _looked_at(self, expectation: Expectation) -> list[str]:
        looked_at = [wanted.output for wanted in expectation.wanted]
        return looked_at + [part.name for board in expectation.dark for part in self._on[board]]

    def give_up(self, board: str, channel: str) -> None:
        """Note that somebody else has set this output, which is left alone from now on."""
        part = self._at.get((board, channel))
        if part is not None:
            self.given_up.add(part.name)

    @staticmethod
    def _is_lit(shows: int | bytes | None) -> bool:
        return shows is None or (any(shows) if isinstance(shows, bytes) else shows > 0)

    def _all_known(self, board: str) -> bool:
        return all(self._shown.get(part.name) is not None for part in self._on[board])

    # --- inside -----------------------------------------------------------------------------------------------------

    def name_of(self, source: int) -> str:
        """Return the name on the panel of the board with this number; empty if it is not on the panel."""
        found = self._sources.get(source)
        if found is None:
            board = self.state.boards.get(source)
            found = self._names.get(board.ident, "") if board is not None else ""
            if found:
                self._sources[source] = found
        return found

    def _look(self, source: int, now_us: int, inputs: dict[str, Any], outputs: set[str]) -> None:
        board = self.state.boards.get(source)
        if board is None:
            return
        if self._names.get(board.ident, "") != self._sources.get(source, ""):
            self._sources.pop(source, None)  # it was renamed, or another board is there
        name = self.name_of(source)
        if not name:
            return
        self._stages[source] = self._stage(source)
        live = board.liveness(now_us) == "live"
        (self.live.add if live and not board.dark else self.live.discard)(name)
        stands = self.stands(name)
        was_reset = self._boots.get(source, board.boots) != board.boots  # it is not yet asked again who it is
        self._boots[source] = board.boots
        if was_reset or stands != self._stood.get(name, "gone"):
            self._settling[name] = now_us
        if stands == "gone":
            self._settling.pop(name, None)
        self._stood[name] = stands
        for channel in self._inputs.get(name, ()):
            inputs |= self.controls.moved(name, channel, board.value_now(channel, now_us), now_us)
        for part in self._on[name]:
            self._output(name, part.channel.id, source, outputs, known=live)

    def _stage(self, source: int) -> tuple[object, ...]:
        """Return everything that a heartbeat may change; if it is the same as before, so are the channels."""
        board = self.state.boards.get(source)
        if board is None:
            return ()
        return (
            board.ident,
            board.link,
            board.dark,
            board.no_supply,
            board.known,
            board.boots,
            board.last_heard_us is None,
        )

    def _output(self, name: str, channel: str, source: int, outputs: set[str], known: bool = True) -> None:
        part = self._at.get((name, channel))
        if part is None:
            return
        shows = self._shows(part, self.state.boards[source]) if known else None
        if part.name not in self._shown or self._shown[part.name] != shows:
            self._shown[part.name] = shows
            outputs.add(part.name)

    @staticmethod
    def _shows(part: Lamp | Display, board: BoardState) -> int | bytes | None:
        channel = board.channels.get(part.channel.id)
        if channel is None or channel.value is None:
            return None
        value = 0 if board.no_supply else channel.value
        if isinstance(part, Lamp):
            return looks_permille(part, value)
        return segments_of(value, part.digits)


def display_text(segments: bytes) -> str:
    """Return the text on a display; overflow, whose segments could also be read as 0L, is ``OL``."""
    text = decode(segments)
    return text[:-2] + "OL" if text.lstrip() == "0L" else text
