"""Panels whose plugs carry anything (contacts, knobs, lamps, displays together), and every single cause on them.

Written from data sheets and common practice (no source), not from the diagnosis. `CAUSES` lists what one mistake with
soldering iron, crimp or screwdriver does to a panel, with the line of the faults file that does it and what is true.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from walk.built_panels import COLOURS, MAKERS, Built, Truth, Wrongs, plug

from benchcon.rig.wiring import Wiring


class Mixed(Built):
    """A panel of one or two boards; each plug carries what a person found near it."""

    def _board(self, name: str, room: int) -> None:
        rng = self.rng
        chips, drivers = rng.choice((0, 1, 2, 3)), rng.choice((0, 1, 2, 3))
        self.text.append(f'[boards.{name}]\nbudget = "400 mA"')
        if chips:
            self.text.append(f'chains.165 = {{ data = "D12", clock = "A0", load = "A1", chips = {chips} }}')
        if drivers:
            self.text.append(f'chains.595 = {{ data = "D11", clock = "D13", load = "D10", chips = {drivers} }}')
        self.text.append('chains.7219 = { data = "D50", clock = "D51", load = "D49", chips = 3 }')
        rows, columns = rng.choice(((0, 0), (2, 2), (3, 4), (4, 3), (4, 4), (2, 5)))
        if rows:
            pins = [f'"D{n}"' for n in range(22, 22 + rows + columns)]
            self.text.append(f'[matrices.{name}_keys]\nboard = "{name}"\nrows = [{", ".join(pins[:rows])}]')
            self.text.append(f"columns = [{', '.join(pins[rows:])}]\ndiodes = {str(self.has_diodes).lower()}")
        ins = [f"165.{n}" for n in range(8 * chips)] + [f"D{n}" for n in range(2, 10)]
        outs = [f"595.{n}" for n in range(8 * drivers)] + [f"A{n}" for n in range(8, 16)]
        turned, wipers = [f"D{n}/D{n + 1}" for n in range(32, 42, 2)], [f"A{n}" for n in range(2, 8)]
        digit, number, left = 0, 0, room
        while left > 0 and (ins or outs):
            number += 1
            size = rng.randint(4, 12)
            what = rng.choice(("contacts", "contacts", "lamps", "mixed", "mixed", "mixed"))
            at = 1
            while at <= size and left > 0:
                kind = "contact" if what == "contacts" else "lamp"
                if what == "mixed":
                    kind = rng.choice(("contact", "contact", "contact", "lamp", "lamp", "encoder", "pot", "display"))
                wire = f', connector = "J{number}", connector_pin = "{at}"'
                if kind == "contact" and ins:
                    sort = rng.choice(("button", "button", "button", "toggle", "toggle", "rotary", "three"))
                    want = {"rotary": rng.randint(3, 6), "three": 2}.get(sort, 1)
                    if want > min(len(ins), size + 1 - at):
                        sort, want = "toggle", 1
                    taken, ins = ins[:want], ins[want:]
                    self._control(name, sort, taken, f"J{number}", at - 1)
                    at += want
                    left -= want
                    continue
                if kind == "lamp" and outs:
                    self._lamp(name, outs.pop(0), wire)
                elif kind == "encoder" and turned:
                    both = f', connector = "J{number}", connector_pin = "{at}/{at + 1}"'
                    self._knob(name, "encoder", turned.pop(0), both)
                    at += 1
                elif kind == "pot" and wipers:
                    self._knob(name, "pot", wipers.pop(0), wire)
                elif kind == "display" and digit < 20:
                    digits = rng.randint(1, 4)
                    self._display(name, digits, digit, wire)
                    digit += digits
                at += 1
                left -= 1
        for row in range(rows):
            for column in range(columns):
                if rng.random() < 0.95:
                    sort = rng.choice(("button", "button", "button", "toggle"))
                    self._control(name, sort, [f"{name}_keys.r{row}c{column}"], "")

    def _lamp(self, name: str, pin: str, wire: str) -> None:
        self.count += 1
        self.text.append(
            f'[lamps.l{self.count}]\nlabel = "Lamp {self.count}"\ncolour = "{self.rng.choice(COLOURS)}"\n'
            f'current = "4 mA"\nchannel = {{ id = "{name}.c{self.count}", pin = "{pin}"{wire} }}'
        )

    def _display(self, name: str, digits: int, digit: int, wire: str) -> None:
        self.count += 1
        self.text.append(
            f'[displays.d{self.count}]\nlabel = "Display {self.count}"\ndigits = {digits}\n'
            f'segment_current = "2 mA"\nchannel = {{ id = "{name}.c{self.count}", pin = "7219.{digit}"{wire} }}'
        )

    def _knob(self, name: str, kind: str, pin: str, wire: str = "") -> None:
        self.count += 1
        text = f'[controls.{kind}{self.count}]\nlabel = "Knob {self.count}"\nkind = "{kind}"\n'
        text += f'channel = {{ id = "{name}.c{self.count}", pin = "{pin}"{wire} }}'
        if kind == "encoder":
            text += f"\ncounts_per_detent = {self.rng.choice((1, 2, 4, 4))}"
        elif self.rng.random() < 0.4:
            low = self.rng.randint(0, 200)
            text += f"\nlow = {low}\nhigh = {low + self.rng.randint(300, 800)}"
        self.text.append(text)


# --- what one mistake does ----------------------------------------------------------------------------------------

Maker = Callable[[Wrongs, str, Wiring], Truth | None]


def _several(ways: list[list[tuple[str, frozenset[str] | None, dict[str, Any]]]]) -> list[Any]:
    return [[((kind,), keys, detail) for kind, keys, detail in way] for way in ways]


def whole_plug(
    kind: str, found: str, words: str = "", of: tuple[str, ...] = ("contact", "lamp"), **detail: Any
) -> Maker:
    """A fault of a plug that carries at least four single wires, of these kinds at least three, and anything else."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        good = []
        for each, there in board.plugs.items():
            kinds = [board.kinds[id_] for id_ in there]
            if sum(kinds.count(k) for k in of) >= 3 and len(there) >= 4 and (len(of) == 1 or len(set(kinds)) > 1):
                good.append(each)
        if not good:
            return None
        chosen = wrongs.rng.choice(good)
        ways = [[(found, None, {"connector": chosen, **detail})]]
        if found.startswith("plug"):
            # Where no wire ends at one of its own sort, or its ground sits on a signal, all of it is dead, and a person
            # who is told to look at that plug finds out.
            ways.append([("common open", None, {"connector": chosen})])
        return Truth((name, f"{kind} connector={chosen} {words}".strip()), _several(ways))

    return make


def chain(kind: str, found: str, which: str, words: str = "", **detail: Any) -> Maker:
    """A fault of one chain; `words` may be ``behind``, ``alone``, ``one`` or ``all``."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        rng = wrongs.rng
        it = board.chains.get(which)
        if it is None:
            return None
        used = dict(it.at)
        if which == "7219":
            used = {bit + n: id_ for bit, id_ in it.at.items() for n in range(board.digits[id_])}
        least = 1 if which == "7219" else 4
        # With fewer, wires that end where nothing is are all dead, whatever the cause.
        least = 6 if kind == "chip_pins_reversed" else least
        full = [n for n in range(it.chips) if sum(bit // 8 == n for bit in used) >= least]
        if not full:
            return None
        text = f"{kind} chain={which}"
        told: dict[str, Any] = {"chain": {"165": "74HC165", "595": "74HC595", "7219": "MAX7219"}[which], **detail}
        if kind == "chip_dead":
            behind = words == "behind"
            good = [n for n in full if not behind or any(m > n for m in full)]
            if not good:
                return None
            chip = rng.choice(good)
            reads = rng.randint(0, 1) if which == "165" else 0
            text += f" chip={chip + 1} behind={'yes' if behind else 'no'}"
            text += f" reads={reads}" if which == "165" else ""
            # A 595 that hands nothing on works itself.
            told["driver" if which == "7219" else "chip"] = chip + 2 if behind and which == "595" else chip + 1
        elif kind == "chips_in_another_order":
            if len(full) < (it.chips if which == "7219" else 2):
                return None
            order = list(range(1, it.chips + 1))
            while order == sorted(order) or all(order[n] == n + 1 for n in full):
                rng.shuffle(order)
            text += f" order={','.join(map(str, order))}"
            told["order"] = order
        elif kind == "chip_bridged":
            good = [n for n in full if any(m > n for m in full)] if words != "last" else full[-1:]
            if not good:
                return None
            chip = rng.choice(good)
            text += f" chip={chip + 1}"
            told["chip"] = chip + 1
        elif kind == "chain_shifted":
            text += f" by={detail['by']}"
        elif kind == "chip_pins_reversed":
            if words == "all" and len(full) < it.chips:
                return None
            chip = -1 if words == "all" else rng.choice(full)
            text += f" chip={chip + 1}"
            told["chips"] = [chip + 1] if chip >= 0 else list(range(1, it.chips + 1))
        ways = [[(found, None, told)]]
        if which == "7219" and kind == "chip_dead":
            keys = {f"{name}.{id_}" for bit, id_ in used.items() if bit // 8 >= told["driver"] - 1}
            if words != "behind":
                keys = {f"{name}.{id_}" for bit, id_ in used.items() if bit // 8 == told["driver"] - 1}
            if len(keys) < 2:
                return None
            if words == "behind" and told["driver"] == 1:
                del told["driver"]  # all of the chain
        return Truth((name, text), _several(ways))

    return make


def matrix(kind: str, found: str, *, line: str = "") -> Maker:
    """A fault of a matrix; `line`: ``row``, ``column`` or ``both`` (a row and a column)."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        at = [(x.row, x.column) for x in board.crossings.values()]
        rows, columns = sorted({r for r, _ in at}), sorted({c for _, c in at})
        if len(at) < 4:
            return None
        told: dict[str, Any] = {"matrix": f"{name}_keys"}
        text = f"{kind} matrix={name}_keys"
        if line == "both":
            row, column = wrongs.rng.choice(rows), wrongs.rng.choice(columns)
            if sum(r == row or c == column for r, c in at) < 4:
                return None  # two dead keys or three are as well two or three
            text += f" line=both numbers={row},{column}"
            told |= {"rows": [row], "columns": [column]}
        elif line:
            good = rows if line == "row" else columns
            good = [n for n in good if sum(place[line == "column"] == n for place in at) >= 2]
            if len(good) < 2:
                return None
            one, other = sorted(wrongs.rng.sample(good, 2))
            if kind == "matrix_line_off":
                text += f" line={line} number={one}"
                told[line] = one
            else:
                text += f" line={line} numbers={one},{other}"
                told[f"{line}s"] = [one, other]
        elif board.bare:
            return None
        return Truth((name, text), _several([[(found, None, told)]]))

    return make


def one_diode(how: str) -> Maker:
    """The diode at one contact of a matrix that has diodes."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        at = {(x.row, x.column): id_ for id_, x in board.crossings.items()}
        # One that ends a rectangle of three buttons: a person can hold them.
        buttons = {p for p, id_ in at.items() if wrongs.parts[f"{name}.{id_}"].kind == "button"}
        good = [
            (r, c)
            for r, c in buttons
            if any((r, d) in buttons and (q, c) in buttons and (q, d) in at for q, d in at if q != r and d != c)
        ]
        if not good or board.bare:
            return None
        id_ = at[wrongs.rng.choice(good)]
        key = frozenset({f"{name}.{id_}"})
        # Where no current goes that way at all, it may as well be the wire.
        ways = [[("open", key, {})]] if how != "shorted" else []
        ways += [[("diode wrong", key, {"is": how})]]
        return Truth((name, f"diode_wrong {id_} is={how}"), _several(ways))

    return make


def encoder_common(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "encoder")
    if not ids:
        return None
    return Truth((name, f"common_open {ids[0]}"), _several([[("open", frozenset({f"{name}.{ids[0]}"}), {})]]))


def three_stuck(on: str, kind: str, words: str, found: str) -> Maker:
    """Three of a kind at once that have nothing to do with each other."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        ids = wrongs.some(board, on, 3, lambda i: on == "lamp" or wrongs.parts[f"{name}.{i}"].kind == "button")
        if not ids:
            return None
        text = "\n".join(f"{kind} {id_} {words}".strip() for id_ in ids)
        keys = [f"{name}.{id_}" for id_ in ids]
        # All that is on one chip may be that chip: then the three are one of two answers, on a line of their own.
        ways = [[(found, frozenset({key}), {}) for key in keys], [(found, frozenset(keys), {})]]
        return Truth((name, text), _several(ways))

    return make


def sneak(left_made: bool) -> Maker:
    """A one-way path from one contact to another; `left_made`: onto a toggle that was made before the walk began."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        kinds = {id_: wrongs.parts[f"{name}.{id_}"] for id_, k in board.kinds.items() if k == "contact"}
        made = [
            i
            for i, part in kinds.items()
            if part.kind == "switch" and len(part.channels) == 1 and wrongs.stands.get(part.name)
        ]
        others = [i for i, part in kinds.items() if part.kind == "button" or not left_made]
        if (left_made and not made) or len(others) < 3:
            return None
        first = wrongs.rng.choice(others)
        second = wrongs.rng.choice(made if left_made else [i for i in others if kinds[i] is not kinds[first]])
        keys = frozenset({f"{name}.{first}", f"{name}.{second}"})
        return Truth((name, f"follows {first} {second}"), _several([[("follows", keys, {})]]))

    return make


def throws_inverted(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    """A three-position switch built in the other way up: the wires of its throws are swapped."""
    good = [p for p in wrongs.panel.controls if p.name.startswith("three") and p.channels[0].board == name]
    if not good:
        return None
    part = wrongs.rng.choice(good)
    ids = [c.id for c in part.channels]
    keys = frozenset(f"{name}.{i}" for i in ids)
    return Truth((name, "crossed " + " ".join(ids)), _several([[("crossed", keys, {})]]))


def rotary_reversed(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    """A rotary switch whose wires run the other way round its wafer."""
    good = [p for p in wrongs.panel.controls if p.name.startswith("rotary") and p.channels[0].board == name]
    if not good:
        return None
    ids = [c.id for c in wrongs.rng.choice(good).channels]
    keys = frozenset(f"{name}.{i}" for i in ids)
    middle = {f"{name}.{ids[len(ids) // 2]}"} if len(ids) % 2 else set()
    # Of three only the outer two go elsewhere.
    ways = [[("crossed" if len(ids) == 3 else "reversed", keys - middle, {})]]
    return Truth((name, "mirrored " + " ".join(ids)), _several(ways))


def pots_crossed(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "pot", 2)
    if not ids:
        return None
    keys = frozenset(f"{name}.{i}" for i in ids)
    return Truth((name, "crossed " + " ".join(ids)), _several([[("crossed", keys, {})]]))


def looms_of_boards(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    if len(wrongs.boards) < 2:
        return None
    return Truth(
        ("", "looms_interchanged boards=a,b"), _several([[("looms interchanged", None, {"boards": ["a", "b"]})]])
    )


def renamed(kind: str, words: str = "") -> Maker:
    """The maker of `built_panels`, with settings added."""

    def make(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
        made = MAKERS[kind](wrongs, name, board)
        return None if made is None else Truth((made.words[0], f"{made.words[1]} {words}".strip()), made.ways)

    return make


def ribbon_back(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "display")
    if not ids:
        return None
    keys = frozenset({f"{name}.{ids[0]}"})
    return Truth((name, f"ribbon_shifted {ids[0]} by=-1"), _several([[("ribbon shifted", keys, {"by": -1})]]))


def one_digit_anode(wrongs: Wrongs, name: str, board: Wiring) -> Truth | None:
    ids = wrongs.some(board, "display", where=lambda id_: board.digits[id_] == 1)
    if not ids:
        return None
    return Truth((name, f"common_anode {ids[0]}"), _several([[("common anode", frozenset({f"{name}.{ids[0]}"}), {})]]))


CAUSES: dict[str, Maker] = {
    "connector off, contacts only": whole_plug("connector_off", "common open", of=("contact",)),
    "connector off, lamps only": whole_plug("connector_off", "common open", of=("lamp",)),
    "connector off, anything on it": whole_plug("connector_off", "common open"),
    "ground swapped with a signal": MAKERS["ground_crossed"],
    "neighbours dead from one on": MAKERS["ground_open"],
    "plug one hole on": whole_plug("plug_shifted", "plug shifted", "by=1", by=1),
    "plug one hole back": whole_plug("plug_shifted", "plug shifted", "by=-1", by=-1),
    "plug one hole on, with its ground": whole_plug("plug_shifted", "plug shifted", "by=1 ground=first", by=1),
    "plug one hole back, with its ground": whole_plug("plug_shifted", "plug shifted", "by=-1 ground=first", by=-1),
    "plug reversed or ribbon mirrored": whole_plug("plug_reversed", "plug reversed"),
    "plug reversed, with its ground": whole_plug("plug_reversed", "plug reversed", "ground=last"),
    "165: chips in another order": chain("chips_in_another_order", "chips in another order", "165"),
    "165: a chip bridged": chain("chip_bridged", "chip bridged", "165"),
    "165: a chip dead": chain("chip_dead", "chip dead", "165"),
    "165: a chip dead, and what is behind it": chain("chip_dead", "chip dead", "165", "behind"),
    "165: one bit late": chain("chain_shifted", "chain shifted", "165", by=1),
    "165: one bit early": chain("chain_shifted", "chain shifted", "165", by=-1),
    "165: inputs H to A": chain("chip_pins_reversed", "chip pins reversed", "165"),
    "165: inputs H to A, all chips": chain("chip_pins_reversed", "chip pins reversed", "165", "all"),
    "595: chips in another order": chain("chips_in_another_order", "chips in another order", "595"),
    "595: a chip bridged": chain("chip_bridged", "chip bridged", "595"),
    "595: a chip dead": chain("chip_dead", "chip dead", "595"),
    "595: a chip dead, and what is behind it": chain("chip_dead", "chip dead", "595", "behind"),
    "595: one bit late": chain("chain_shifted", "chain shifted", "595", by=1),
    "595: one bit early": chain("chain_shifted", "chain shifted", "595", by=-1),
    "595: outputs H to A": chain("chip_pins_reversed", "chip pins reversed", "595"),
    "595: outputs H to A, all chips": chain("chip_pins_reversed", "chip pins reversed", "595", "all"),
    "7219: chips in another order": chain("chips_in_another_order", "chips in another order", "7219"),
    "7219: a chip bridged": chain("chip_bridged", "chip bridged", "7219"),
    "7219: the last chip bridged": chain("chip_bridged", "chip bridged", "7219", "last"),
    "7219: a chip dead": chain("chip_dead", "common open", "7219"),
    "7219: a chip dead, and what is behind it": chain("chip_dead", "common open", "7219", "behind"),
    "7219: digits 7 to 0": chain("chip_pins_reversed", "chip pins reversed", "7219"),
    "matrix: row off": matrix("matrix_line_off", "matrix line off", line="row"),
    "matrix: column off": matrix("matrix_line_off", "matrix line off", line="column"),
    "matrix: rows exchanged": matrix("matrix_lines_crossed", "matrix lines crossed", line="row"),
    "matrix: columns exchanged": matrix("matrix_lines_crossed", "matrix lines crossed", line="column"),
    "matrix: a row and a column exchanged": matrix("matrix_lines_crossed", "matrix lines crossed", line="both"),
    "matrix: diodes backwards": matrix("diodes_backwards", "diodes backwards"),
    "matrix: diodes missing": MAKERS["ghost"],
    "matrix: one diode shorted": one_diode("shorted"),
    "matrix: one diode open": one_diode("open"),
    "matrix: one diode backwards": one_diode("backwards"),
    "common of a toggle or rotary": MAKERS["common_open"],
    "common of an encoder": encoder_common,
    "looms of two plugs interchanged": MAKERS["looms_interchanged"],
    "looms of two boards interchanged": looms_of_boards,
    "level wrong for a board": MAKERS["level_inverted"],
    "display: common anode": MAKERS["common_anode"],
    "display: common anode, one digit": one_digit_anode,
    "display: ribbon one hole on": MAKERS["ribbon_shifted"],
    "display: ribbon one hole back": ribbon_back,
    "display: ribbon reversed": MAKERS["ribbon_reversed"],
    "display: module upside down": MAKERS["upside_down"],
    "floating input, 50 Hz": MAKERS["floating"],
    "floating input, 60 Hz": renamed("floating", "period=16667us"),
    "floating input, rectified mains": renamed("floating", "period=10ms"),
    "floating phase of an encoder": MAKERS["floating phase"],
    "cross-talk": MAKERS["crosstalk"],
    "worn contact that misses": MAKERS["misses"],
    "worn contact that chatters": MAKERS["chattering"],
    "pot: left end off": MAKERS["track_open left"],
    "pot: right end off": MAKERS["track_open right"],
    "pot: wiper off": MAKERS["open pot"],
    "pot: logarithmic": MAKERS["logarithmic"],
    "pot: dead spot": MAKERS["dead_spot"],
    "pot: scratchy": MAKERS["scratchy"],
    "pots of unlike range crossed": pots_crossed,
    "three contacts stuck made": three_stuck("contact", "stuck", "value=1", "stuck"),
    "three lamps always on": three_stuck("lamp", "always_on", "", "always on"),
    "one-way path": sneak(False),
    "one-way path onto a toggle left made": sneak(True),
    "throws inverted": throws_inverted,
    "rotary wired the other way round": rotary_reversed,
    "two lamps on one resistor": renamed("shared_resistor"),
}
"""By what an old hand would call it."""

__all__ = ["CAUSES", "Mixed", "plug"]
