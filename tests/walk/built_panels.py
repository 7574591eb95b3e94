"""Panels as people build them, as panel files, and every kind of fault of the faults file on them, with what is true.

Written from data sheets and common practice (no source), not from the diagnosis: what is put in, where, and by which
words a report may tell of it. The words are those of `protocols/walk-report.md`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from walk.panels_read import panel_of

from benchcon.diagnosis.findings import Finding
from benchcon.panel.model import Panel
from benchcon.rig.faults import Fault, fault_of_words
from benchcon.rig.wiring import Wiring, wiring

COLOURS = ("red", "amber", "green", "blue", "white")


@dataclass
class Truth:
    """What is wrong: any one of `ways` tells it, each a set of (kinds, channels or None, detail)."""

    words: tuple[str, str]
    """Board, and the fault in the words of the hand."""
    ways: list[list[tuple[tuple[str, ...], frozenset[str] | None, dict[str, Any]]]] = field(default_factory=list)

    def fault(self) -> Fault:
        return fault_of_words(self.words[1].split())


class Built:
    """A panel and where things are on it."""

    def __init__(self, seed: int, most: int = 64, boards: int | None = None, diodes: bool | None = None) -> None:
        self.rng = rng = random.Random(seed)
        self.text: list[str] = []
        self.count = 0
        self.names = ["a", "b"][: boards or rng.choice((1, 1, 1, 2))]
        self.stands: dict[str, int] = {}
        self.has_diodes = diodes if diodes is not None else rng.random() < 0.7
        room = rng.randint(12, most)
        for name in self.names:
            self._board(name, room // len(self.names))

    def panel(self) -> Panel:
        return panel_of("\n".join(self.text) + "\n", "built.toml")

    def _board(self, name: str, room: int) -> None:
        rng = self.rng
        keys = room > 16 and rng.random() < 0.5
        rows, columns = (rng.randint(2, 4), rng.randint(2, 4)) if keys else (0, 0)
        left = room - rows * columns
        chained = rng.random() < 0.5
        chips = rng.randint(2, 3) if chained and left > 20 else 1 if chained else 0
        drivers = rng.randint(1, 3) if chained else 0
        displays = rng.randint(0, 3)
        self.text.append(f'[boards.{name}]\nbudget = "400 mA"')
        if chips:
            self.text.append(f'chains.165 = {{ data = "D12", clock = "A0", load = "A1", chips = {chips} }}')
        if drivers:
            self.text.append(f'chains.595 = {{ data = "D11", clock = "D13", load = "D10", chips = {drivers} }}')
        if displays:
            self.text.append('chains.7219 = { data = "D50", clock = "D51", load = "D49", chips = 2 }')
        if rows:
            pins = [f'"D{n}"' for n in range(22, 22 + rows + columns)]
            self.text.append(f'[matrices.{name}_keys]\nboard = "{name}"\nrows = [{", ".join(pins[:rows])}]')
            self.text.append(f"columns = [{', '.join(pins[rows:])}]\ndiodes = {str(self.has_diodes).lower()}")
        pins = [f"165.{n}" for n in range(8 * chips) if rng.random() < 0.93] if chips else []
        pins = pins[: max(4, left * 2 // 3)]
        pins += [f"D{n}" for n in range(2, 10)][: max(3, left // 3)]
        outs = [f"595.{n}" for n in range(8 * drivers) if rng.random() < 0.93] if drivers else []
        outs = outs[: max(3, left // 2)] or [f"A{n}" for n in range(8, 8 + rng.randint(2, 7))]
        self._contacts(name, pins)
        for r in range(rows):
            for c in range(columns):
                if rng.random() < 0.95:
                    kind = rng.choice(("button", "button", "button", "toggle"))
                    self._control(name, kind, [f"{name}_keys.r{r}c{c}"], "")
        for n in range(rng.randint(0, 2)):
            self._knob(name, "encoder", f"D{30 + 2 * n}/D{31 + 2 * n}")
        for n in range(rng.randint(0, 2)):
            self._knob(name, "pot", f"A{2 + n}")
        plug, pin = f"J{rng.randint(5, 6)}", 0
        for out in outs:
            pin += 1
            self.count += 1
            self.text.append(
                f'[lamps.l{self.count}]\nlabel = "Lamp {self.count}"\ncolour = "{rng.choice(COLOURS)}"\n'
                f'current = "4 mA"\nchannel = {{ id = "{name}.c{self.count}", pin = "{out}", connector = "{plug}", '
                f'connector_pin = "{pin}" }}'
            )
            if pin == 8:
                plug, pin = f"J{int(plug[1:]) + 1}", 0
        digit = 0
        for _ in range(displays):
            digits = rng.randint(1, 5)
            self.count += 1
            self.text.append(
                f'[displays.d{self.count}]\nlabel = "Display {self.count}"\ndigits = {digits}\n'
                f'segment_current = "2 mA"\n'
                f'channel = {{ id = "{name}.c{self.count}", pin = "7219.{digit}" }}'
            )
            digit += digits

    def _contacts(self, name: str, pins: list[str]) -> None:
        """Buttons, toggles, rotary and three-position switches, on plugs of ten."""
        rng = self.rng
        number = 1
        at = 0
        while pins:
            kind = rng.choice(("button", "button", "button", "toggle", "toggle", "rotary", "three"))
            want = {"rotary": rng.randint(3, 6), "three": 2}.get(kind, 1)
            if want > len(pins):
                kind, want = "toggle", 1
            taken, pins = pins[:want], pins[want:]
            if at + want > 10:
                number, at = number + 1, 0
            self._control(name, kind, taken, f"J{number}", at)
            at += want

    def _control(self, name: str, kind: str, pins: list[str], plug: str, at: int = 0) -> None:
        rng = self.rng
        self.count += 1
        own = f"{kind}{self.count}"
        rows = []
        for n, pin in enumerate(pins):
            wire = f', connector = "{plug}", connector_pin = "{at + n + 1}"' if plug else ""
            self.count += n > 0
            rows.append(f'{{ id = "{name}.c{self.count}", pin = "{pin}"{wire} }}')
        text = f'[controls.{own}]\nlabel = "Part {own}"\nkind = "{"button" if kind == "button" else "switch"}"\n'
        text += f"channels = [{', '.join(rows)}]" if len(rows) > 1 else f"channel = {rows[0]}"
        count = 2
        if kind == "rotary":
            count = len(rows)
            text += f"\npositions = [{', '.join(repr(str(n + 1)) for n in range(count))}]"
        elif kind == "three":
            count = 3
            text += '\npositions = ["up", "off", "down"]\ncode = [[1, 0], [0, 0], [0, 1]]'
        elif kind == "toggle":
            text += '\npositions = ["off", "on"]'
        self.text.append(text)
        if kind != "button" and rng.random() < 0.4:
            self.stands[own] = rng.randrange(count)
        elif kind == "three":
            self.stands[own] = 1

    def _knob(self, name: str, kind: str, pin: str) -> None:
        self.count += 1
        text = f'[controls.{kind}{self.count}]\nlabel = "Knob {self.count}"\nkind = "{kind}"\n'
        text += f'channel = {{ id = "{name}.c{self.count}", pin = "{pin}" }}'
        if kind == "encoder":
            text += f"\ncounts_per_detent = {self.rng.choice((1, 2, 4, 4))}"
        self.text.append(text)


# --- what is wrong ------------------------------------------------------------------------------------------------


class Wrongs:
    """Every kind of fault that a panel can have."""

    def __init__(self, panel: Panel, rng: random.Random, stands: Mapping[str, int] | None = None) -> None:
        self.panel, self.rng = panel, rng
        self.stands = stands or {}
        """Where controls stand when the walk begins."""
        self.boards: dict[str, Wiring] = {board.name: wiring(panel, board.name) for board in panel.boards}
        self.parts = {c.key: part for part in panel.controls for c in part.channels}

    def one(self, kind: str) -> Truth | None:
        """A fault of this kind, if the panel has what it takes."""
        names = list(self.boards)
        self.rng.shuffle(names)
        for name in names:
            truth = MAKERS[kind](self, name, self.boards[name])
            if truth is not None:
                return truth
        return None

    def some(
        self, board: Wiring, kind: str, count: int = 1, where: Callable[[str], bool] = lambda _: True
    ) -> list[str]:
        there = [id_ for id_, k in board.kinds.items() if k == kind and where(id_)]
        return self.rng.sample(there, count) if len(there) >= count else []


def simple(kind: str, on: str, found: str | tuple[str, ...], words: str = "", count: int = 1, **detail: Any):
    """A fault on `count` channels of one kind that one finding tells."""
    kinds = (found,) if isinstance(found, str) else found

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        ids = wrongs.some(board, on, count)
        if not ids:
            return None
        keys = frozenset(f"{name}.{id_}" for id_ in ids)
        text = " ".join([kind, *ids, *words.split()])
        return Truth((name, text), [[((each,), keys, detail)] for each in kinds])

    return make


def segment(kind: str, found: str, two: bool = False, digit: bool = False):
    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        ids = wrongs.some(board, "display")
        if not ids:
            return None
        names = wrongs.rng.sample("ABCDEFGP", 2)
        at = wrongs.rng.randint(1, board.digits[ids[0]]) if digit and wrongs.rng.random() < 0.5 else 0
        words = f"first={names[0]} second={names[1]}" if two else f"segment={names[0]}"
        words += f" digit={at}" if at and not two else ""
        detail: dict[str, Any] = {"segments": sorted(names if two else names[:1])}
        key = frozenset({f"{name}.{ids[0]}"})
        return Truth((name, f"{kind} {ids[0]} {words}"), [[((found,), key, detail)]])

    return make


def digits_swapped(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "display", where=lambda id_: board.digits[id_] > 1)
    if not ids:
        return None
    order = list(range(1, board.digits[ids[0]] + 1))
    while order == sorted(order):
        wrongs.rng.shuffle(order)
    words = f"digits_swapped {ids[0]} order={','.join(map(str, order))}"
    return Truth((name, words), [[(("digits swapped",), frozenset({f"{name}.{ids[0]}"}), {"order": order})]])


def digit_dead(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "display", where=lambda id_: board.digits[id_] > 1)
    if not ids:
        return None
    at = wrongs.rng.randint(1, board.digits[ids[0]])
    key = frozenset({f"{name}.{ids[0]}"})
    return Truth((name, f"digit_dead {ids[0]} digit={at}"), [[(("digit dead",), key, {"digits": [at]})]])


def module(kind: str, found: str, words: str = "", least: int = 1, **detail: Any):
    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        ids = wrongs.some(board, "display", where=lambda id_: board.digits[id_] >= least)
        if not ids:
            return None
        key = frozenset({f"{name}.{ids[0]}"})
        return Truth((name, f"{kind} {ids[0]} {words}".strip()), [[((found,), key, detail)]])

    return make


def ghost(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    matrix = f"{name}_keys"
    at = {(x.row, x.column): i for i, x in board.crossings.items() if x.matrix == matrix}
    buttons = {i for i in at.values() if wrongs.parts[f"{name}.{i}"].kind == "button"}
    whole = any(
        {at.get((r, c)), at.get((r, d)), at.get((q, c))} <= buttons and (q, d) in at
        for r, c in at
        for q, d in at
        if r != q and c != d
    )
    if not at or not whole or matrix in board.bare:
        return None
    return Truth((name, f"diodes_missing matrix={matrix}"), [[(("ghost",), None, {"matrix": matrix})]])


def lines(kind: str, found: str, two: bool):
    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        at = [(x.row, x.column) for x in board.crossings.values()]
        which = wrongs.rng.choice(("row", "column"))
        mine = [place[which == "column"] for place in at]
        good = sorted({n for n in mine if mine.count(n) >= 2})
        if len(good) < 2 or len(at) < 4:
            return None
        numbers = sorted(wrongs.rng.sample(good, 2))
        if two:
            words = f"{kind} matrix={name}_keys line={which} numbers={numbers[0]},{numbers[1]}"
            detail: dict[str, Any] = {"matrix": f"{name}_keys", f"{which}s": numbers}
        else:
            words = f"{kind} matrix={name}_keys line={which} number={numbers[0]}"
            detail = {"matrix": f"{name}_keys", which: numbers[0]}
        return Truth((name, words), [[((found,), None, detail)]])

    return make


def diodes_backwards(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    if len(board.crossings) < 4 or board.bare:
        return None
    return Truth(
        (name, f"diodes_backwards matrix={name}_keys"), [[(("diodes backwards",), None, {"matrix": f"{name}_keys"})]]
    )


def plug(kind: str, found: str, words: str = "", on: str = "contact", **detail: Any):
    """A fault of a plug with at least five contacts or lamps on it and nothing else."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        good = [
            plug
            for plug, there in board.plugs.items()
            if len(there) >= 5 and all(board.kinds[id_] == on for id_ in there) and all(there.values())
        ]
        if not good:
            return None
        chosen = wrongs.rng.choice(good)
        text = f"{kind} connector={chosen} {words}".strip()
        return Truth((name, text), [[((found,), None, {"connector": chosen, **detail})]])

    return make


def ground_open(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    made = plug("ground_open", "common open")(wrongs, name, board)
    if made is None:
        return None
    connector = made.words[1].partition("connector=")[2]
    pins = sorted(board.plugs[connector].values())
    at = pins[wrongs.rng.randint(2, len(pins) - 3)]
    keys = frozenset(f"{name}.{i}" for i, pin in board.plugs[connector].items() if pin >= at)
    return Truth((name, f"{made.words[1]} from={at}"), [[(("common open",), keys, {"connector": connector})]])


def ground_crossed(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    made = plug("ground_crossed", "ground crossed")(wrongs, name, board)
    if made is None:
        return None
    connector = made.words[1].partition("connector=")[2]
    buttons = [i for i in board.plugs[connector] if wrongs.parts[f"{name}.{i}"].kind == "button"]
    if not buttons:
        return None
    chosen = wrongs.rng.choice(buttons)
    return Truth((name, f"ground_crossed {chosen}"), [[(("ground crossed",), None, {"connector": connector})]])


def looms(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    good = [
        plug
        for plug, there in board.plugs.items()
        if len(there) >= 4 and all(board.kinds[id_] == "contact" for id_ in there)
    ]
    if len(good) < 2:
        return None
    two = wrongs.rng.sample(good, 2)
    both = sorted(f"{name} {each}" for each in two)
    return Truth(
        (name, f"looms_interchanged connectors={two[0]},{two[1]}"), [[(("looms interchanged",), None, {"both": both})]]
    )


def chain(kind: str, found: str):
    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        rng = wrongs.rng
        which = rng.choice([k for k in ("165", "595") if k in board.chains] or [""])
        if not which:
            return None
        it = board.chains[which]
        full = [n for n in range(it.chips) if sum(bit // 8 == n for bit in it.at) >= 4]
        if not full or (kind in ("chips_in_another_order", "chip_bridged") and len(full) < 2):
            return None
        detail: dict[str, Any] = {"chain": {"165": "74HC165", "595": "74HC595"}[which]}
        words = f"{kind} chain={which}"
        if kind == "chip_dead":
            chip, reads = rng.choice(full), rng.randint(0, 1) if which == "165" else 0
            behind = which == "165" and rng.random() < 0.5
            words += f" chip={chip + 1} reads={reads} behind={'yes' if behind else 'no'}"
            detail |= {"chip": chip + 1}
        elif kind == "chips_in_another_order":
            order = list(range(1, it.chips + 1))
            while order == sorted(order):
                rng.shuffle(order)
            words += f" order={','.join(map(str, order))}"
            detail |= {"order": order}
        elif kind == "chip_bridged":
            if which != "165":
                return None
            chip = rng.choice(full[:-1])
            words += f" chip={chip + 1}"
            detail |= {"chip": chip + 1}
        elif kind == "chain_shifted":
            by = rng.choice((1, -1))
            words += f" by={by}"
            detail |= {"by": by}
        else:
            chip = rng.choice(full)
            words += f" chip={chip + 1}"
            detail |= {"chips": [chip + 1]}
        return Truth((name, words), [[((found,), None, detail)]])

    return make


def level(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    if len(board.contacts) < 4:
        return None
    return Truth((name, "level_inverted"), [[(("level inverted",), None, {"board": name})]])


def common_of_part(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    several = [m for m in board.movers.values() if len(m.channels) > 1 and board.kinds[m.channels[0]] == "contact"]
    if not several:
        return None
    mover = wrongs.rng.choice(several)
    keys = frozenset(f"{name}.{id_}" for id_ in mover.channels)
    return Truth((name, "common_open " + " ".join(mover.channels)), [[(("common open",), keys, {})]])


def counts(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "encoder")
    if not ids:
        return None
    mover = board.mover_of(ids[0])
    assert mover is not None
    detent = wrongs.rng.choice([n for n in (1, 2, 4) if n != mover.detent_counts])
    key = frozenset({f"{name}.{ids[0]}"})
    return Truth((name, f"other_counts {ids[0]} detent={detent}"), [[(("other counts",), key, {"counts": detent})]])


def skipping(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "encoder", where=lambda id_: board.mover_of(id_).detent_counts > 1)  # type: ignore[union-attr]
    if not ids:
        return None
    return Truth((name, f"skipping {ids[0]} every=3"), [[(("skipping",), frozenset({f"{name}.{ids[0]}"}), {})]])


def colour(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "lamp")
    if not ids:
        return None
    other = wrongs.rng.choice([c for c in COLOURS if c != board.colours[ids[0]]])
    key = frozenset({f"{name}.{ids[0]}"})
    return Truth((name, f"wrong_colour {ids[0]} colour={other}"), [[(("wrong colour",), key, {"colour": other})]])


def crosstalk(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "contact", 2)
    if not ids or wrongs.parts[f"{name}.{ids[0]}"] is wrongs.parts[f"{name}.{ids[1]}"]:
        return None
    keys = frozenset(f"{name}.{id_}" for id_ in ids)
    return Truth((name, "crosstalk " + " ".join(ids)), [[(("crosstalk",), keys, {})]])


def lit_by(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    lamps, contacts = wrongs.some(board, "lamp"), wrongs.some(board, "contact")
    if not lamps or not contacts:
        return None
    keys = frozenset(f"{name}.{id_}" for id_ in (*lamps, *contacts))
    return Truth((name, f"lit_by_a_control {contacts[0]} {lamps[0]}"), [[(("lit by a control",), keys, {})]])


STATIC: dict[str, Any] = {
    "stuck": simple("stuck", "contact", "stuck", "value=1"),
    "stuck open": simple("stuck", "contact", "open", "value=0"),
    "open": simple("open", "contact", "open"),
    "inverted": simple("inverted", "contact", "inverted"),
    "crossed": simple("crossed", "contact", "crossed", count=2),
    "crossed three": simple("crossed", "contact", "crossed", count=3),
    "shorted": simple("shorted", "contact", "shorted", count=2),
    "common_open": common_of_part,
    "ghost": ghost,
    "follows": simple("follows", "contact", "follows", count=2),
    "reversed encoder": simple("reversed", "encoder", "reversed"),
    "open encoder": simple("open", "encoder", "open"),
    "phase open": simple("open", "encoder", "phase open", "phase=a"),
    "skipping": skipping,
    "other_counts": counts,
    "reversed pot": simple("reversed", "pot", "reversed"),
    "open pot": simple("open", "pot", "open"),
    "noisy": simple("noisy", "pot", "noisy", "by=60"),
    "short_of_range": simple("short_of_range", "pot", "short of range", "low=0 high=800"),
    "track_open left": simple("track_open", "pot", "open", "end=left", end="left"),
    "track_open right": simple("track_open", "pot", "open", "end=right", end="right"),
    "logarithmic": simple("logarithmic", "pot", "logarithmic"),
    "dead_spot": simple("dead_spot", "pot", "dead spot"),
    "scratchy": simple("scratchy", "pot", "scratchy"),
    "level_inverted": level,
    "dead": simple("dead", "lamp", "dead"),
    "open lamp": simple("open", "lamp", "dead"),
    "always_on": simple("always_on", "lamp", "always on"),
    "dim": simple("dim", "lamp", "dim"),
    "lit_together": simple("lit_together", "lamp", "lit together", count=2),
    "crossed lamps": simple("crossed", "lamp", "crossed", count=2),
    "follows lamp": simple("follows", "lamp", "follows", count=2),
    "wrong_colour": colour,
    "shared_resistor": simple("shared_resistor", "lamp", "shared resistor", count=3),
    "lit_by_a_control": lit_by,
    "dead display": simple("dead", "display", "dead"),
    "segment_dead": segment("segment_dead", "segment dead", digit=True),
    "segment_stuck": segment("segment_stuck", "segment stuck", digit=True),
    "segments_swapped": segment("segments_swapped", "segments swapped", two=True),
    "segments_together": segment("segments_together", "segments together", two=True),
    "digits_swapped": digits_swapped,
    "digit_dead": digit_dead,
    "ribbon_shifted": module("ribbon_shifted", "ribbon shifted", by=1),
    "ribbon_reversed": module("ribbon_reversed", "ribbon reversed"),
    "upside_down": module("upside_down", "upside down"),
    "common_anode": module("common_anode", "common anode", least=2),
    "connector_off": plug("connector_off", "common open"),
    "connector_off lamps": plug("connector_off", "common open", on="lamp"),
    "ground_open": ground_open,
    "ground_crossed": ground_crossed,
    "plug_shifted": plug("plug_shifted", "plug shifted", "by=1", by=1),
    "plug_shifted back": plug("plug_shifted", "plug shifted", "by=-1", by=-1),
    "plug_shifted lamps": plug("plug_shifted", "plug shifted", "by=1", on="lamp", by=1),
    "plug_reversed": plug("plug_reversed", "plug reversed"),
    "plug_reversed lamps": plug("plug_reversed", "plug reversed", on="lamp"),
    "looms_interchanged": looms,
    "matrix_line_off": lines("matrix_line_off", "matrix line off", two=False),
    "matrix_lines_crossed": lines("matrix_lines_crossed", "matrix lines crossed", two=True),
    "diodes_backwards": diodes_backwards,
    "chip_dead": chain("chip_dead", "chip dead"),
    "chips_in_another_order": chain("chips_in_another_order", "chips in another order"),
    "chip_bridged": chain("chip_bridged", "chip bridged"),
    "chain_shifted": chain("chain_shifted", "chain shifted"),
    "chip_pins_reversed": chain("chip_pins_reversed", "chip pins reversed"),
}
INTERMITTENT: dict[str, Any] = {
    "chattering": simple("chattering", "contact", "chattering", "lasting=60ms"),
    "loose": simple("loose", "contact", "chattering", "every=100ms gap=12ms"),
    "floating": simple("floating", "contact", "floating"),
    "floating phase": simple("floating", "encoder", "floating"),
    "crosstalk": crosstalk,
    "misses": simple("misses", "contact", "misses", "one_in=3"),
    "loose lamp": simple("loose", "lamp", "flickering"),
    "flickering": simple("flickering", "lamp", "flickering"),
}
MAKERS = STATIC | INTERMITTENT


def tells(finding: Finding, kinds: Iterable[str], channels: frozenset[str] | None, detail: dict[str, Any]) -> bool:
    """Whether a finding tells this."""
    if set(kinds).isdisjoint(finding.kinds):
        return False
    if channels is not None and set(finding.channels) != channels:
        return False
    found = dict(finding.detail)
    if "connectors" in found:
        found["both"] = sorted(found["connectors"])
    if "segments" in found:
        found["segments"] = sorted(found["segments"])
    return all(found.get(key) == value for key, value in detail.items())


def named(findings: list[Finding], truths: list[Truth]) -> bool:
    """Whether some reading of `findings` (one choice of each open question) is just what is true."""
    left = list(findings)
    for truth in truths:
        hit = next(
            (
                found
                for way in truth.ways
                if (found := [next((f for f in left if tells(f, *each)), None) for each in way]) and all(found)
            ),
            None,
        )
        if hit is None:
            return False
        groups = {f.either.group: f.either.choice for f in hit if f is not None and f.either}
        left = [
            f
            for f in left
            if f not in hit and not (f.either and groups.get(f.either.group, f.either.choice) != f.either.choice)
        ]
    return not left
