"""Kinds of fault, as one table: what each may sit on, how many channels it takes, its settings with default and bounds.

`protocols/faults-file.md` lists the same for people, and a test compares the two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

CONTACT, SELECTOR, ENCODER, POT, LAMP, DISPLAY = "contact", "selector", "encoder", "pot", "lamp", "display"
SEGMENTS = "PABCDEFG"
"""Names of the segments, highest bit first; P is the point."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a kind of fault."""

    form: str
    """``us``, ``permille``, ``ppm``, ``mV``, ``ohm``, ``Hz``: a quantity, told in this unit inside. Else ``number``,
    ``word``, ``text``, or ``list of`` one of these."""
    default: Any = None
    least: float = 0
    most: float = 0
    words: tuple[str, ...] = ()
    needed: bool = False


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One kind of fault."""

    what: str
    on: tuple[str, ...] = ()
    """Kinds of channel it may sit on; none: it is a fault of the line or of the whole board."""
    least: int = 0
    most: int = 0
    """Number of channels."""
    settings: Mapping[str, Setting] = field(default_factory=dict)


_HOUR_US = 3_600_000_000
_INPUT = (CONTACT, SELECTOR, ENCODER, POT)
_ANY = (*_INPUT, LAMP, DISPLAY)
_WAY = Setting("word", "both", words=("up", "down", "both"))
_DIGIT = Setting("number", 0, 0, 8)
_THE_DIGIT = Setting("number", None, 1, 8, needed=True)
_CONNECTOR = Setting("text", needed=True)
_THE_MATRIX = Setting("text", needed=True)
_LINE_OF = Setting("word", words=("row", "column"), needed=True)
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
"""Settings that every kind has: how long after it was put in it begins, and how long it lasts (0: until taken out)."""

_INPUTS = {
    "bounce": FaultKind(
        "the contact bounces when it moves: with these times between edges, or as ordinary ones do, or so long",
        (CONTACT,),
        1,
        1,
        {
            "edges": Setting("list of us", (), 1, 10_000_000),
            "on": Setting("word", "both", words=("make", "break", "both")),
            "lasting": _time(0, 0, 10_000_000),
        },
    ),
    "stuck": FaultKind("always reads the same", _INPUT, 1, 1, {"value": Setting("number", 0, 0, 0xFFFF)}),
    "open": FaultKind("the wire is broken", _ANY, 1, 1, {"phase": Setting("word", "both", words=("a", "b", "both"))}),
    "inverted": FaultKind("reads made when it is not, and the other way round", (CONTACT,), 1, 1),
    "crossed": FaultKind(
        "wires changed round: each goes where the next one's belongs, the last where the first one's does", _ANY, 2, 16
    ),
    "shorted": FaultKind("wires touch: if one is made, all read made", (CONTACT,), 2, 16),
    "common_open": FaultKind("the common of these contacts is broken, or their plug is off", (CONTACT,), 2, 64),
    "mirrored": FaultKind(
        "plug or ribbon turned round: the first arrives where the last belongs, and so on", (CONTACT,), 2, 64
    ),
    "shifted": FaultKind(
        "the plug sits one hole on, or a chain is a bit late: each arrives where the next one belongs, the last "
        "nowhere",
        (CONTACT,),
        2,
        64,
    ),
    "loose": FaultKind(
        "the wire drops out now and then",
        (CONTACT, ENCODER, POT, LAMP),
        1,
        1,
        {"every": _time(2_000_000, 1000), "gap": _time(30_000, 50, 60_000_000)},
    ),
    "ghost": FaultKind(
        "a matrix without diodes: three made contacts of a rectangle make the fourth read made. One channel of a "
        "matrix of the panel, or four: row 1 column 1, row 1 column 2, row 2 column 1, row 2 column 2",
        (CONTACT,),
        1,
        4,
        {"told": Setting("word", "made", words=("made", "ghost"))},
    ),
    "reversed": FaultKind("the wrong way round", (ENCODER, POT, SELECTOR), 1, 1),
    "skipping": FaultKind(
        "two counts of every nth detent come as one jump and are missed",
        (ENCODER,),
        1,
        1,
        {"every": Setting("number", 3, 1, 1000)},
    ),
    "counts": FaultKind(
        "other counts a detent than it should",
        (ENCODER,),
        1,
        1,
        {"detent": Setting("number", None, 1, 8, needed=True)},
    ),
    "noisy": FaultKind(
        "readings jump about, so far to each side", (POT,), 1, 1, {"by": Setting("number", 24, 1, 4096)}
    ),
    "short_range": FaultKind(
        "reads from low to high only, over the whole of its travel",
        (POT,),
        1,
        1,
        {"low": Setting("number", 100, 0, 0xFFFF), "high": Setting("number", 900, 0, 0xFFFF)},
    ),
    "follows": FaultKind(
        "a one-way path: the first shows what the second does as well, but not the other way round",
        (CONTACT, LAMP),
        2,
        2,
    ),
    "floating": FaultKind(
        "the pull-up is missing: while its contact is open the input follows the mains, now and then",
        (CONTACT, ENCODER),
        1,
        1,
        {"period": _time(20_000, 2_000, 1_000_000), "phase": Setting("word", "a", words=("a", "b"))},
    ),
    "crosstalk": FaultKind(
        "the first reads made for a moment whenever the second one's wire changes",
        (CONTACT,),
        2,
        2,
        {"lasting": _time(15_000, 10, 1_000_000)},
    ),
    "misses": FaultKind("a worn contact: one time in so many it does not make", (CONTACT,), 1, 1, {"one_in": _ONE_IN}),
    "track_open": FaultKind(
        "one end of a potentiometer's track is off: `left` the one that reads least, `right` the one that reads most",
        (POT,),
        1,
        1,
        {"end": Setting("word", "left", words=("left", "right"))},
    ),
    "logarithmic": FaultKind("a potentiometer of the wrong taper: a tenth of its travel at the middle", (POT,), 1, 1),
    "dead_spot": FaultKind(
        "the wiper has no contact over a part of the travel",
        (POT,),
        1,
        1,
        {"from": _share(400), "to": _share(550)},
    ),
    "scratchy": FaultKind(
        "readings jump about while it is turned, so far to each side",
        (POT,),
        1,
        1,
        {"by": Setting("number", 150, 1, 4096)},
    ),
    "level_inverted": FaultKind("all contacts of the board read made when they are not, and the other way round"),
    "storm": FaultKind(
        "tells so many changes a second that no hand made; without a channel: on all contacts of the board",
        (CONTACT,),
        0,
        64,
        {"rate": Setting("Hz", 100, 0.1, 5000)},
    ),
}

_OUTPUTS = {
    "dead": FaultKind("never lights", (LAMP, DISPLAY), 1, 1),
    "always_on": FaultKind("lit whatever the board does, as long as there is supply", (LAMP,), 1, 1),
    "unswitched": FaultKind(
        "fed past the switch of its supply: lit as it is driven though that is off", (LAMP, DISPLAY), 1, 64
    ),
    "dim": FaultKind("lit too weakly: share of the lightness", (LAMP,), 1, 1, {"to": _share(300)}),
    "together": FaultKind("each is lit if one of them is driven", (LAMP,), 2, 16),
    "shared_resistor": FaultKind(
        "one series resistor for several: each is dimmer the more of them are lit", (LAMP,), 2, 16
    ),
    "wrong_colour": FaultKind(
        "a lamp of another colour was fitted",
        (LAMP,),
        1,
        1,
        {"colour": Setting("word", "red", words=("red", "amber", "green", "blue", "white"))},
    ),
    "flickering": FaultKind(
        "goes out for moments, at most twice a second", (LAMP,), 1, 1, {"gap": _time(120_000, 20_000, 240_000)}
    ),
    "segment_dead": FaultKind(
        "a segment never lights, in one digit from the left or (0) in all",
        (DISPLAY,),
        1,
        1,
        {"segment": _SEGMENT, "digit": _DIGIT},
    ),
    "segment_stuck": FaultKind(
        "a segment is lit as long as there is supply", (DISPLAY,), 1, 1, {"segment": _SEGMENT, "digit": _DIGIT}
    ),
    "segments_swapped": FaultKind(
        "the wires of two segments are changed round", (DISPLAY,), 1, 1, {"first": _SEGMENT, "second": _SEGMENT}
    ),
    "segments_together": FaultKind(
        "the wires of two segments touch", (DISPLAY,), 1, 1, {"first": _SEGMENT, "second": _SEGMENT}
    ),
    "digit_dead": FaultKind("a digit never lights", (DISPLAY,), 1, 1, {"digit": _THE_DIGIT}),
    "ribbon_shifted": FaultKind(
        "the ribbon of the segments sits one hole on: A lights B and so on (-1: B lights A)",
        (DISPLAY,),
        1,
        1,
        {"by": _BY},
    ),
    "ribbon_reversed": FaultKind(
        "the ribbon of the segments is turned round: A lights the point, and so on", (DISPLAY,), 1, 1
    ),
    "upside_down": FaultKind("the module is built in upside down", (DISPLAY,), 1, 1),
    "common_anode": FaultKind("a module with common anodes where common cathodes belong", (DISPLAY,), 1, 1),
    "digits_swapped": FaultKind(
        "digits in the wrong order: for each one from the left, whose character it shows",
        (DISPLAY,),
        1,
        1,
        {"order": Setting("list of number", None, 1, 8, needed=True)},
    ),
}

_WHOLE = {
    "connector_off": FaultKind(
        "a plug is off: nothing that sits on it does anything", settings={"connector": _CONNECTOR}
    ),
    "ground_open": FaultKind(
        "the common, which goes from part to part, is broken before this pin of the plug",
        settings={"connector": _CONNECTOR, "from": Setting("number", 1, 1, 255)},
    ),
    "ground_crossed": FaultKind(
        "the plug's ground wire is changed round with the wire of this contact",
        (CONTACT,),
        1,
        1,
    ),
    "plug_shifted": FaultKind(
        "the plug sits one hole on: each wire ends one pin higher (-1: lower); `ground`: where the plug's own "
        "ground is",
        settings={"connector": _CONNECTOR, "by": _BY, "ground": _GROUND_AT},
    ),
    "plug_reversed": FaultKind(
        "the plug is turned round, or its ribbon mirrored", settings={"connector": _CONNECTOR, "ground": _GROUND_AT}
    ),
    "looms_interchanged": FaultKind(
        "two plugs are changed round", settings={"connectors": Setting("list of text", needed=True)}
    ),
    "matrix_line_off": FaultKind(
        "the wire of a row or a column is off",
        settings={"matrix": _THE_MATRIX, "line": _LINE_OF, "number": Setting("number", 0, 0, 99)},
    ),
    "matrix_lines_crossed": FaultKind(
        "the wires of two rows or of two columns are changed round",
        settings={
            "matrix": _THE_MATRIX,
            "line": _LINE_OF,
            "numbers": Setting("list of number", None, 0, 99, needed=True),
        },
    ),
    "diodes_backwards": FaultKind("all diodes are the wrong way round", settings={"matrix": _THE_MATRIX}),
    "diodes_missing": FaultKind("there are no diodes, and the board does not know", settings={"matrix": _THE_MATRIX}),
    "chip_dead": FaultKind(
        "a chip of a chain gives nothing; `behind`: nor does what comes through it; `reads`: what its inputs or "
        "outputs seem to be",
        settings={
            "chain": _CHAIN,
            "chip": _CHIP,
            "reads": Setting("number", 0, 0, 1),
            "behind": Setting("word", "no", words=("no", "yes")),
        },
    ),
    "chips_in_another_order": FaultKind(
        "the chips of a chain are wired one behind the other in this order, 1 is meant to be nearest the board",
        settings={"chain": _CHAIN, "order": Setting("list of number", None, 1, 32, needed=True)},
    ),
    "chip_bridged": FaultKind(
        "data goes past a chip: the next one comes in its place", settings={"chain": _CHAIN, "chip": _CHIP}
    ),
    "chain_shifted": FaultKind("the chain is a bit late (1) or early (-1)", settings={"chain": _CHAIN, "by": _BY}),
    "chip_pins_reversed": FaultKind(
        "the wires of a chip's eight pins are the other way round, of one chip or (0) of all",
        settings={"chain": _CHAIN, "chip": Setting("number", 1, 0, 32)},
    ),
}

_LINE = {
    "flip": FaultKind("bits are flipped: share of the bytes that are hit", settings={"share": _share(1), "way": _WAY}),
    "lose": FaultKind("bytes are lost", settings={"share": _share(1), "way": _WAY}),
    "double": FaultKind("bytes come twice", settings={"share": _share(1), "way": _WAY}),
    "lose_line": FaultKind("whole lines are lost", settings={"share": _share(10), "way": _WAY}),
    "delay": FaultKind(
        "bytes come late, in order",
        settings={"by": _time(20_000, 0, 10_000_000), "jitter": _time(0, 0, 10_000_000), "way": _WAY},
    ),
    "hold": FaultKind(
        "bytes from the board are held back until the time is up or so many have come, as some USB chips do",
        settings={"up_to": _time(16_000, 0, 255_000), "bytes": Setting("number", 62, 1, 4096)},
    ),
    "stall": FaultKind(
        "the board stops reading; silent: it stops writing too",
        settings={"silent": Setting("word", "no", words=("yes", "no"))},
    ),
    "garbage": FaultKind("noise between the lines, bytes a second", settings={"rate": Setting("Hz", 20, 0.1, 10_000)}),
    "endless_line": FaultKind(
        "characters without a line end, so many a second", settings={"rate": Setting("Hz", 2000, 1, 100_000)}
    ),
    "wrong_baud": FaultKind(
        "the board runs at this rate; what comes through is what a receiver at the port's own rate makes of it",
        settings={"rate": Setting("number", 57_600, 50, 4_000_000)},
    ),
}

_BOARD = {
    "reset": FaultKind(
        "resets once, when the fault begins",
        settings={
            "cause": Setting("word", "brownout", words=("power", "reset", "watchdog", "brownout", "unknown")),
        },
    ),
    "reset_loop": FaultKind("resets again and again", settings={"every": _time(2_000_000, 20_000)}),
    "opening_resets": FaultKind("opening the port resets the board, as boards do that wire DTR to reset"),
    "slow_boot": FaultKind(
        "a boot loader runs first, after each reset",
        settings={
            "lasting": _time(2_000_000, 0, 60_000_000),
            "says": Setting("word", "nothing", words=("nothing", "garbage")),
        },
    ),
    "clock": FaultKind(
        "the board's clock is fast, or slow (below 0)", settings={"off": Setting("ppm", 5000, -5000, 5000)}
    ),
    "labels": FaultKind(
        "labels and the board's name hold terminal control codes and markup",
        settings={"text": Setting("text", "\x1b[2J\x1b]0;x\x07[bold]\u202eyes")},
    ),
    "ident": FaultKind("the board says that it is another one", settings={"ident": Setting("text", needed=True)}),
    "weak_supply": FaultKind(
        "the supply sags with the current of the lamps, and the board resets below a limit",
        settings={"resistance": Setting("ohm", 2, 0, 1000), "limit": Setting("mV", 4300, 0, 60_000)},
    ),
}

GROUPS: Mapping[str, Mapping[str, FaultKind]] = {
    "inputs": _INPUTS,
    "lamps and displays": _OUTPUTS,
    "whole plugs, matrices and chains": _WHOLE,
    "the line": _LINE,
    "the board": _BOARD,
}
"""All kinds, grouped as the document groups them."""

KINDS: Mapping[str, FaultKind] = {name: kind for group in GROUPS.values() for name, kind in group.items()}
