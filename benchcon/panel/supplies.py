"""Which controls switch the supply of which boards, lamps and displays: ``[supplies.NAME]``. Pure.

A supply is on while at least one of its sources is. A source is on once all controls that it names have been in the
given positions for as long as the source needs to start.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping

from benchcon.panel.model import Control, Display, Lamp, Panel, Supply, SupplySource
from benchcon.panel.reader import NAME, TomlTable, options, shown
from benchcon.text import label_from, near

_NAME_FORM = "1 to 32 of a-z, 0-9 and _, the first a letter, are allowed"
MOST_SOURCES = 16
AFTER = "after"


def supplies(top: TomlTable) -> tuple[Supply, ...]:
    """Read ``[supplies.NAME]``. Whether the panel has what it names is checked later, by `check_supplies`."""
    found = []
    for name, table in top.tables("supplies", NAME, _NAME_FORM):
        label = table.text("label", "", 60) or label_from(name)
        feeds = table.texts("feeds", 32, 256, '["lighting", "met"]') or ()
        if table.values.get("feeds") is None:
            table.lacks('lacks feeds, the boards, lamps or displays it supplies, such as feeds = ["lighting"]', "feeds")
        found.append(Supply(name, label, feeds, _sources(table), table.line))
        table.done()
    return tuple(found)


def _sources(table: TomlTable) -> tuple[SupplySource, ...]:
    example = 'on_when = [{ mains = "on" }, { battery = "on" }]'
    value = table.get("on_when")
    if not isinstance(value, list) or not 0 < len(value) <= MOST_SOURCES:
        form = f"a list of 1 to {MOST_SOURCES} sources is allowed, such as {example}"
        if value is None:
            table.lacks(f"lacks on_when; {form}", "on_when")
        else:
            table.say(None, f"has an on_when that is {shown(value)}; {form}")
        return ()
    found = []
    for number, each in enumerate(value):
        inner = TomlTable(table.source, (*table.path, "on_when", number), each)
        after_ms = inner.quantity(AFTER, "ms", 0.0, 0, 3_600_000, 'from "0 s" to "1 h"')
        named = [key for key in inner.values if key != AFTER]
        at = tuple((key, inner.text(key, "", 16)) for key in named)
        if isinstance(each, dict) and not at:
            inner.say(None, 'names no control; say which position one has to be in, such as { mains = "on" }')
        found.append(SupplySource(at, round(after_ms * 1000), inner.line))
    return tuple(found)


def sources_of(panel: Panel, supply: str) -> tuple[str, ...]:
    """Return the names of the controls that switch the supply called `name`."""
    (found,) = (each for each in panel.supplies if each.name == supply)
    return tuple(dict.fromkeys(name for source in found.sources for name, _ in source.at))


def check_supplies(panel: Panel, say: Callable[[int, str], None]) -> None:
    """Call `say(line, text)` for each name in the panel's supplies that is not on the panel or is fed twice."""
    outputs = [*(lamp.name for lamp in panel.lamps), *(display.name for display in panel.displays)]
    boards = [board.name for board in panel.boards]
    fed: dict[str, str] = {}
    for supply in panel.supplies:
        who = f"supplies.{supply.name}"
        for name in supply.feeds:
            if name not in boards and name not in outputs:
                hint = near(name, [*boards, *outputs])
                say(supply.line, f'{who} feeds "{name}", which is not a board, lamp or display of the panel{hint}')
            elif name in fed:
                say(supply.line, f'{who} feeds "{name}", which supplies.{fed[name]} feeds already')
            fed.setdefault(name, supply.name)
        for source in supply.sources:
            for named, position in source.at:
                control = next((control for control in panel.controls if control.name == named), None)
                if control is None or control.kind not in ("button", "switch"):
                    names = [each.name for each in panel.controls if each.kind in ("button", "switch")]
                    hint = near(named, [*names, AFTER])
                    say(source.line, f'{who} names "{named}", which is not a button or switch{hint}')
                elif position not in control.positions:
                    words = control.positions
                    say(
                        source.line,
                        f'{who} has {named} = "{position}"; allowed: {options(words)}{near(position, words)}',
                    )


def fed_by(panel: Panel, supply: Supply) -> tuple[Lamp | Display, ...]:
    """Return the wired lamps and displays that `supply` feeds, in the order of the file."""
    return tuple(
        part
        for part in panel.outputs
        if part.wired and (part.name in supply.feeds or part.channel.board in supply.feeds)
    )


def wired_sources(panel: Panel, supply: Supply) -> tuple[SupplySource, ...]:
    """Return the sources of `supply` that can be switched on by hand: those whose controls are all wired."""
    wired = {control.name for control in panel.controls if control.wired}
    return tuple(source for source in supply.sources if all(name in wired for name, _ in source.at))


def all_off(panel: Panel) -> dict[str, int] | None:
    """Return by control the position (from 0) in which it must be so that every supply of `panel` is off.

    None if the panel has no supply, or if there is no such combination.
    """
    found: dict[str, int] = {}
    for supply in panel.supplies:
        way = switching(panel, supply, None, found)
        if way is None:
            return None
        found |= way
    words = {control.name: control.positions for control in panel.controls}
    sources = [source for supply in panel.supplies for source in supply.sources]
    fed = any(all(words[name][found.get(name, 0)] == word for name, word in source.at) for source in sources)
    return None if fed or not panel.supplies else found


MOST_WAYS = 20_000
"""Most combinations of positions of one supply's controls that are searched."""


def switching(
    panel: Panel, supply: Supply, source: SupplySource | None, now: Mapping[str, int]
) -> dict[str, int] | None:
    """Return by control the position in which it must be so that `source` feeds `supply`, or that nothing does (None).

    Positions count from 0. Of all combinations it is the one in which no other source feeds the supply as well, then
    one without a control that would spring back, then that with the fewest moves from `now` (positions by control; -1
    or missing: not known). None if there is no such combination, or if there are more than `MOST_WAYS` to search.
    """
    sources = wired_sources(panel, supply)
    names = list(dict.fromkeys(name for each in sources for name, _ in each.at))
    controls = {control.name: control for control in panel.controls}
    words = {name: controls[name].positions for name in names}
    if math.prod(len(words[name]) for name in names) > MOST_WAYS:
        return None

    def feeds(each: SupplySource, at: Mapping[str, int]) -> bool:
        return all(words[name][at[name]] == word for name, word in each.at)

    def cost(at: Mapping[str, int]) -> tuple[int, int, int]:
        others = sum(feeds(each, at) for each in sources if each is not source)
        held = sum(position in _springs(controls[name]) for name, position in at.items())
        return others, held, sum(now.get(name, -1) != position for name, position in at.items())

    ways = (dict(zip(names, at, strict=True)) for at in itertools.product(*(range(len(words[name])) for name in names)))
    right = (at for at in ways if (feeds(source, at) if source is not None else not any(feeds(s, at) for s in sources)))
    return min(right, key=cost, default=None)


def _springs(control: Control) -> tuple[int, ...]:
    return (1,) if control.kind == "button" else control.spring


class Switched:
    """Whether each supply of a panel is on, from the positions of its controls and how long they have been there."""

    def __init__(self, panel: Panel) -> None:
        self._panel = panel
        self._words = {control.name: control.positions for control in panel.controls}
        self._since: dict[SupplySource, int] = {}
        """Since when (µs) the controls of a source have been in its positions."""

    def on(self, positions: Mapping[str, int], now_us: int) -> dict[str, bool]:
        """Return by name whether each supply is on at `now_us`. `positions` gives the controls' positions, from 0."""
        # Evaluate every source, even if one is on already: the others may be starting.
        ready = {
            supply.name: [self._ready(source, positions, now_us) for source in supply.sources]
            for supply in self._panel.supplies
        }
        return {name: any(sources) for name, sources in ready.items()}

    def next_us(self, now_us: int) -> int | None:
        """Return the time in µs at which the next source will have started; None if none is starting."""
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
