"""Which controls switch the supply of which boards, lamps and displays: ``[supplies.NAME]``. Pure.

A supply is on while at least one of its sources is; a source is on once all the controls that it names have stood where
it says for as long as it needs to start.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchcon.panel.model import Control, Panel, Supply, SupplySource
from benchcon.panel.reader import NAME, TomlTable, listed, near, shown

_NAME_FORM = "1 to 32 of a-z, 0-9 and _, the first a letter, are allowed"
MOST_SOURCES = 16
AFTER = "after"


def supplies(top: TomlTable) -> tuple[Supply, ...]:
    """Read ``[supplies.NAME]``. Which names there are on the panel is checked by `check_supplies`."""
    found = []
    for name, table in top.tables("supplies", NAME, _NAME_FORM):
        label = table.text("label", "", 60) or name.replace("_", " ").capitalize()
        feeds = table.texts("feeds", 32, 256) or ()
        if table.values.get("feeds") is None:
            table.say(None, 'lacks feeds, the boards, lamps or displays it supplies, such as feeds = ["lighting"]')
        found.append(Supply(name, label, feeds, _sources(table), table.line))
        table.done()
    return tuple(found)


def _sources(table: TomlTable) -> tuple[SupplySource, ...]:
    example = 'on_when = [{ mains = "on" }, { battery = "on" }]'
    value = table.get("on_when")
    if not isinstance(value, list) or not 0 < len(value) <= MOST_SOURCES:
        what = "lacks on_when" if value is None else f"has an on_when that is {shown(value)}"
        table.say(None, f"{what}; a list of 1 to {MOST_SOURCES} sources is allowed, such as {example}")
        return ()
    found = []
    for number, each in enumerate(value):
        inner = TomlTable(table.source, (*table.path, "on_when", number), each)
        after_ms = inner.quantity(AFTER, "ms", 0.0, 0, 3_600_000, 'from "0 s" to "1 h"')
        named = [key for key in inner.values if key != AFTER]
        at = tuple((key, inner.text(key, "", 16)) for key in named)
        if isinstance(each, dict) and not at:
            inner.say(None, 'names no control; say where one has to stand, such as { mains = "on" }')
        found.append(SupplySource(at, round(after_ms * 1000), inner.line))
    return tuple(found)


def check_supplies(panel: Panel, say: Callable[[int, str], None]) -> None:
    """Call `say(line, text)` for every name in the panel's supplies that is not on the panel, and what is fed twice."""
    outputs = [*(lamp.name for lamp in panel.lamps), *(display.name for display in panel.digits)]
    boards = [board.name for board in panel.boards]
    fed: dict[str, str] = {}
    for supply in panel.supplies:
        who = f"supplies.{supply.name}"
        for name in supply.feeds:
            if name not in boards and name not in outputs:
                hint = near(name, [*boards, *outputs])
                say(supply.line, f'{who} feeds "{name}", which is no board, lamp or display of the panel{hint}')
            elif name in fed:
                say(supply.line, f'{who} feeds "{name}", which supplies.{fed[name]} feeds already')
            fed.setdefault(name, supply.name)
        for source in supply.sources:
            for named, position in source.at:
                control = next((control for control in panel.controls if control.name == named), None)
                if control is None or control.kind not in ("button", "switch"):
                    names = [each.name for each in panel.controls if each.kind in ("button", "switch")]
                    say(source.line, f'{who} names "{named}", which is no button or switch{near(named, names)}')
                elif position not in words_of(control):
                    words = words_of(control)
                    say(
                        source.line,
                        f'{who} has {named} = "{position}"; allowed: {listed(words)}{near(position, words)}',
                    )


def words_of(control: Control) -> tuple[str, ...]:
    """Return the words for the positions of a button or switch."""
    usual = ("released", "pressed") if control.kind == "button" else ("off", "on")
    return control.positions or usual


class Switched:
    """Whether each supply of a panel is on, by where its controls stand and since when."""

    def __init__(self, panel: Panel) -> None:
        self._panel = panel
        self._words = {control.name: words_of(control) for control in panel.controls}
        self._since: dict[SupplySource, int] = {}
        """Since when the controls of a source stand where it says."""

    def on(self, positions: Mapping[str, int], now_us: int) -> dict[str, bool]:
        """Return for each supply by name whether it is on. `positions`: of controls, by name, 0 the first."""
        # Every source is looked at, though one is on already: the others may be starting.
        ready = {
            supply.name: [self._ready(source, positions, now_us) for source in supply.sources]
            for supply in self._panel.supplies
        }
        return {name: any(sources) for name, sources in ready.items()}

    def next_us(self, now_us: int) -> int | None:
        """Return when the next source will have started; None if none is starting."""
        due = [since + source.after_us for source, since in self._since.items()]
        return min((at for at in due if at > now_us), default=None)

    def _ready(self, source: SupplySource, positions: Mapping[str, int], now_us: int) -> bool:
        if not all(self._stands(name, word, positions) for name, word in source.at):
            self._since.pop(source, None)
            return False
        return now_us >= self._since.setdefault(source, now_us) + source.after_us

    def _stands(self, name: str, word: str, positions: Mapping[str, int]) -> bool:
        at = positions.get(name, -1)
        words = self._words.get(name, ())
        return 0 <= at < len(words) and words[at] == word
