"""Tables of a panel file that stand for several parts: repeats, controls with lamps in them, lamps of several colours.

They are expanded into plain tables before anything is read, so that the rest of the program sees plain parts only.
Every part made this way keeps the key of the table that made it (`Origin`).
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from typing import Any, NamedTuple

from benchcon.panel.reader import TomlTable, shown
from benchcon.text import counted, label_from
from benchcon.units import quantity, written

MOST = 128
SECTIONS = ("controls", "lamps", "displays")
_LAST_NUMBER = re.compile(r"\d+(?!.*\d)")
_CROSSING = re.compile(r"(.*\.r)(\d+)c(\d+)")


class Origin(NamedTuple):
    """Which table made a part that has no table of its own."""

    key: str
    """Key of the table that made the part: ``controls.key``, ``controls.haul.lit``, ``lamps.fuel.colours``."""
    inside: str = ""
    """Name of the control that the lamp is in, or of the first lamp in the same housing; else empty."""
    engraved: str = ""
    """The text engraved beside the housing, where that is not the lamp's own label."""


def taken_apart(top: TomlTable) -> dict[tuple[str, str], Origin]:
    """Replace tables that stand for several parts by plain ones; return the origin of each part made so.

    The result's keys are (section, name): ``("controls", "key_3")``. A mistake in a ``repeat``, ``lit`` or ``colours``
    is noted in `top`, and its part is left as it is.
    """
    origins: dict[tuple[str, str], Origin] = {}
    for section in SECTIONS:
        tables = top.values.get(section)
        if isinstance(tables, dict):
            top.values[section] = _repeated(top, section, tables, origins)
    lamps = top.values.get("lamps")
    if isinstance(lamps, dict):
        made: dict[str, Any] = {}
        for name, table in lamps.items():
            if isinstance(table, dict) and "colours" in table:
                made |= _coloured(top, name, table, origins)
            else:
                made[name] = table
        top.values["lamps"] = made
    controls = top.values.get("controls")
    if isinstance(controls, dict):
        lit = {name: each for name, each in controls.items() if isinstance(each, dict) and "lit" in each}
        for name, table in lit.items():
            _lit(top, name, table, origins)
    return origins


# --- repeats ------------------------------------------------------------------------------------------------------


def _repeated(
    top: TomlTable, section: str, tables: dict[str, Any], origins: dict[tuple[str, str], Origin]
) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for name, values in tables.items():
        if not isinstance(values, dict) or "repeat" not in values:
            made[name] = values
            continue
        one = {key: value for key, value in values.items() if key != "repeat"}
        grid = TomlTable(top.source, (section, name, "repeat"), values["repeat"])
        columns = grid.whole("columns", 1, 1, MOST)
        rows = grid.whole("rows", 1, 1, MOST)
        pitch = _pitch(grid)
        labels = grid.texts("labels", 60, MOST, '["Route 1", "Route 2"]')
        grid.done()
        count = columns * rows
        if count > MOST:
            grid.say(None, f"makes {count} parts; at most {MOST} are allowed")
            count = 1
        if labels is not None and len(labels) != count:
            have, need = (counted(number, "label") for number in (len(labels), count))
            grid.say("labels", f"has {have}; {need} {'is' if count == 1 else 'are'} needed, one for each part")
        for number in range(count):
            row, column = divmod(number, columns)
            new = f"{name}_{number + 1}"
            made[new] = _counted(one, number, row, column, pitch)
            if section == "lamps":
                _own_trim(top, (section, name), made[new], number, count)
            several = {"controls": "lit", "lamps": "colours"}.get(section, "")
            for path, lamp in _lamps_in(made[new].get(several), (section, name, several)):
                _own_trim(top, path, lamp, number, count)
            made[new]["label"] = _label(one, name, number, labels)
            origins[section, new] = Origin(f"{section}.{name}")
            top.source.homes[section, new] = (section, name)
    return made


def _lamps_in(lit: Any, path: tuple[str | int, ...]) -> list[tuple[tuple[str | int, ...], Any]]:
    """Return the lamps in a control or a housing, each with its path in the file."""
    several = [((*path, number), lamp) for number, lamp in enumerate(lit)] if isinstance(lit, list) else [(path, lit)]
    return [(path, lamp) for path, lamp in several if isinstance(lamp, dict)]


def _own_trim(top: TomlTable, path: tuple[str | int, ...], lamp: dict[str, Any], number: int, count: int) -> None:
    """Give `lamp`, of part `number` (from 0) of a repeat of `count`, its own entry of `trims`."""
    if "trims" not in lamp:
        return
    table = TomlTable(top.source, path, lamp)
    trims = table.texts("trims", 20, MOST, '["80 %", "100 %"]')
    del lamp["trims"]
    if trims is not None and len(trims) != count and number == 0:
        have = counted(len(trims), "trim")
        need = f"{count} {'is' if count == 1 else 'are'} needed"
        table.say("trims", f"has {have}; {need}, one for each lamp of the repeat")
    if trims is not None and number < len(trims):
        lamp["trim"] = trims[number]


def _pitch(grid: TomlTable) -> tuple[float, float]:
    if isinstance(grid.values.get("pitch"), list):
        return grid.pair("pitch", 1, 1000, 'from "1 mm" to "1 m"') or (0.0, 0.0)
    one = grid.quantity("pitch", "mm", 0.0, 1, 1000, 'from "1 mm" to "1 m"')
    return one, one


def _label(one: dict[str, Any], name: str, number: int, labels: tuple[str, ...] | None) -> str:
    if labels is not None and number < len(labels):
        return labels[number]
    label = one.get("label") or label_from(name)
    if not isinstance(label, str):
        return f"{name} {number + 1}"
    return _on(label, number) if _LAST_NUMBER.search(label) else f"{label} {number + 1}"


def _counted(one: dict[str, Any], number: int, row: int, column: int, pitch: tuple[float, float]) -> dict[str, Any]:
    made = copy.deepcopy(one)
    at = made.get("at")
    if isinstance(at, list) and len(at) == 2 and all(isinstance(each, str) for each in at):
        made["at"] = [_moved(at[0], column * pitch[0]), _moved(at[1], row * pitch[1])]
    digits = made.get("digits", 1)
    several = made.get("channels")
    step = len(several) if isinstance(several, list) else 1
    pins = digits if isinstance(digits, int) else 1

    def moved_on(channel: Any) -> Any:
        return _channel(channel, number * step, number * step * pins, row, column)

    for key in ("channel", "channels", "lit", "colours"):
        if key in made:
            made[key] = _each(made[key], moved_on if key.startswith("channel") else lambda lamp: _lamp(lamp, moved_on))
    return made


def _each(value: Any, do: Callable[[Any], Any]) -> Any:
    return [do(each) for each in value] if isinstance(value, list) else do(value)


def _lamp(lamp: Any, moved_on: Callable[[Any], Any]) -> Any:
    if isinstance(lamp, dict) and "channel" in lamp:
        lamp["channel"] = moved_on(lamp["channel"])
    return lamp


def _channel(channel: Any, ids: int, pins: int, row: int, column: int) -> Any:
    """Return `channel` as part number `ids` of the repeat has it: its id, pin and connector pin are counted up."""
    if isinstance(channel, str):
        return _on(channel, ids) if _LAST_NUMBER.search(channel) else f"{channel}{ids + 1}"
    if not isinstance(channel, dict):
        return channel
    made = dict(channel)
    if isinstance(made.get("id"), str):
        made["id"] = _channel(made["id"], ids, pins, row, column)
    pin = made.get("pin")
    if isinstance(pin, str):
        crossing = _CROSSING.fullmatch(pin)
        if crossing:
            made["pin"] = f"{crossing[1]}{int(crossing[2]) + row}c{int(crossing[3]) + column}"
        else:
            halves = pin.split("/")
            made["pin"] = "/".join(_on(half, pins * len(halves)) for half in halves)
    plug = made.get("connector_pin")
    if isinstance(plug, str) and "-" not in plug:
        halves = plug.split("/")
        made["connector_pin"] = "/".join(_on(half, ids * len(halves)) for half in halves)
    return made


def _on(text: str, by: int) -> str:
    """Return `text` with the last number in it raised by `by`."""
    return _LAST_NUMBER.sub(lambda found: str(int(found[0][:9]) + by).zfill(len(found[0])), text, count=1)


def _moved(length: str, by_mm: float) -> str:
    try:
        return written(quantity(length, "mm") + by_mm, "mm", 4)
    except ValueError:
        return length  # whoever reads the length reports the mistake


# --- lit controls -------------------------------------------------------------------------------------------------


def _lit(top: TomlTable, name: str, table: dict[str, Any], origins: dict[tuple[str, str], Origin]) -> None:
    lit = table.pop("lit")
    path = ("controls", name, "lit")
    lamps = lit if isinstance(lit, list) else [lit]
    if not 0 < len(lamps) <= 4 or not all(isinstance(lamp, dict) for lamp in lamps):
        top.source.say(path, f'is {shown(lit)}; one lamp or a list of up to 4 is allowed, such as {{ channel = "l1" }}')
        return
    origin = origins.get(("controls", name))
    label = table.get("label") or label_from(name)
    found = top.values.setdefault("lamps", {})
    if not isinstance(found, dict):
        return
    for number, lamp in enumerate(lamps):
        colour = lamp.get("colour", "")
        new = f"{name}_lit" if len(lamps) == 1 else f"{name}_lit_{number + 1}"
        words = f"{label} {colour}".strip() if len(lamps) > 1 else label
        made = {"label": words, **lamp}
        if "at" in lamp:
            top.source.say((*path, "at"), "is that of the control; a lamp in another place has a table [lamps.NAME]")
        if "at" in table:
            made["at"] = table["at"]
            top.source.homes["lamps", new, "at"] = ("controls", name, "at")
        if new in found:
            top.source.say(path, f"makes the lamp {new}, which exists already; give one of them another name")
            continue
        found[new] = made
        origins["lamps", new] = Origin(f"{origin.key if origin else f'controls.{name}'}.lit", name)
        top.source.homes["lamps", new] = path if len(lamps) == 1 else (*path, number)


# --- lamps of several colours -------------------------------------------------------------------------------------

MOST_COLOURS = 4


def _coloured(
    top: TomlTable, name: str, table: dict[str, Any], origins: dict[tuple[str, str], Origin]
) -> dict[str, Any]:
    """Return the lamps of one housing: its table holds for each of them, but the colour's own table goes first."""
    path = ("lamps", name, "colours")
    whole = {key: value for key, value in table.items() if key != "colours"}
    dice = table["colours"]
    if (
        not isinstance(dice, list)
        or not 1 < len(dice) <= MOST_COLOURS
        or not all(isinstance(die, dict) for die in dice)
    ):
        example = 'colours = [{ colour = "red", channel = "l1" }, { colour = "green", channel = "l2" }]'
        top.source.say(path, f"is {shown(dice)}; a list of 2 to {MOST_COLOURS} is allowed, such as {example}")
        return {}
    for key in ("colour", "channel"):
        if key in whole:
            top.source.say(("lamps", name, key), "goes into each of colours, where there are several")
            del whole[key]
    label = whole.get("label") or label_from(name)
    origin = origins.get(("lamps", name))
    made: dict[str, Any] = {}
    for number, die in enumerate(dice):
        colour = die.get("colour")
        new = f"{name}_{colour}"
        if not isinstance(colour, str) or not colour or new in made:
            twice = f'is "{colour}" for a second time; each has its own colour'
            top.source.say((*path, number), twice if new in made else 'lacks its colour, such as colour = "red"')
            continue
        made[new] = {**whole, "label": f"{label} {colour}", **die}
        first = next(iter(made))
        inside = "" if new == first else first
        origins["lamps", new] = Origin(f"{origin.key if origin else f'lamps.{name}'}.colours", inside, str(label))
        top.source.homes["lamps", new] = (*path, number)
        for key in whole.keys() - die.keys():
            top.source.homes["lamps", new, key] = ("lamps", name, key)
    return made
