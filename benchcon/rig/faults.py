"""Faults: reading them from words or a file, and checking them against the table of kinds and a board."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchcon.rig.kinds import KINDS, OF_DIODES, WHEN, FaultKind, Setting
from benchcon.rig.wiring import Wiring
from benchcon.text import counted, did_you_mean, listed, near, near_key, printable
from benchcon.wire.quote import quote, unquote


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault, ready to be put into a board. `settings` are in plain units: µs, permille, mV, and so on."""

    kind: str
    channels: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    given: tuple[str, ...] = ()
    """The settings as they were written, ``key=value``."""

    @property
    def after_us(self) -> int:
        """How long after it was put in it begins."""
        return int(self.settings["after"])

    @property
    def for_us(self) -> int:
        """How long it lasts; 0: until it is taken out."""
        return int(self.settings["for"])

    def words(self) -> tuple[str, ...]:
        """Return the words from which `fault_of_words` makes this fault again."""
        return (self.kind, *self.channels, *self.given)


def fault_of_words(words: Iterable[str]) -> Fault:
    """Return the fault that the words ``KIND CHANNEL… key=value…`` describe. Raises ValueError with one sentence."""
    kind, *rest = words
    channels = [word for word in rest if "=" not in word]
    settings: dict[str, Any] = {}
    for word in rest:
        key, equals, text = word.partition("=")
        if equals:
            if key in settings:
                raise ValueError(f"'{printable(key)}' is given twice")
            settings[key] = unquote(text)
    return fault_of(kind, channels, settings)


def fault_of(kind: str, channels: Iterable[str], values: Mapping[str, Any]) -> Fault:
    """Return a fault from plain values (quantities as text). Raises `WrongFault`, which names the key that is wrong."""
    known = KINDS.get(kind)
    if known is None:
        raise WrongFault("kind", f"there is no kind of fault '{printable(kind)}'{_near(kind, KINDS)}")
    ids = tuple(channels)
    if not known.least <= len(ids) <= known.most:
        raise WrongFault("channel", f"'{kind}' takes {_how_many(known)}, {len(ids) or 'none'} given")
    if len(set(ids)) != len(ids):
        raise WrongFault("channel", f"'{kind}' names a channel twice")
    allowed = {**WHEN, **known.settings}
    settings = {key: setting.default for key, setting in allowed.items()}
    given = []
    for key, value in values.items():
        if key not in allowed:
            hint = near_key(key, allowed, "'") or _there_are(allowed)
            raise WrongFault(key, f"'{kind}' has no setting '{printable(key)}'{hint}")
        settings[key] = _plain(key, allowed[key], value)
        given.append(f"{key}={_word(value)}")
    for key, setting in allowed.items():
        if setting.needed and key not in values:
            raise WrongFault("kind", f"'{kind}' needs the setting '{key}'")
    if kind == "chattering" and len(settings["edges"]) % 2:
        raise WrongFault(
            "edges", "'edges' must be an even number of times, so that the contact ends where it was moved to"
        )
    if kind == "digits_swapped" and sorted(settings["order"]) != list(range(1, len(settings["order"]) + 1)):
        raise WrongFault("order", "'order' must hold each digit once, such as 2,1,3")
    if kind == "ident" and not re.fullmatch("[a-z][a-z0-9_]{0,15}", settings["ident"]):
        raise WrongFault("ident", "'ident' must begin with a lower-case letter; 1 to 16 of a-z, 0-9 and _ are allowed")
    if kind == "chips_in_another_order" and sorted(settings["order"]) != list(range(1, len(settings["order"]) + 1)):
        raise WrongFault("order", "'order' must hold each chip once, such as 2,1,3")
    if kind == "looms_interchanged" and bool(settings["connectors"]) == bool(settings["boards"]):
        raise WrongFault("connectors", "either 'connectors' or 'boards' must be given, such as J1,J2")
    for key, example in (("numbers", "0,1"), ("connectors", "J1,J2"), ("boards", "BOARD1,BOARD2")):
        two = settings.get(key)
        if two and (len(two) != 2 or (two[0] == two[1] and settings.get("line") != "both")):
            raise WrongFault(key, f"'{key}' must be two, such as {example}")
    if kind == "dead_spot" and settings["from"] >= settings["to"]:
        raise WrongFault("from", "'from' must be less than 'to'")
    if kind in ("ribbon_shifted", "plug_shifted", "chain_shifted") and not settings["by"]:
        raise WrongFault("by", "'by' must be 1 or -1")
    if kind == "ghost" and len(ids) not in (1, 4):
        raise WrongFault("channel", "'ghost' takes one channel of a matrix, or the four corners of a rectangle")
    return Fault(kind, ids, settings, tuple(given))


class WrongFault(ValueError):
    """A fault that is not possible; `key` is the key of the faults file that is wrong."""

    def __init__(self, key: str, message: str) -> None:
        super().__init__(message)
        self.key = key


def _channels_of(name: str, wiring: Wiring) -> list[str]:
    """Return the channels of the part `name` of the panel, as they are written in a faults file."""
    ids = wiring.movers[name].channels if name in wiring.movers else filter(None, [wiring.outputs.get(name)])
    return [f"'{wiring.name}.{id_}'" for id_ in ids]


def check(fault: Fault, wiring: Wiring) -> None:
    """Raise `WrongFault` if `fault` is not possible on the board that `wiring` describes."""
    known = KINDS[fault.kind]
    for id_ in fault.channels:
        there = wiring.kinds.get(id_)
        if there is None:
            own = _channels_of(id_, wiring)
            hint = f"; that is a part, on {listed(own)}" if own else _near(id_, wiring.kinds)
            raise WrongFault("channel", f"board '{wiring.name}' has no channel '{printable(id_)}'{hint}")
        if there not in known.on:
            raise WrongFault(
                "channel", f"'{fault.kind}' is not possible on '{id_}', a {there}; only on: {', '.join(known.on)}"
            )
    found = {wiring.kinds[id_] for id_ in fault.channels}
    if known.each and tuple(wiring.kinds[id_] for id_ in fault.channels) != known.each:
        raise WrongFault(
            "channel", f"'{fault.kind}' takes {' and '.join(f'a {kind}' for kind in known.each)}, in order"
        )
    if len(found) > 1 and not known.each:
        raise WrongFault("channel", f"'{fault.kind}' takes channels of one kind, not {' and '.join(sorted(found))}")
    digits = wiring.digits.get(fault.channels[0], 0) if fault.channels else 0
    if fault.kind == "digits_swapped" and len(fault.settings["order"]) != digits:
        raise WrongFault("order", f"'order' must hold {digits} digits, as '{fault.channels[0]}' has")
    if fault.settings.get("digit", 0) > digits:
        raise WrongFault("digit", f"'{fault.channels[0]}' has {digits} digits")
    _check_wholes(fault, wiring)
    if fault.kind == "ghost" and len(fault.channels) == 1 and fault.channels[0] not in wiring.crossings:
        raise WrongFault("channel", f"'{fault.channels[0]}' is in no matrix; name the four corners of a rectangle")


def _check_wholes(fault: Fault, wiring: Wiring) -> None:
    """Raise `WrongFault` if the board lacks the connector, matrix, line, chain or chip that `fault` names."""
    settings = fault.settings
    named = {"connector": [settings["connector"]]} if "connector" in settings else {}
    named |= {"connectors": settings["connectors"]} if "connectors" in settings else {}
    for key, names in named.items():
        for name in names:
            if name not in wiring.plugs:
                hint = _near(name, wiring.plugs)
                raise WrongFault(key, f"board '{wiring.name}' has no connector '{printable(name)}'{hint}")
    if fault.kind == "ground_crossed" and not any(fault.channels[0] in plug for plug in wiring.plugs.values()):
        raise WrongFault("channel", f"'{fault.channels[0]}' is on no connector that the panel names")
    for name in settings.get("boards", ()):
        if name not in wiring.boards:
            raise WrongFault("boards", f"the panel has no board '{printable(name)}'{_near(name, wiring.boards)}")
    if settings.get("boards") and (settings["after"] or settings["for"]):
        raise WrongFault("boards", "looms are swapped with the power off: leave out 'after' and 'for'")
    if fault.kind == "diode_wrong" and fault.channels[0] not in wiring.crossings:
        raise WrongFault("channel", f"'{fault.channels[0]}' is in no matrix that the panel names")
    if "matrix" in settings:
        name = settings["matrix"]
        matrices = dict.fromkeys(cross.matrix for cross in wiring.crossings.values())
        if name not in matrices:
            raise WrongFault(
                "matrix", f"board '{wiring.name}' has no matrix '{printable(name)}'{_near(name, matrices)}"
            )
        at = [cross for cross in wiring.crossings.values() if cross.matrix == name]
        rows, columns = {cross.row for cross in at}, {cross.column for cross in at}
        numbers = settings.get("numbers", (settings["number"],) if "number" in settings else ())
        for place, number in enumerate(numbers):
            line = settings["line"] if settings["line"] != "both" else ("row", "column")[place]
            if number not in (rows if line == "row" else columns):
                raise WrongFault(
                    "numbers" if "numbers" in settings else "number", f"matrix '{name}' has no {line} {number}"
                )
    if fault.kind in OF_DIODES:
        key = "channel" if fault.channels else "matrix"
        name = wiring.crossings[fault.channels[0]].matrix if fault.channels else settings["matrix"]
        if name in wiring.bare:
            raise WrongFault(
                key,
                f"'{fault.kind}' needs diodes, and the panel file says that matrix '{printable(name)}' has none: "
                "leave this fault out, or 'diodes = false' there",
            )
    if "chain" in settings:
        chain = wiring.chains.get(settings["chain"])
        if chain is None:
            raise WrongFault("chain", f"board '{wiring.name}' has no chain of {settings['chain']}")
        if settings.get("chip", 0) > chain.chips:
            raise WrongFault("chip", f"the chain has {chain.chips} chips")
        if len(settings.get("order", ())) not in (0, chain.chips):
            raise WrongFault("order", f"'order' must hold {chain.chips} chips")


def _plain(key: str, setting: Setting, value: Any) -> Any:
    """Return a setting's value in plain units, checked."""
    form = setting.form
    if form.startswith("list of "):
        parts = value.split(",") if isinstance(value, str) else value
        if not isinstance(parts, list | tuple) or len(parts) > 64:
            raise WrongFault(key, f"'{key}' must be a list of at most 64 values")
        inner = Setting(form[8:], None, setting.least, setting.most)
        return tuple(_plain(key, inner, part) for part in parts)
    if form == "text":
        if not isinstance(value, str) or not 1 <= len(value) <= 60:
            raise WrongFault(key, f"'{key}' must be text of 1 to 60 characters")
        return value
    if form == "word":
        if value not in setting.words:
            meant = next((word for word in setting.words if str(value)[:60].lower() == word.lower()), "")
            hint = did_you_mean(meant)
            raise WrongFault(key, f"'{key}' must be one of {', '.join(setting.words)}, not {_shown(value)}{hint}")
        return value
    if form == "number":
        try:
            number: float = int(value) if not isinstance(value, bool | float) else int("no")
        except (TypeError, ValueError):
            raise WrongFault(key, f"'{key}' must be a whole number, not {_shown(value)}") from None
    else:
        from benchcon.units import for_people, quantity

        example = for_people(setting.default, form) if setting.default is not None else ""
        try:
            # A bare number lacks its unit, in the words that every file uses.
            number = quantity(str(value), form, example)
        except ValueError as error:
            raise WrongFault(key, f"'{key}' {_shown(value)} {error}") from None
        number = round(number) if form in ("us", "mV") else number
    if not setting.least <= number <= setting.most:
        from benchcon.units import for_people

        least, most = (
            f"{each:g}" if form == "number" else for_people(each, form) for each in (setting.least, setting.most)
        )
        raise WrongFault(key, f"'{key}' must be from {least} to {most}, not {_shown(value)}")
    return number


def _word(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ",".join(_word(each) for each in value)
    # "5 ms" and "5ms" are the same quantity; without the space it is one word that a person can read.
    return quote(re.sub(r"(?<=[0-9]) (?=[A-Za-zµ%])", "", str(value)))


def _shown(value: Any) -> str:
    return f'"{printable(value[:40])}"' if isinstance(value, str) else printable(str(value)[:40])


def _near(word: str, known: Iterable[str]) -> str:
    return near(word, known, "'") or _there_are(known)


def _there_are(known: Iterable[str]) -> str:
    return f"; there are: {', '.join(known)}" if known else ""


def _how_many(kind: FaultKind) -> str:
    if kind.most == 0:
        return "no channel"
    if kind.least == kind.most:
        return counted(kind.least, "channel")
    return f"{kind.least} to {kind.most} channels"
