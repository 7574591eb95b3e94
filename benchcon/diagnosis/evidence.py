"""Evidence: what the hand was asked to do and what the boards reported; what was commanded and what the eye saw.

There are five kinds, each a plain value that converts to JSON and back (`as_json`, `read`): `HandStep`, `LampLook`,
`DisplayLook`, `SupplyLook`, and `BoardTrouble`, which says what happened to a board during the walk. Channels are named
``board.id``, parts by their names on the panel. `protocols/walk-report.md` describes the JSON form for people who want
to write evidence without a board.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchcon.errors import Trouble
from benchcon.text import printable

ACTIONS = ("rest", "put", "turn", "end", "still")
"""rest: hands off; put: move controls to a position; turn: turn an encoder by detents; end: turn a potentiometer to its
left (0) or right (1) end; still: leave a potentiometer alone."""

NOT_DONE = ("skipped", "not wired")
"""Outcomes, answers and verdicts of what was not tested although it was in the walk."""
OUTCOMES = ("seen", "otherwise", "said", "timeout", *NOT_DONE)
"""How a step ended: the expected change came; a different one came; the person said that it was done; nothing came in
time; it was skipped; the part is not wired yet. The last two prove nothing."""

ANSWERS = ("same", "otherwise", *NOT_DONE)
LEVELS = ("full", "dim")
_LARGEST = 1 << 62


class Change(NamedTuple):
    """A new value of a channel (or level of a pin), and when it began."""

    at_us: int
    """Host time."""
    channel: str
    value: int
    clock_us: int = -1
    """Time on the board's own clock, which is finer than host time; -1: not known."""


@dataclass(frozen=True, slots=True)
class HandStep:
    """One thing that the hand was asked to do, and what followed."""

    do: str
    """One of `ACTIONS`."""
    parts: tuple[str, ...] = ()
    """Names of the controls. Several are held together, to find the ghosts of a matrix."""
    to: int = 0
    """put: the position, from 0; turn: detents, positive to the right; end: 0 left, 1 right."""
    outcome: str = "seen"
    began_us: int = 0
    ended_us: int = 0
    before: Mapping[str, int] = field(default_factory=dict)
    """Settled values when it began; those missing are as the step before left them."""
    values: Mapping[str, int] = field(default_factory=dict)
    """Settled values when it ended; those missing are as `before` and `changes` leave them."""
    changes: tuple[Change, ...] = ()
    """The boards' notifications ``is``, in order."""
    edges: tuple[Change, ...] = ()
    """Raw edges, in order. The level of an encoder is 2 A + B."""
    readings: tuple[Change, ...] = ()
    """Unfiltered readings of potentiometers."""
    invalid: Mapping[str, int] = field(default_factory=dict)
    """For each encoder the number of invalid transitions during the step."""
    ghosts: tuple[str, ...] = ()
    """Contacts that the board reported as ghosts."""
    lit: tuple[str, ...] = ()
    """Lamps and displays that lit although all should be dark; an empty name stands for one that nobody named."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """How one lamp looked. `level` is one of `LEVELS`; an empty `colour` means the right one."""

    level: str = "full"
    colour: str = ""
    flickering: bool = False


@dataclass(frozen=True, slots=True)
class LampLook:
    """One look at the lamps: `set` gives those commanded to light (permille), `shows` the displays commanded with them.

    Every other output is off.
    """

    set: Mapping[str, int] = field(default_factory=dict)
    answer: str = "same"
    """``same``: exactly these lit, as they should. ``otherwise``: `seen` holds every lamp that was lit."""
    seen: Mapping[str, Seen] = field(default_factory=dict)
    displays: Mapping[str, bytes] = field(default_factory=dict)
    """What displays showed (segments): with `shows` those commanded to, otherwise those that should be dark."""
    at_us: int = 0
    note: str = ""
    shows: Mapping[str, bytes] = field(default_factory=dict)
    """What displays were commanded to show (segments) where all outputs are lit together."""

    @property
    def several(self) -> bool:
        """Whether more than one output was commanded to light."""
        return len(self.set) + len(self.shows) > 1


@dataclass(frozen=True, slots=True)
class DisplayLook:
    """One look at a display: commanded and seen segments, one byte a digit, leftmost first, as in `panel.segments`."""

    part: str
    set: bytes
    answer: str = "same"
    """``same``: it showed what it should. ``otherwise``: `seen` holds what was lit."""
    seen: bytes = b""
    displays: Mapping[str, bytes] = field(default_factory=dict)
    """What other displays showed (segments), which should have been dark."""
    level: str = "full"
    flickering: bool = False
    at_us: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class SupplyLook:
    """One look at what a supply feeds, with all of `set` commanded to light: switched off, or on by one source."""

    supply: str
    source: int = 0
    """Number of the source that was on, from 1; 0: none."""
    set: tuple[str, ...] = ()
    """Names of the lamps and displays."""
    answer: str = "same"
    """``same``: all dark without a source, all lit with one. ``otherwise``: `lit` holds those that were lit."""
    lit: tuple[str, ...] = ()
    at_us: int = 0
    note: str = ""

    @property
    def shone(self) -> tuple[str, ...]:
        """Names in `set` that were lit."""
        same = self.set if self.source else ()
        return same if self.answer == "same" else self.lit if self.answer == "otherwise" else ()


@dataclass(frozen=True, slots=True)
class BoardTrouble:
    """What happened to one board during a walk. What was asked of the board meanwhile proves nothing."""

    board: str
    resets: int = 0
    causes: tuple[str, ...] = ()
    """Causes of its resets, as the board reported them, each once."""
    lit: Mapping[str, int] = field(default_factory=dict)
    """For each lamp or display the number of resets of the board while it was commanded to light."""
    lost: int = 0
    """Number of times that its port was lost."""
    silences: int = 0
    """Number of times that three heartbeats were missing."""
    darks: int = 0
    """Number of times that its dead-man darkened it."""
    no_supply: int = 0
    """Number of times that the supply of its lamps went away while they were looked at."""
    bad_here: int = 0
    """Number of pieces from the board that were not a valid line."""
    bad_there: int = 0
    """Number of invalid lines that the board received, by its own count."""
    missing: int = 0
    """Number of its lines that were lost on the way."""
    together: Mapping[str, int] = field(default_factory=dict)
    """The share of these counters, under the same names, that happened while all its outputs were lit together."""
    before_mv: int = 0
    """Voltage of its outputs' supply before they were lit together; 0: not known."""
    together_mv: int = 0
    """The lowest voltage while they were; 0: not known."""

    @property
    def any(self) -> bool:
        """Whether any trouble was counted."""
        return any(getattr(self, name) for name in BOARD_COUNTS) or self.sag_mv > SAG_MV

    @property
    def sag_mv(self) -> int:
        """By how much the supply's voltage falls while all outputs are lit together; 0: not known."""
        return max(0, self.before_mv - self.together_mv) if self.before_mv and self.together_mv else 0

    def plus(self, later: BoardTrouble) -> BoardTrouble:
        """Return the trouble of both periods added up; `later` is the later one."""
        counts = {name: getattr(self, name) + getattr(later, name) for name in BOARD_COUNTS}
        causes = tuple(dict.fromkeys(self.causes + later.causes))
        lit, together = _added(self.lit, later.lit), _added(self.together, later.together)
        lows = [mv for mv in (self.together_mv, later.together_mv) if mv]
        before_mv, low_mv = max(self.before_mv, later.before_mv), min(lows, default=0)
        return BoardTrouble(
            self.board, causes=causes, lit=lit, together=together, before_mv=before_mv, together_mv=low_mv, **counts
        )


def _added(these: Mapping[str, int], those: Mapping[str, int]) -> dict[str, int]:
    return {name: these.get(name, 0) + those.get(name, 0) for name in {**these, **those}}


SAG_MV = 250
"""How far the supply may sag under load: 5 % of 5 V (USB 2.0 specification, section 7.2.2)."""


BOARD_COUNTS = ("resets", "lost", "silences", "darks", "no_supply", "bad_here", "bad_there", "missing")
"""The counters of `BoardTrouble`."""

Evidence = HandStep | LampLook | DisplayLook | SupplyLook | BoardTrouble


def as_json(evidence: Evidence) -> dict[str, Any]:
    """Return `evidence` as JSON values, without empty fields."""
    if isinstance(evidence, HandStep):
        data: dict[str, Any] = {"what": "hand", "do": evidence.do, "parts": list(evidence.parts), "to": evidence.to}
        data |= {"outcome": evidence.outcome, "began_us": evidence.began_us, "ended_us": evidence.ended_us}
        data |= {"before": dict(evidence.before), "values": dict(evidence.values)}
        for key in ("changes", "edges", "readings"):
            data[key] = [list(c if c.clock_us >= 0 else c[:3]) for c in getattr(evidence, key)]
        data |= {
            "invalid": dict(evidence.invalid),
            "ghosts": list(evidence.ghosts),
            "lit": list(evidence.lit),
            "note": evidence.note,
        }
        keep = ("what", "do", "outcome") + (("to",) if evidence.do not in ("rest", "still") else ())
    elif isinstance(evidence, LampLook):
        data = {"what": "lamps", "set": dict(evidence.set), "answer": evidence.answer}
        data["seen"] = {
            name: {
                "level": seen.level,
                **({"colour": seen.colour} if seen.colour else {}),
                **({"flickering": True} if seen.flickering else {}),
            }
            for name, seen in evidence.seen.items()
        }
        data |= {"displays": _hexed(evidence.displays), "at_us": evidence.at_us, "note": evidence.note}
        data["shows"] = _hexed(evidence.shows)
        keep = ("what", "set", "answer") + (("seen",) if evidence.answer == "otherwise" else ())
    elif isinstance(evidence, SupplyLook):
        data = {"what": "supply", "supply": evidence.supply, "source": evidence.source, "set": list(evidence.set)}
        data |= {"answer": evidence.answer, "lit": list(evidence.lit), "at_us": evidence.at_us, "note": evidence.note}
        keep = ("what", "supply", "source", "set", "answer") + (("lit",) if evidence.answer == "otherwise" else ())
    elif isinstance(evidence, BoardTrouble):
        data = {"what": "board", "board": evidence.board, "causes": list(evidence.causes), "lit": dict(evidence.lit)}
        data |= {name: getattr(evidence, name) for name in (*BOARD_COUNTS, "before_mv", "together_mv")}
        data["together"] = dict(evidence.together)
        keep = ("what", "board")
    else:
        data = {"what": "display", "part": evidence.part, "set": evidence.set.hex().upper(), "answer": evidence.answer}
        data |= {"seen": evidence.seen.hex().upper(), "displays": _hexed(evidence.displays)}
        data |= {"level": "" if evidence.level == "full" else evidence.level, "flickering": evidence.flickering}
        data |= {"at_us": evidence.at_us, "note": evidence.note}
        keep = ("what", "part", "set", "answer") + (("seen",) if evidence.answer == "otherwise" else ())
    return {key: value for key, value in data.items() if value or key in keep}


def _hexed(displays: Mapping[str, bytes]) -> dict[str, str]:
    return {name: shown.hex().upper() for name, shown in displays.items()}


def read(value: Evidence | Mapping[str, Any], where: str = "evidence") -> Evidence:
    """Return evidence from its JSON form; a value that is evidence already is returned as it is.

    Raises `Trouble`, which begins with `where`, if it does not have the documented form.
    """
    if isinstance(value, HandStep | LampLook | DisplayLook | SupplyLook | BoardTrouble):
        return value
    if not isinstance(value, Mapping):
        raise Trouble(f"{where}: is not an object")
    reader = _Reader(value, where)
    what = reader.word("what", ("hand", "lamps", "display", "supply", "board"))
    if what == "hand":
        return reader.hand()
    if what == "board":
        return reader.board()
    if what == "supply":
        return reader.supply()
    return reader.lamps() if what == "lamps" else reader.display()


def read_all(values: Iterable[Evidence | Mapping[str, Any]]) -> list[Evidence]:
    """Return a list of evidence from its JSON form. Raises `Trouble` as `read` does."""
    return [read(value, f"evidence {number}") for number, value in enumerate(values, 1)]


class _Reader:
    def __init__(self, value: Mapping[str, Any], where: str) -> None:
        self.value = value
        self.where = where

    def bad(self, key: str, allowed: str) -> Trouble:
        found = printable(repr(self.value.get(key))[:60])
        return Trouble(f"{self.where}: {key} is {found}; allowed: {allowed}")

    def word(self, key: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        word = self.value.get(key, default)
        if word not in allowed:
            raise self.bad(key, ", ".join(allowed))
        return str(word)

    def text(self, key: str) -> str:
        text = self.value.get(key, "")
        if not isinstance(text, str):
            raise self.bad(key, "text")
        return text

    def number(self, key: str) -> int:
        number = self.value.get(key, 0)
        if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) < _LARGEST:
            raise self.bad(key, "a number")
        return int(number)

    def names(self, key: str) -> tuple[str, ...]:
        names = self.value.get(key, ())
        if isinstance(names, str) or not isinstance(names, list | tuple) or not all(isinstance(n, str) for n in names):
            raise self.bad(key, "a list of names")
        return tuple(names)

    def numbers(self, key: str) -> dict[str, int]:
        table = self.value.get(key, {})
        if not isinstance(table, Mapping) or not all(
            isinstance(k, str) and isinstance(v, int) and abs(v) < _LARGEST for k, v in table.items()
        ):
            raise self.bad(key, "an object of names and whole numbers")
        return {k: int(v) for k, v in table.items()}

    def changes(self, key: str) -> tuple[Change, ...]:
        rows = self.value.get(key, ())
        out = []
        if not isinstance(rows, list | tuple):
            raise self.bad(key, "a list of [at_us, channel, value]")
        for row in rows:
            if (
                not isinstance(row, list | tuple)
                or len(row) not in (3, 4)
                or not isinstance(row[1], str)
                or not all(
                    isinstance(row[i], int | float) and abs(row[i]) < _LARGEST for i in (0, 2, *range(3, len(row)))
                )
            ):
                raise Trouble(
                    f"{self.where}: {key} holds {printable(repr(row)[:60])}; allowed: [at_us, channel, value] or "
                    "[at_us, channel, value, clock_us]"
                )
            out.append(Change(int(row[0]), row[1], int(row[2]), int(row[3]) if len(row) > 3 else -1))
        return tuple(out)

    def shown(self, key: str, text: Any = None) -> bytes:
        text = self.value.get(key, "") if text is None else text
        try:
            return bytes.fromhex(text)
        except (TypeError, ValueError):
            raise self.bad(key, 'two hex digits for each digit of the display, such as "7E30"') from None

    def displays(self, key: str = "displays") -> dict[str, bytes]:
        table = self.value.get(key, {})
        if not isinstance(table, Mapping):
            raise self.bad(key, "an object of displays and their segments in hex")
        return {str(name): self.shown(key, text) for name, text in table.items()}

    def hand(self) -> HandStep:
        do = self.value.get("do")
        to = self.number("to")
        parts = self.names("parts") or ((self.text("part"),) if self.value.get("part") else ())
        if do in ("press", "release"):
            do, to = "put", int(do == "press")
        elif do not in ACTIONS:
            raise self.bad("do", ", ".join(ACTIONS))
        if do != "rest" and not parts:
            raise Trouble(f"{self.where}: '{do}' needs parts, the names of the controls")
        return HandStep(
            do=str(do),
            parts=parts,
            to=to,
            outcome=self.word("outcome", OUTCOMES, "seen"),
            began_us=self.number("began_us"),
            ended_us=self.number("ended_us"),
            before=self.numbers("before"),
            values=self.numbers("values"),
            changes=self.changes("changes"),
            edges=self.changes("edges"),
            readings=self.changes("readings"),
            invalid=self.numbers("invalid"),
            ghosts=self.names("ghosts"),
            lit=self.names("lit"),
            note=self.text("note"),
        )

    def board(self) -> BoardTrouble:
        if not self.text("board"):
            raise self.bad("board", "the name of a board")
        counts = {name: max(0, self.number(name)) for name in BOARD_COUNTS}
        return BoardTrouble(
            self.text("board"),
            causes=self.names("causes"),
            lit=self.numbers("lit"),
            together=self.numbers("together"),
            before_mv=max(0, self.number("before_mv")),
            together_mv=max(0, self.number("together_mv")),
            **counts,
        )

    def supply(self) -> SupplyLook:
        if not self.text("supply"):
            raise self.bad("supply", "the name of a supply")
        return SupplyLook(
            self.text("supply"),
            max(0, self.number("source")),
            self.names("set"),
            self.word("answer", ANSWERS, "otherwise" if "lit" in self.value else "same"),
            self.names("lit"),
            self.number("at_us"),
            self.text("note"),
        )

    def lamps(self) -> LampLook:
        seen = self.value.get("seen", {})
        if isinstance(seen, list | tuple) and all(isinstance(name, str) for name in seen):
            seen = {name: {} for name in seen}
        if not isinstance(seen, Mapping) or not all(isinstance(how, Mapping) for how in seen.values()):
            raise self.bad("seen", 'an object such as {"fail": {"level": "dim"}}, or a list of names')
        looks = {}
        for name, how in seen.items():
            inner = _Reader(how, f"{self.where}: seen {printable(str(name)[:40])}")
            looks[str(name)] = Seen(
                inner.word("level", LEVELS, "full"), inner.text("colour"), bool(how.get("flickering", False))
            )
        return LampLook(
            self.numbers("set"),
            self.word("answer", ANSWERS, "otherwise" if "seen" in self.value else "same"),
            looks,
            self.displays(),
            self.number("at_us"),
            self.text("note"),
            self.displays("shows"),
        )

    def display(self) -> DisplayLook:
        if not self.text("part"):
            raise self.bad("part", "the name of a display")
        return DisplayLook(
            part=self.text("part"),
            set=self.shown("set"),
            answer=self.word("answer", ANSWERS, "otherwise" if "seen" in self.value else "same"),
            seen=self.shown("seen"),
            displays=self.displays(),
            level=self.word("level", LEVELS, "full"),
            flickering=bool(self.value.get("flickering", False)),
            at_us=self.number("at_us"),
            note=self.text("note"),
        )
