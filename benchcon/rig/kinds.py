"""The kinds of fault: which channels each is possible on, how many it takes, and its settings with their bounds.

What the kinds mean is in `benchcon.kinds`. `protocols/faults-file.md` lists both for people; a test compares them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

CONTACT, SELECTOR, ENCODER, POT, LAMP, DISPLAY = "contact", "selector", "encoder", "pot", "lamp", "display"
SEGMENTS = "PABCDEFG"
"""The names of the segments, highest bit first; P is the point."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a kind of fault."""

    form: str
    """``us``, ``permille``, ``ppm``, ``mV``, ``ohm``, ``Hz``: a quantity, which is kept in this unit. Otherwise
    ``number``, ``word``, ``text``, or ``list of`` one of these."""
    default: Any = None
    least: float = 0
    most: float = 0
    words: tuple[str, ...] = ()
    needed: bool = False


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One kind of fault."""

    on: tuple[str, ...] = ()
    """Kinds of channel on which it is possible; empty: it is a fault of the line or of the whole board."""
    least: int = 0
    most: int = 0
    """Most channels that it takes."""
    settings: Mapping[str, Setting] = field(default_factory=dict)
    each: tuple[str, ...] = ()
    """The kind of each channel, in order; empty: all are of one kind."""


_HOUR_US = 3_600_000_000
_INPUT = (CONTACT, SELECTOR, ENCODER, POT)
_ANY = (*_INPUT, LAMP, DISPLAY)
_WAY = Setting("word", "both", words=("up", "down", "both"))
_DIGIT = Setting("number", 0, 0, 8)
_THE_DIGIT = Setting("number", None, 1, 8, needed=True)
_CONNECTOR = Setting("text", needed=True)
_THE_MATRIX = Setting("text", needed=True)
_LINE_OF = Setting("word", words=("row", "column"), needed=True)
_LINES_OF = Setting("word", words=("row", "column", "both"), needed=True)
_CHAIN = Setting("word", words=("165", "595", "7219"), needed=True)
_CHIP = Setting("number", 1, 1, 32)
_GROUND_AT = Setting("word", "elsewhere", words=("elsewhere", "first", "last"))
_BY = Setting("number", 1, -1, 1)
_ONE_IN = Setting("number", 4, 2, 1000)
_SEGMENT = Setting("word", words=tuple(SEGMENTS), needed=True)


def _time(default_us: int, least_us: int = 0, most_us: int = _HOUR_US) -> Setting:
    return Setting("us", default_us, least_us, most_us)


def _share(default: float) -> Setting:
    return Setting("permille", default, 0, 1000)


WHEN = {"after": _time(0), "for": _time(0)}
"""Settings of every kind: how long after it was put in it begins, and how long it lasts (0: until it is taken out)."""

_INPUTS = {
    "chattering": FaultKind(
        (CONTACT,),
        1,
        1,
        {
            "edges": Setting("list of us", (), 1, 10_000_000),
            "on": Setting("word", "both", words=("make", "break", "both")),
            "lasting": _time(0, 0, 10_000_000),
        },
    ),
    "stuck": FaultKind(_INPUT, 1, 1, {"value": Setting("number", 0, 0, 0xFFFF)}),
    "open": FaultKind(_ANY, 1, 1, {"phase": Setting("word", "both", words=("a", "b", "both"))}),
    "inverted": FaultKind((CONTACT,), 1, 1),
    "crossed": FaultKind(_ANY, 2, 16),
    "shorted": FaultKind((CONTACT,), 2, 16),
    "common_open": FaultKind((CONTACT, ENCODER), 1, 64),
    "mirrored": FaultKind((CONTACT,), 2, 64),
    "shifted": FaultKind(
        (CONTACT,),
        2,
        64,
    ),
    "loose": FaultKind(
        (CONTACT, ENCODER, POT, LAMP),
        1,
        1,
        {"every": _time(2_000_000, 1000), "gap": _time(30_000, 50, 60_000_000)},
    ),
    "ghost": FaultKind(
        (CONTACT,),
        1,
        4,
        {"reported_as": Setting("word", "made", words=("made", "ghost"))},
    ),
    "reversed": FaultKind((ENCODER, POT, SELECTOR), 1, 1),
    "skipping": FaultKind(
        (ENCODER,),
        1,
        1,
        {"every": Setting("number", 3, 1, 1000)},
    ),
    "other_counts": FaultKind(
        (ENCODER,),
        1,
        1,
        {"detent": Setting("number", None, 1, 8, needed=True)},
    ),
    "noisy": FaultKind((POT,), 1, 1, {"by": Setting("number", 24, 1, 4096)}),
    "short_of_range": FaultKind(
        (POT,),
        1,
        1,
        {"low": Setting("number", 100, 0, 0xFFFF), "high": Setting("number", 900, 0, 0xFFFF)},
    ),
    "follows": FaultKind(
        (CONTACT, LAMP),
        2,
        2,
    ),
    "floating": FaultKind(
        (CONTACT, ENCODER),
        1,
        1,
        {"period": _time(20_000, 2_000, 1_000_000), "phase": Setting("word", "a", words=("a", "b"))},
    ),
    "crosstalk": FaultKind(
        (CONTACT,),
        2,
        2,
        {"lasting": _time(15_000, 10, 1_000_000)},
    ),
    "misses": FaultKind((CONTACT,), 1, 1, {"one_in": _ONE_IN}),
    "track_open": FaultKind(
        (POT,),
        1,
        1,
        {"end": Setting("word", "left", words=("left", "right"))},
    ),
    "logarithmic": FaultKind((POT,), 1, 1),
    "dead_spot": FaultKind(
        (POT,),
        1,
        1,
        {"from": _share(400), "to": _share(550)},
    ),
    "scratchy": FaultKind(
        (POT,),
        1,
        1,
        {"by": Setting("number", 150, 1, 4096)},
    ),
    "level_inverted": FaultKind(),
    "storm": FaultKind(
        (CONTACT,),
        0,
        64,
        {"rate": Setting("Hz", 100, 0.1, 5000)},
    ),
}

_OUTPUTS = {
    "dead": FaultKind((LAMP, DISPLAY), 1, 1),
    "always_on": FaultKind((LAMP,), 1, 1),
    "supplied_past_the_switch": FaultKind((LAMP, DISPLAY), 1, 64),
    "dim": FaultKind((LAMP,), 1, 1, {"to": _share(300)}),
    "lit_together": FaultKind((LAMP,), 2, 16),
    "shared_resistor": FaultKind((LAMP,), 2, 16),
    "lit_by_a_control": FaultKind((CONTACT, LAMP), 2, 2, each=(CONTACT, LAMP)),
    "wrong_colour": FaultKind(
        (LAMP,),
        1,
        1,
        {"colour": Setting("word", "red", words=("red", "amber", "green", "blue", "white"))},
    ),
    "flickering": FaultKind((LAMP,), 1, 1, {"gap": _time(120_000, 20_000, 240_000)}),
    "segment_dead": FaultKind(
        (DISPLAY,),
        1,
        1,
        {"segment": _SEGMENT, "digit": _DIGIT},
    ),
    "segment_stuck": FaultKind((DISPLAY,), 1, 1, {"segment": _SEGMENT, "digit": _DIGIT}),
    "segments_swapped": FaultKind((DISPLAY,), 1, 1, {"first": _SEGMENT, "second": _SEGMENT}),
    "segments_together": FaultKind((DISPLAY,), 1, 1, {"first": _SEGMENT, "second": _SEGMENT}),
    "digit_dead": FaultKind((DISPLAY,), 1, 1, {"digit": _THE_DIGIT}),
    "ribbon_shifted": FaultKind(
        (DISPLAY,),
        1,
        1,
        {"by": _BY},
    ),
    "ribbon_reversed": FaultKind((DISPLAY,), 1, 1),
    "upside_down": FaultKind((DISPLAY,), 1, 1),
    "common_anode": FaultKind((DISPLAY,), 1, 1),
    "digits_swapped": FaultKind(
        (DISPLAY,),
        1,
        1,
        {"order": Setting("list of number", None, 1, 8, needed=True)},
    ),
}

_WHOLE = {
    "connector_off": FaultKind(settings={"connector": _CONNECTOR}),
    "ground_open": FaultKind(
        settings={"connector": _CONNECTOR, "from": Setting("number", 1, 1, 255)},
    ),
    "ground_crossed": FaultKind(
        (CONTACT,),
        1,
        1,
    ),
    "plug_shifted": FaultKind(
        settings={"connector": _CONNECTOR, "by": _BY, "ground": _GROUND_AT},
    ),
    "plug_reversed": FaultKind(settings={"connector": _CONNECTOR, "ground": _GROUND_AT}),
    "looms_interchanged": FaultKind(
        settings={"connectors": Setting("list of text", ()), "boards": Setting("list of text", ())}
    ),
    "matrix_line_off": FaultKind(
        settings={"matrix": _THE_MATRIX, "line": _LINE_OF, "number": Setting("number", 0, 0, 99)},
    ),
    "matrix_lines_crossed": FaultKind(
        settings={
            "matrix": _THE_MATRIX,
            "line": _LINES_OF,
            "numbers": Setting("list of number", None, 0, 99, needed=True),
        },
    ),
    "diodes_backwards": FaultKind(settings={"matrix": _THE_MATRIX}),
    "diodes_missing": FaultKind(settings={"matrix": _THE_MATRIX}),
    "diode_wrong": FaultKind(
        (CONTACT,),
        1,
        1,
        {"is": Setting("word", "shorted", words=("shorted", "open", "backwards"))},
    ),
    "chip_dead": FaultKind(
        settings={
            "chain": _CHAIN,
            "chip": _CHIP,
            "reads": Setting("number", 0, 0, 1),
            "behind": Setting("word", "no", words=("no", "yes")),
        },
    ),
    "chips_in_another_order": FaultKind(
        settings={"chain": _CHAIN, "order": Setting("list of number", None, 1, 32, needed=True)},
    ),
    "chip_bridged": FaultKind(settings={"chain": _CHAIN, "chip": _CHIP}),
    "chain_shifted": FaultKind(settings={"chain": _CHAIN, "by": _BY}),
    "chip_pins_reversed": FaultKind(
        settings={"chain": _CHAIN, "chip": Setting("number", 1, 0, 32)},
    ),
}

_LINE = {
    "flip": FaultKind(settings={"share": _share(1), "way": _WAY}),
    "lose": FaultKind(settings={"share": _share(1), "way": _WAY}),
    "double": FaultKind(settings={"share": _share(1), "way": _WAY}),
    "lose_line": FaultKind(settings={"share": _share(10), "way": _WAY}),
    "delay": FaultKind(
        settings={"by": _time(20_000, 0, 10_000_000), "jitter": _time(0, 0, 10_000_000), "way": _WAY},
    ),
    "hold": FaultKind(
        settings={"up_to": _time(16_000, 0, 255_000), "bytes": Setting("number", 62, 1, 4096)},
    ),
    "stall": FaultKind(
        settings={"silent": Setting("word", "no", words=("yes", "no"))},
    ),
    "garbage": FaultKind(settings={"rate": Setting("Hz", 20, 0.1, 10_000)}),
    "endless_line": FaultKind(settings={"rate": Setting("Hz", 2000, 1, 100_000)}),
    "wrong_baud": FaultKind(
        settings={"rate": Setting("number", 57_600, 50, 4_000_000)},
    ),
}

_BOARD = {
    "board_reset": FaultKind(
        settings={
            "cause": Setting("word", "brownout", words=("power", "reset", "watchdog", "brownout", "unknown")),
        },
    ),
    "reset_loop": FaultKind(settings={"every": _time(2_000_000, 20_000)}),
    "opening_resets": FaultKind(),
    "slow_boot": FaultKind(
        settings={
            "lasting": _time(2_000_000, 0, 60_000_000),
            "says": Setting("word", "nothing", words=("nothing", "garbage")),
        },
    ),
    "clock": FaultKind(settings={"off": Setting("ppm", 5000, -5000, 5000)}),
    "labels": FaultKind(
        settings={"text": Setting("text", "\x1b[2J\x1b]0;x\x07[bold]\u202eyes")},
    ),
    "ident": FaultKind(settings={"ident": Setting("text", needed=True)}),
    "weak_supply": FaultKind(
        settings={"resistance": Setting("ohm", 2, 0, 1000), "limit": Setting("mV", 4300, 0, 60_000)},
    ),
}

KINDS: Mapping[str, FaultKind] = _INPUTS | _OUTPUTS | _WHOLE | _LINE | _BOARD
"""The kind's word in `benchcon.kinds` → the kind."""

OF_DIODES = ("diodes_backwards", "diodes_missing", "diode_wrong")
"""Kinds of fault that a matrix without diodes cannot have."""
