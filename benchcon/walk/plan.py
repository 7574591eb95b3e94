"""The plan of a walk: everything to test, in the order of the panel, as moves of the hand and looks of the eye."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeVar

from benchcon.diagnosis.evidence import Seen
from benchcon.diagnosis.layout import PanelIndex
from benchcon.panel.model import Control, Display, Lamp, Panel, Part, Supply, SupplySource
from benchcon.panel.supplies import fed_by, switching, wired_sources
from benchcon.text import listed
from benchcon.walk.load import rounds, shares
from benchcon.walk.patterns import one_by_one, within

LOOKS = ("dark", "lamp", "display", "together", "pair")
"""Looks at outputs that have supply."""
ALL_TO_BE_LIT = ("supplied", "together", "pair")
"""Looks at several outputs all of which should be lit, so that the person points at those that are not."""
LOOK_KINDS = ("dark", "lamp", "display", "supply", "together", "pair")
"""Kinds of group that are looks of the eye."""
SUPPLY_LOOKS = ("no_supply", "supplied")
"""Looks while supplies are switched off and on."""
EIGHT = b"\x7f"
"""The segments of an 8, without the point."""
ENOUGH = 0.8
"""Share of a board's budget that is used to see what a supply feeds."""
STARTED_MS = 300
"""How long after a source has started the first look is."""
DETENTS = 10
"""Number of detents that an encoder is turned each way."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that the walk asks.

    `do` is one of `evidence.ACTIONS`, or a look: ``dark`` (all outputs off), ``lamp``, ``display``, ``together`` (all
    of `parts` lit, as far as the budgets allow) or ``pair`` (two lamps lit). For a supply it is ``starting`` (wait
    until it has started), or a look with all that it feeds commanded to light: ``no_supply`` or ``supplied``.
    """

    do: str
    parts: tuple[str, ...] = ()
    to: int = 0
    """With put, turn and end as in `evidence.HandStep`; starting: milliseconds; supplied: number of the source, from 1;
    together: number of the look, from 1."""
    picture: bytes = b""
    supply: str = ""
    """Name of the supply that the step is about."""
    why: str = ""
    """A sentence that says why it is asked, where that is not obvious."""


@dataclass(frozen=True, slots=True)
class Group:
    """What is tested, and if need be repeated, as a unit: one control, one lamp, one display."""

    name: str
    """The part's name, or ``rest``, ``dark``, ``clear NAME``, ``matrix NAME``, ``listen``, ``supply NAME``, ``all
    lit``, ``pairs``."""
    kind: str
    """``rest``, ``control``, ``clear``, ``matrix``, ``listen``, ``dark``, ``lamp``, ``display``, ``supply``,
    ``together`` or ``pair``."""
    parts: tuple[str, ...] = ()

    @property
    def is_part(self) -> bool:
        """Whether it is one part: a control, a lamp or a display."""
        return self.kind in ("control", "lamp", "display")


def plan(panel: Panel, only: Collection[str] = (), asked_before: Collection[str] = ()) -> list[Group]:
    """Return the groups of a walk over `panel`, in order.

    The order is: all dark, one lamp, hands off, controls, matrices, lamps, displays, supplies, all lit together. `only`
    names the parts to test; empty means all. `asked_before` names parts that an earlier walk tested. A supply is tested
    along with any of the controls that switch it; a board's outputs are lit together if all of them are tested, or have
    been. Parts that are not wired yet are in the plan for the report.
    """
    layout = PanelIndex.of(panel)
    wanted = set(only) or {part.name for part in panel.parts}
    controls = [c for c in _in_order(panel, panel.controls) if c.name in wanted]
    lamps = [lamp for lamp in _in_order(panel, panel.lamps) if lamp.name in wanted]
    displays = [display for display in _in_order(panel, panel.displays) if display.name in wanted]
    looks = [Group(lamp.name, "lamp", (lamp.name,)) for lamp in lamps]
    looks += [Group(display.name, "display", (display.name,)) for display in displays]
    groups: list[Group] = []
    if looks:
        groups.append(Group("dark", "dark"))
    if controls and lamps:
        groups.append(looks.pop(0))  # a lamp first, so that it can signal right steps to a person away from the screen
    if controls:
        groups.append(Group("rest", "rest"))
        groups += _to_clear(layout, wanted)
    groups += [Group(control.name, "control", (control.name,)) for control in controls]
    groups += _matrices(layout, wanted) + looks + _supplies(panel, wanted)
    return groups + _all_lit(panel, wanted, asked_before)


def steps(layout: PanelIndex, group: Group, values: Mapping[str, int]) -> list[Step]:
    """Return the steps of `group`, which begins with the channels at `values`."""
    if group.kind in ("rest", "dark"):
        return [Step(group.kind)]
    if group.kind == "listen":
        return [Step("rest", group.parts)]
    if group.kind == "clear":
        return _clearing(layout, group, values)
    if group.kind == "matrix":
        return [Step("put", group.parts, 1), Step("put", group.parts, 0)]
    if group.kind == "supply":
        return _supply_steps(layout, group, values)
    if group.kind == "together":
        return _together(layout.panel, group.parts)
    if group.kind == "pair":
        return [Step("pair", pair) for pair in zip(group.parts[::2], group.parts[1::2], strict=True)]
    part = layout.part(group.parts[0])
    if isinstance(part, Lamp):
        return [Step("lamp", (part.name,))]
    if isinstance(part, Display):
        return _pictures(layout, part, within)
    return _strokes(part, values)


def _pictures(layout: PanelIndex, part: Display, those: Callable[[int, float, float], list[bytes]]) -> list[Step]:
    board = layout.panel.board(part.channel.board)
    budget_ma = board.budget_ma if board else 400.0
    return [Step("display", (part.name,), 0, picture) for picture in those(part.digits, part.segment_ma, budget_ma)]


def odd_display(layout: PanelIndex, name: str) -> list[Step]:
    """Return the steps for a display that looked wrong: segment by segment, then digit by digit."""
    return _pictures(layout, layout.displays[name], one_by_one)


def _strokes(control: Control, values: Mapping[str, int]) -> list[Step]:
    own = (control.name,)
    if control.kind == "encoder":
        return [Step("turn", own, DETENTS), Step("turn", own, -DETENTS)]
    if control.kind == "pot":
        # Do not begin with the end where it is already: nothing would change.
        middle = (control.low_count + control.high_count) / 2
        high = values.get(control.channels[0].key, 0) > middle
        first = int(high == control.inverted)
        return [Step("end", own, first), Step("end", own, 1 - first), Step("still", own)]
    codes = control.codes
    spring = control.spring
    start = position_of(control, values)
    count = len(codes)
    begin = start if start is not None else count - 1
    order = [(begin + n) % count for n in range(1, count + 1)]
    out: list[Step] = []
    rest = begin if begin not in spring else next((n for n in range(count) if n not in spring), 0)
    for position in order:
        if out and position == out[-1].to:
            continue
        out.append(Step("put", own, position))
        if position in spring:
            out.append(Step("put", own, rest))
    return out


def position_of(control: Control, values: Mapping[str, int]) -> int | None:
    """Return the position (from 0) that the channels' `values` mean, or None."""
    now = tuple(values.get(channel.key) for channel in control.channels)
    return next((n for n, code in enumerate(control.codes) if code == now), None)


_P = TypeVar("_P", Control, Lamp, Display)


def _in_order(panel: Panel, parts: tuple[_P, ...]) -> list[_P]:
    """Return `parts` board by board, row by row, from the left, so that the hand moves little."""
    boards = {board.name: n for n, board in enumerate(panel.boards)}

    def at(part: Part) -> tuple[int, int, float]:
        channel = part.channels[0]
        board = boards.get(channel.board, len(boards))
        return (board, round(part.place.y_mm / 25), part.place.x_mm) if part.place else (board, 1 << 30, 0.0)

    return sorted(parts, key=at)


def _matrices(layout: PanelIndex, wanted: Collection[str]) -> list[Group]:
    """Return groups of three keys of a rectangle to hold together, one for each diode of each matrix.

    A current that flows back does so through the diode of the key at the corner of the three, and only there, so every
    key is the corner once. If a matrix has no diodes, one such group shows it.
    """
    out: list[Group] = []
    for matrix in dict.fromkeys(layout.matrix_of.values()):
        corners: dict[str, tuple[str, ...]] = {}
        for names in rectangles(layout, matrix):
            corners.setdefault(names[1], names)
        threes = list(corners.values()) if layout.diodes.get(matrix, True) else list(corners.values())[:1]
        for number, names in enumerate(threes, 1):
            if not set(names).isdisjoint(wanted):
                out.append(Group(f"matrix {matrix}" + (f" {number}" if number > 1 else ""), "matrix", names))
    return out


def _to_clear(layout: PanelIndex, wanted: Collection[str]) -> list[Group]:
    """Return a group for each matrix without diodes that has switches: those that stay made turn others into ghosts."""
    out = []
    for matrix in dict.fromkeys(layout.matrix_of.values()):
        names = [spot.part.name for key, spot in layout.spots.items() if layout.matrix_of.get(key) == matrix]
        switches = tuple(
            dict.fromkeys(name for name in names if layout.controls[name].wired and _open_at(layout, name))
        )
        if not layout.diodes.get(matrix, True) and switches and not set(wanted).isdisjoint(names):
            out.append(Group(f"clear {matrix}", "clear", switches))
    return out


def _open_at(layout: PanelIndex, name: str) -> list[int]:
    """Return the positions, without those that spring back, in which none of a switch's contacts is made."""
    control = layout.controls[name]
    if control.kind != "switch" or control.spring:
        return []
    return [position for position, code in enumerate(control.codes) if not any(code)]


def _clearing(layout: PanelIndex, group: Group, values: Mapping[str, int]) -> list[Step]:
    """Return the steps that put all switches of a matrix to a position where they are open; none if they are.

    If two or more are made, the board may report none of them, because it cannot know which they are.
    """
    matrix = group.name.removeprefix("clear ")
    if len(group.parts) < 2 and not any(values.get(key) for key, name in layout.matrix_of.items() if name == matrix):
        return []
    by: dict[int, list[str]] = {}
    for name in group.parts:
        by.setdefault(_open_at(layout, name)[0], []).append(name)
    return [Step("put", tuple(names), position, why=_NO_DIODES) for position, names in by.items()]


_NO_DIODES = "Their matrix has no diodes: contacts that stay made there make others seem made."
PRESSES = 8
"""How often a contact that first showed nothing and then did is asked again. With the time that it made, a contact that
misses one time in three has nine chances to miss again, and does so 97 times in 100 (binomial distribution)."""


def pressed_again(layout: PanelIndex, name: str, to: int, presses: int = PRESSES) -> list[Step]:
    """Return `presses` steps that show how often a button, or a switch put to `to`, makes."""
    control = layout.controls[name]
    spring = control.spring
    rest = next((n for n in range(len(control.codes)) if n not in spring and n != to), 0)
    return [Step("put", (name,), position) for _ in range(presses) for position in (to, rest)]


def _supplies(panel: Panel, wanted: Collection[str]) -> list[Group]:
    """Return a group for each supply that a wired control switches and that feeds anything wired."""
    out = []
    for supply in panel.supplies:
        controls = tuple(dict.fromkeys(name for source in wired_sources(panel, supply) for name, _ in source.at))
        fed = tuple(part.name for part in fed_by(panel, supply))
        if fed and not set(controls).isdisjoint(wanted):
            out.append(Group(f"supply {supply.name}", "supply", (*controls, *fed)))
    return out


def _supply_steps(layout: PanelIndex, group: Group, values: Mapping[str, int]) -> list[Step]:
    """Return the looks at what a supply feeds, commanded to light: switched off (dark), then by each source (lit)."""
    panel = layout.panel
    supply = next(each for each in panel.supplies if f"supply {each.name}" == group.name)
    fed = _lit_together(panel, supply)
    controls = [layout.controls[name] for name in group.parts if name in layout.controls]
    known = {control.name: position_of(control, values) for control in controls}
    at = {name: -1 if position is None else position for name, position in known.items()}
    out: list[Step] = []

    def switched(source: SupplySource | None) -> bool:
        to = switching(panel, supply, source, at)
        for name, position in (to or {}).items():
            if at[name] != position:
                out.append(Step("put", (name,), position))
                at[name] = position
        return to is not None

    if switched(None):
        out.append(Step("no_supply", fed, supply=supply.name))
    for number, source in enumerate(supply.sources, 1):
        if source in wired_sources(panel, supply) and switched(source):
            if source.after_us:
                out.append(Step("starting", (), source.after_us // 1000 + STARTED_MS, supply=supply.name))
            out.append(Step("supplied", fed, number, supply=supply.name))
    for control in controls:  # release what would have to be held down for the rest of the walk
        if at[control.name] in control.spring:
            out.append(Step("put", (control.name,), 0))
    return out


def _lit_together(panel: Panel, supply: Supply) -> tuple[str, ...]:
    """Return by name as many of the outputs that `supply` feeds as their boards' budgets allow together."""
    left = {board.name: board.budget_ma * ENOUGH for board in panel.boards}
    out: list[str] = []
    for part in fed_by(panel, supply):
        takes = part.current_ma if isinstance(part, Lamp) else part.segment_ma * EIGHT[0].bit_count()
        board = part.channel.board
        if takes <= left.get(board, 0.0) or not any(name in out for name in _on(panel, board)):
            left[board] = left.get(board, 0.0) - takes
            out.append(part.name)
    return tuple(out)


def _all_lit(panel: Panel, wanted: Collection[str], asked_before: Collection[str]) -> list[Group]:
    """Return the group that lights all outputs of the boards that are tested as a whole, to see if one browns out."""
    names: list[str] = []
    for board in panel.boards:
        outputs = [part.name for part in panel.outputs if part.wired and part.channel.board == board.name]
        if not set(outputs).isdisjoint(wanted) and {*wanted, *asked_before} >= set(outputs):
            names += outputs
    return [Group("all lit", "together", tuple(names))] if len(names) > 1 else []


def _together(panel: Panel, names: tuple[str, ...]) -> list[Step]:
    """Return one look at the outputs `names`, or several if the boards' budgets require it."""
    looks = rounds(panel, names)
    boards = listed([board.called for board in panel.boards if len(shares(panel, board.name)) > 1])
    return [
        Step("together", parts, number, why=_NOT_AT_ONCE.format(boards, number, len(looks)) if len(looks) > 1 else "")
        for number, parts in enumerate(looks, 1)
    ]


_NOT_AT_ONCE = "All at once is more than the current budget of {} allows: this is part {} of {}."


def lit_but(step: Step, pointed: Collection[str]) -> dict[str, Seen]:
    """Return what was lit at a `step` about several outputs, where the person `pointed` at those that looked wrong."""
    return {name: Seen() for name in step.parts if (name in pointed) != (step.do in ALL_TO_BE_LIT)}


def _on(panel: Panel, board: str) -> list[str]:
    return [part.name for part in panel.outputs if part.channel.board == board]


def rectangles(layout: PanelIndex, matrix: str) -> Iterator[tuple[str, ...]]:
    """Yield three keys of `matrix` (buttons, and switches with one contact), by name, that may make a fourth a ghost.

    The second of them is the corner: it shares its row with one of the others, and its column with the other one.
    """
    keys = []
    for key, name in layout.matrix_of.items():
        part = layout.spots[key].part
        if name == matrix and isinstance(part, Control) and part.wired and part.codes == ((0,), (1,)):
            keys.append(key)
    for three in _threes(layout, keys):
        yield tuple(layout.spots[key].part.name for key in three)


def _threes(layout: PanelIndex, keys: list[str]) -> Iterator[tuple[str, str, str]]:
    if not keys:
        return
    if any(key not in layout.crosses for key in keys):
        if len(keys) > 3:
            yield keys[0], keys[1], keys[2]
        return
    at = {(layout.crosses[key].row, layout.crosses[key].column): key for key in keys}
    matrix = layout.crosses[keys[0]].matrix
    every = {(cross.row, cross.column) for cross in layout.crosses.values() if cross.matrix == matrix}
    for row, column in sorted(at):
        for other_row, other_column in sorted(at):
            if row == other_row or column == other_column:
                continue
            corner, fourth = (row, other_column), (other_row, column)
            if corner in at and fourth in every:
                # `corner` shares its row with one and its column with the other, so current flows round it.
                yield at[row, column], at[corner], at[other_row, other_column]


def fourth_of(layout: PanelIndex, three: Collection[str]) -> str:
    """Return the channel at which a ghost may show while `three` keys are held; empty if it is not known."""
    held = [layout.crosses.get(layout.channels_of(name)[0]) for name in three]
    places = {(cross.matrix, cross.row, cross.column) for cross in held if cross is not None}
    for key, cross in layout.crosses.items():
        rows, columns = {row for _, row, _ in places}, {column for _, _, column in places}
        corner = (cross.matrix, cross.row, cross.column) not in places
        if corner and cross.row in rows and cross.column in columns and {m for m, _, _ in places} == {cross.matrix}:
            return key
    return ""
