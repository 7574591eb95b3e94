"""Findings in words: what was seen, where to look first, and the change of the panel file that would correct it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from benchcon.diagnosis.findings import KINDS, BareFinding, Either, Finding
from benchcon.diagnosis.layout import PanelIndex, Spot
from benchcon.diagnosis.patches import patch
from benchcon.panel.model import Control, Display, Lamp
from benchcon.panel.pins import SEGMENT_PINS
from benchcon.panel.reading import contact_word
from benchcon.text import first_of, listed, times


def dress(layout: PanelIndex, raw: BareFinding, either: Either | None) -> Finding:
    """Return `raw` as a finding in words; `either` says of which alternative it is part, if any."""
    spots = [layout.spots[key] for key in raw.channels]
    because, look = SENTENCES[raw.kind](layout, raw, spots)
    detail = dict(raw.detail)
    if raw.kind == "dead" and isinstance(spots[0].part, Display):
        detail["on"] = "display"
    return Finding(
        kind=raw.kind,
        parts=tuple(spot.part.name for spot in spots),
        channels=tuple(raw.channels),
        detail=detail,
        because=because,
        look_first=look,
        decide=_decide(raw, spots),
        patch=patch(layout, raw, spots),
        either=either,
    )


def _decide(raw: BareFinding, spots: list[Spot]) -> str:
    """Return the measurement that decides between the kinds that the evidence cannot tell apart, for this part."""
    if raw.kind == "open" and raw.detail.get("on"):
        return _OPEN_POT if spots[0].kind == "pot" else _OPEN_TURNED
    if isinstance(spots[0].part, Display):
        return _OF_DISPLAYS.get(raw.kind, KINDS[raw.kind].decide)
    if raw.kind == "inverted" and isinstance(spots[0].part, Lamp):
        return _INVERTED_LAMP
    if raw.kind == "common open" and raw.detail.get("matrix"):
        return _DEAD_MATRIX
    return KINDS[raw.kind].decide


_INVERTED_LAMP = (
    "voltmeter across the lamp and its resistor, commanded off and on: volts while it is off mean that the other side "
    "is on the wrong rail, ground for supply; or the driver pulls to ground and `active` in the panel file is wrong"
)
_DEAD_MATRIX = (
    "supply off, ohmmeter from each of the board's pins for rows and columns to that row or column at the keys: open "
    "circuit shows that its wire or the plug is off; if none is, the board's pins are at fault"
)
_OF_DISPLAYS = {
    "dead": "supply on, voltmeter from the display's common to ground while it should show 8s: no voltage means "
    "that the driver or the plug is at fault; voltage there means that the display is, or the wires of its segments",
    "common open": "supply on, voltmeter across the driver's supply pins: without the full supply it is the feed; "
    "with it, supply off, swap the driver for another of its kind, supply on: if it stays dark, it is the "
    "data, clock or load wire",
    "always on": "supply off, unplug the display from its driver, supply on: if the driver's pins still carry its "
    "segments, the driver has failed; if not, the wiring or the display is shorted; supply off before you plug it in",
    "dim": "ohmmeter across the resistor that sets the driver's current, supply off, and its colour code",
}
_OPEN_POT = (
    "supply on, voltmeter from the board's pin to ground while the part is turned: a voltage that changes means that "
    "the board's input is at fault; one that does not, that the wire or the part is"
)
_OPEN_TURNED = (
    "supply off, ohmmeter from the board's pin to ground while the part is turned: contacts that open and close there "
    "mean that the board's input is at fault; if nothing changes, the wire or the part is"
)


def where(spot: Spot, pin: str = "") -> str:
    """Return where a channel's wire goes: connector and pin, wire colour, board pin, as far as the file gives them.

    `pin`: of a part with several wires, where the one in question goes, instead of the channel's pin.
    """
    wire = spot.channel.wire
    parts = []
    if wire.connector:
        parts.append(wire.connector + (f" pin {wire.connector_pin}" if wire.connector_pin else ""))
    if wire.colour:
        parts.append(f"the {wire.colour} wire")
    board = f"board {spot.channel.board}"
    pin = pin or (f"pin {wire.pin}" if wire.pin else f"channel {spot.channel.id}")
    parts.append(f"{pin} of {board}")
    return ", ".join(parts)


def name(spot: Spot) -> str:
    """Return what a person calls the part and, of a switch with several contacts, the contact."""
    part = spot.part
    shown = f"“{part.label}”"
    if isinstance(part, Control) and len(part.channels) > 1:
        shown += f" contact {contact_word(part, spot.place)}"
    return shown


_Said = tuple[str, str]
_Sayer = Callable[[PanelIndex, BareFinding, list[Spot]], _Said]


def _open(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    what = "never changes, whatever is done to it" if raw.detail.get("on") else "never reads made"
    if swing := raw.detail.get("swing"):
        what = f"hardly changes, by {swing} counts from one end of its travel to the other"
    if end := raw.detail.get("end"):
        sits, off = ("top", "low") if end == "left" else ("bottom", "high")
        what = (
            f"sits at the {sits} of its range, wherever it is turned: the {off} end of its track is off, or its wiper "
            "touches the other"
        )
    if raw.detail.get("floats"):
        what = f"does not follow, and wanders by {raw.detail['floats']} counts by itself"
    diode = "its diode, " if layout.diodes.get(layout.matrix_of.get(raw.channels[0], ""), False) else ""
    return f"{name(spots[0])} {what}", f"{where(spots[0])}: {diode}a broken wire, a cold joint, a plug not home"


def _every_name(spots: list[Spot]) -> str:
    """Return the names of several parts as a list."""
    return ", ".join(name(spot) for spot in spots[:-1]) + f" and {name(spots[-1])}"


def _all_on(spots: list[Spot]) -> str:
    """Return the parts on a plug, each once; of many, the first few and a count."""
    names = list(dict.fromkeys(f"“{spot.part.label}”" for spot in spots))
    return first_of(names, 6)


def _plug(raw: BareFinding, spots: list[Spot]) -> str:
    return f"connector {raw.detail['connector']} of board {spots[0].channel.board}"


def _ground_crossed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    at, others = _plug(raw, spots), _all_on(spots[1:])
    return (
        f"on {at} only {name(spots[0])} works; {others} never do, or only while it is made",
        f"{at}: its ground is swapped with the wire of {name(spots[0])} ({where(spots[0])})",
    )


def _shifted(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    at = _plug(raw, spots)
    way = "next higher" if raw.detail["by"] > 0 else "next lower"
    return f"each wire of {at} arrives at the {way} pin: {_all_on(spots)}", f"{at}: it sits one hole over"


def _turned_round(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    at = _plug(raw, spots)
    said = f"the wires of {at} arrive in reverse order, the first where the last belongs: {_all_on(spots)}"
    return said, f"{at}: plugged in the wrong way round, or its ribbon is mirrored"


def _common(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if raw.detail.get("part"):
        part = spots[0].part
        return (
            f"“{part.label}” never makes any of its {len(spots)} contacts",
            f"the common wire of the part, and its terminal; then {where(spots[0])}",
        )
    if raw.detail.get("connector") and (raw.detail.get("from") or len({type(spot.part) for spot in spots}) > 1):
        at, first = _plug(raw, spots), raw.detail.get("from")
        if first:
            return (
                f"on {at} nothing does anything from pin {first} on: {_all_on(spots)}",
                f"{at}: the common wire that goes from part to part, just before pin {first}",
            )
        home = (spots[0].channel.board, raw.detail["connector"])
        wired = [spot for spot in layout.spots.values() if spot.part.wired]
        there = {spot.key for spot in wired if (spot.channel.board, spot.channel.wire.connector) == home}
        some = "these do nothing" if there - set(raw.channels) else "nothing does anything"
        return f"on {at} {some}: {_all_on(spots)}", f"{at}: it is off, or its common wire is broken"
    if isinstance(spots[0].part, Display):
        return _driver(raw, spots)
    if raw.detail.get("matrix"):
        matrix = raw.detail["matrix"]
        return (
            f"no contact of matrix {matrix} ever reads made: {_all_on(spots)}",
            f"the plug or ribbon of matrix {matrix}, with the wires of its rows and columns",
        )
    connector = raw.detail.get("connector")
    at = f"connector {connector} of board {spots[0].channel.board}" if connector else f"board {spots[0].channel.board}"
    what = "read made" if isinstance(spots[0].part, Control) else "lights"
    which = f"{'contacts' if what == 'read made' else 'lamps'} on {at}"
    if len(spots) == 2:
        what = what.replace("read", "reads")
    return (
        f"{'neither of the two' if len(spots) == 2 else f'none of the {len(spots)}'} {which} ever {what}",
        f"{at}: its plug, and the wire that they have in common",
    )


def _driver(raw: BareFinding, spots: list[Spot]) -> _Said:
    chain, board = raw.detail["chain"], spots[0].channel.board
    number = raw.detail.get("driver")
    at = f"driver {number} of the {chain} chain" if number else f"the {chain} chain"
    at = f"{at} and those behind it" if raw.detail.get("behind") else at
    wires = list(dict.fromkeys(where(spot) for spot in spots))
    said = f"none of {_every_name(spots)}, all that {at} of board {board} drives, ever lights"
    if len(spots) == 1:
        said = f"what {at} of board {board} drives of {name(spots[0])}, and that is all it drives, never lights"
    return (
        said,
        f"{at}: its supply and ground, and its data, clock and load wires; then {'; '.join(wires)}",
    )


def _floating(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    phase = f", contact {d['phase']}," if d.get("phase") else ""
    return (
        f"{name(spots[0])}{phase} changes by itself while it is open, {d['periods']} times "
        f"{d['period_us'] / 1000:.1f} ms after the last: that is the mains, and not a worn contact",
        f"{where(spots[0])}: the input floats, its pull-up resistor is missing or not switched on by the firmware",
    )


def _chain(raw: BareFinding, spots: list[Spot]) -> str:
    return f"the {raw.detail['chain']} chain of board {spots[0].channel.board}"


def _does(spots: list[Spot]) -> str:
    return "lights" if isinstance(spots[0].part, Lamp) else "reads made"


def _chip_dead(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    number, at = raw.detail["chip"], _chain(raw, spots)
    chips = f"chip {number} of {at}" + (", or on one behind it," if raw.detail["behind"] else "")
    if raw.detail["reads"]:
        what = f"everything on {chips} {_does(spots)} all the time: {_all_on(spots)}"
    else:
        what = f"nothing on {chips} ever {_does(spots)}: {_all_on(spots)}"
    return (
        what,
        f"chip {number} of {at}, counted from the board: its supply and ground, data, clock and load, its socket",
    )


def _other_order(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    order, at = raw.detail["order"], _chain(raw, spots)
    return (
        f"the chips of {at} are in the order {listed(order)}: {_all_on(spots)}",
        f"{at}: the data wires from chip to chip, or the plugs on the chips",
    )


def _chip_bridged(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    number, at = raw.detail["chip"], _chain(raw, spots)
    said = f"from chip {number} of {at} on everything arrives one chip early"
    if not isinstance(spots[0].part, Control):
        said = f"what is meant for chip {number} of {at}, and for those behind it, goes to the next one"
    return (
        f"{said}: {_all_on(spots)}",
        f"chip {number} of {at}: its data input bridged to its output, or the chip missing",
    )


def _chain_shifted(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    at, way = _chain(raw, spots), "late" if raw.detail["by"] > 0 else "early"
    return (
        f"everything on {at} arrives one bit {way}: {_all_on(spots)}",
        f"the firmware's reading or writing of {at}, and its clock and load wires",
    )


def _pins_reversed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    chips, at = raw.detail["chips"], _chain(raw, spots)
    pins = "QA to QH" if isinstance(spots[0].part, Lamp) else "A to H"
    pins = "DIG 0 to DIG 7" if isinstance(spots[0].part, Display) else pins
    which = f"chip{'s' * (len(chips) > 1)} {listed(chips)} of {at}"
    return (
        f"the wires of {which} are in reverse order: {_all_on(spots)}",
        f"{which}: {pins} of the chip wired from the wrong end, or its ribbon mirrored",
    )


def _line(raw: BareFinding) -> tuple[str, list[int]]:
    for word in ("row", "column"):
        if word in raw.detail:
            return word, [int(raw.detail[word])]
        if word + "s" in raw.detail:
            return word + "s", list(raw.detail[word + "s"])
    raise KeyError("row")


def _line_off(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    word, (number,) = _line(raw)
    at = f"{word} {number} of matrix {raw.detail['matrix']}"
    return (
        f"nothing in {at} ever reads made: {_all_on(spots)}",
        f"{at}: its wire, from the board's {_line_pin(layout, raw)}",
    )


def _lines_crossed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    words, numbers = _line(raw)
    at = f"{words} {listed(numbers)} of matrix {raw.detail['matrix']}"
    if "rows" in raw.detail and "columns" in raw.detail:
        at = f"row {numbers[0]} and column {raw.detail['columns'][0]} of matrix {raw.detail['matrix']}"
    return f"{at} are swapped: {_all_on(spots)}", f"the wires of {at}, at the board's {_line_pin(layout, raw)}"


def _line_pin(layout: PanelIndex, raw: BareFinding) -> str:
    """Return the board's pins for the matrix lines of the finding."""
    word, numbers = _line(raw)
    for matrix in layout.panel.matrices:
        if matrix.name == raw.detail["matrix"]:
            if "rows" in raw.detail and "columns" in raw.detail:
                return f"pins {matrix.rows[numbers[0]]} and {matrix.columns[raw.detail['columns'][0]]}"
            pins = matrix.rows if word.startswith("row") else matrix.columns
            return "pin " + " and ".join(pins[n] for n in numbers if n < len(pins))
    return "pin"


def _diodes_backwards(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"no contact of matrix {raw.detail['matrix']} ever reads made: {_all_on(spots)}",
        f"the diodes of matrix {raw.detail['matrix']}: all turned round; or its plug",
    )


def _diode(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    matrix, times = raw.detail["matrix"], raw.detail.get("held", ())
    if raw.detail["is"] == "backwards":
        said = f"{name(spots[0])} alone never reads made, and with others held current goes back through it"
        return said, f"its diode, which is turned round: {where(spots[0])}"
    who = " and ".join(name(spot) for spot in spots)
    ghosts = f" ({', '.join(times)} read made)" if times else ""
    said = f"current goes back through {who} of matrix {matrix} when others are held{ghosts}, and through no other"
    return said, f"its diode, bridged or shorted: {'; '.join(where(spot) for spot in spots)}"


def _interchanged(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    what = "connectors" if "connectors" in raw.detail else "boards"
    names = " and ".join(raw.detail[what])
    return (
        f"what belongs to one of {what} {names} arrives at the other: {_all_on(spots)}",
        f"the looms of {what} {names}: plugged into each other's place",
    )


def _level(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    board = raw.detail["board"]
    return (
        f"all {len(spots)} contacts of board {board} read made when they are open, and open when they are made",
        f"board {board}: what the contacts close to, ground or +, and `active` in the panel file or the firmware",
    )


def _stuck(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if len(spots) > 1:
        said = f"{_every_name(spots)} read made all the time, independently of each other"
        return said, f"{'; '.join(where(spot) for spot in spots)}: touching ground, or the parts jammed or welded"
    return (
        f"{name(spots[0])} reads made all the time",
        f"{where(spots[0])}: touching ground, or the part itself jammed or welded",
    )


def _inverted(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if isinstance(spots[0].part, Lamp):
        return (
            f"{name(spots[0])} is lit when it should be dark, and dark when lit",
            f"{where(spots[0])}: fed from the wrong side",
        )
    return (
        f"{name(spots[0])} reads made when it is open, and open when it is made",
        f"the part's terminals ({where(spots[0])}): on the normally closed one, or the part is upside down",
    )


def _chattering(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    shortest = int(raw.detail.get("shortest_us", 0) or 0)
    close = f", down to {shortest / 1000:.1f} ms apart" if shortest else ""
    return (
        f"{name(spots[0])} makes and breaks {raw.detail.get('touches')} times where it should once{close}",
        f"{where(spots[0])}: a worn contact, a loose terminal, a cold joint",
    )


def _crossed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if len(spots) == 2:
        if isinstance(spots[0].part, Control):
            because = f"{name(spots[0])} moves {name(spots[1])} instead, and {name(spots[1])} moves {name(spots[0])}"
        else:
            because = f"{spots[0].key} drives {name(spots[1])} and {spots[1].key} drives {name(spots[0])}"
    else:
        steps = " → ".join(name(spot) for spot in [*spots, spots[0]])
        because = f"a ring of {len(spots)}: each arrives where the next one belongs: {steps}"
    return because, "the two wires: " + " and ".join(where(s) for s in spots) if len(spots) == 2 else "; ".join(
        where(s) for s in spots
    )


def _shorted(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    names = ", ".join(name(spot) for spot in spots[:-1]) + f" and {name(spots[-1])}"
    return f"{names} read made together, whichever is worked", _between(spots)


def _between(spots: list[Spot]) -> str:
    return "solder and insulation between " + " and ".join(where(s) for s in spots)


def _ghost(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    held = [layout.spots[key] for key in raw.detail["held"]]
    names = ", ".join(name(s) for s in held)
    reads = "is reported as a ghost" if raw.detail.get("reported_as") == "ghost" else "reads made"
    return (
        f"{name(spots[0])} {reads} though only {names} are held",
        f"the diodes of matrix {raw.detail['matrix']}: missing, shorted, or turned round at one of {names}",
    )


def _reversed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if raw.detail.get("on") == "encoder":
        return (
            f"{name(spots[0])} counts down when it is turned to the right",
            f"its two contact wires, A and B, which may be swapped: {where(spots[0])}",
        )
    if raw.detail.get("on") == "switch":
        part = spots[0].part
        return (
            f"“{part.label}” counts its positions from the wrong end",
            f"the order of its wires, at its terminals or at the plug: {where(spots[0])} to {where(spots[-1])}",
        )
    if raw.detail.get("on") == "selector":
        return f"{name(spots[0])} counts its positions from the wrong end", f"the order of its wires: {where(spots[0])}"
    return f"{name(spots[0])} falls when it is turned to the right", (
        f"the wires at the two ends of its track, which may be swapped: {where(spots[0])}"
    )


def _skipping(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    jumps = f", {d['invalid']} invalid transitions" if d.get("invalid") else ""
    return (
        f"{name(spots[0])} gives {d['counts']} counts per detent on average instead of {d['expected']}{jumps}",
        f"its contacts and {where(spots[0])}: worn, dirty or loose",
    )


def _other_counts(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    return (
        f"{name(spots[0])} gives {d['counts']} counts per detent where the panel file says {d['expected']}",
        "the encoder's type, or counts_per_detent in the panel file",
    )


def _phase_open(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    phase = f"contact {raw.detail['phase']}" if raw.detail.get("phase") else "one of its two contacts"
    return f"{name(spots[0])} only goes back and forth: {phase} never changes", f"{phase} of {where(spots[0])}"


def _range(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d: dict[str, Any] = dict(raw.detail)
    least, most = d["expected"]
    return (
        f"{name(spots[0])} goes from {d['low']} to {d['high']} where it should go from {least} to {most}",
        f"the ends of its track (ground and supply), its stops, and {where(spots[0])}",
    )


def _noisy(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} jumps about by {raw.detail.get('span')} counts while nobody touches it",
        f"{where(spots[0])}: a loose wiper wire, a bad ground, a worn track",
    )


def _positions(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    control = spots[0].part
    assert isinstance(control, Control)
    words = control.positions
    table: dict[str, int] = dict(raw.detail["positions"])
    # Use the panel's words, because the value on the wire means nothing to a person.
    called = {code[0]: word for code, word in zip(control.codes, words, strict=False)}
    each = ", ".join(f"{words[int(to)]} reads {called.get(value, value)}" for to, value in table.items())
    return f"{name(spots[0])}: {each}", f"the order of its wires: {where(spots[0])}"


def _missing(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    control = spots[0].part
    assert isinstance(control, Control)
    word = control.positions[int(raw.detail["position"])]
    return f"{name(spots[0])} never reports position {word}", f"the wire of position {word} at {where(spots[0])}"


def _dead(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if isinstance(spots[0].part, Display):
        return f"{name(spots[0])} never lights", f"{where(spots[0])}: its plug, its commons, and the driver behind them"
    legs = "turned round (the long leg is plus)"
    if isinstance(spots[0].part, Lamp) and spots[0].part.engraved:
        legs = "a leg in another one's hole (the longest is the common one)"  # common practice, no source
    return f"{name(spots[0])} never lights", f"{where(spots[0])}: a broken wire, or {legs}"


def _always_on(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if len(spots) > 1:
        said = f"{_every_name(spots)} are lit with everything dark, independently of each other"
        return said, f"{'; '.join(where(spot) for spot in spots)}: touching supply or ground"
    digits = f", digit {listed(raw.detail['digits'])}" if raw.detail.get("digits") else ""
    return f"{name(spots[0])}{digits} is lit with everything dark", f"{where(spots[0])}: touching supply or ground"


def _together(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return f"{_every_name(spots)} light together, whichever is driven", _between(spots)


def _dim(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return f"{name(spots[0])} is much dimmer than it should be", f"{_resistor(spots[0])}, and {where(spots[0])}"


def _resistor(spot: Spot) -> str:
    return "the driver's current-setting resistor" if isinstance(spot.part, Display) else "its series resistor"


def _colour(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    return f"{name(spots[0])} is {d['colour']} where the panel file says {d['expected']}", "the lamp that was fitted"


def _flickering(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    what = "stayed dark when lit alone, and lit up with all the others" if raw.detail.get("looks") else ""
    return (
        f"{name(spots[0])} {what or 'flickers while it should be lit steadily'}",
        f"{where(spots[0])}: a loose wire or a cold joint",
    )


def _driver_rows(spot: Spot) -> range:
    """Return the rows of the MAX7219 chain that a display's digits are on; none if the panel file does not say."""
    chain, _, first = spot.channel.wire.pin.partition(".")
    if not isinstance(spot.part, Display) or chain != "7219" or not first.isdecimal():
        return range(0)
    return range(int(first), int(first) + spot.part.digits)


def _segments_at(spot: Spot, segments: Sequence[str]) -> str:
    """Return where the wires of some segments of a display go."""
    chips = sorted({row // 8 + 1 for row in _driver_rows(spot)})
    names = ["DP" if segment == "P" else segment for segment in segments]
    if not chips or not all(name in SEGMENT_PINS for name in names):
        return where(spot)
    pins = listed([f"{SEGMENT_PINS[name]} (SEG {name})" for name in names])
    return where(spot, f"pin{'s' * (len(names) > 1)} {pins} of chip {listed(chips)} of the MAX7219 chain")


def _digits_at(spot: Spot, digits: Sequence[int]) -> str:
    """Return where the commons of some digits of a display go; digits count from 1, the leftmost."""
    rows = _driver_rows(spot)
    if not rows or not all(0 < digit <= len(rows) for digit in digits):
        return where(spot)
    return where(spot, f"pin{'s' * (len(digits) > 1)} {listed([f'7219.{rows[digit - 1]}' for digit in digits])}")


def _segment(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    segments = listed(raw.detail["segments"])
    digits = raw.detail.get("digits")
    at = f" in digit {listed(digits)} from the left" if digits else ""
    what = "never lights" if raw.kind == "segment dead" else "is lit all the time"
    look = f"the wire of segment {segments}: {_segments_at(spots[0], raw.detail['segments'])}"
    if digits:
        # One wire serves a segment in all digits; as the other digits light correctly, that wire is good.
        cause = "its joint, or the segment itself" if raw.kind == "segment dead" else "a bridge at its pin"
        look = f"segment {segments} at digit {listed(digits)}, {cause}: {_digits_at(spots[0], digits)}"
    return f"{name(spots[0])}: segment {segments}{at} {what}", look


def _segments(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    segments = listed(raw.detail["segments"])
    digits = raw.detail.get("digits")
    at = f" in digit {listed(digits)} from the left" if digits else ""
    what = "are swapped" if raw.kind == "segments swapped" else "light together"
    at_chip = _segments_at(spots[0], raw.detail["segments"])
    return f"{name(spots[0])}: segments {segments}{at} {what}", f"the wires of segments {segments}: {at_chip}"


def _digits_swapped(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    order = listed(raw.detail["order"])
    swapped = [digit for digit, shown in enumerate(raw.detail["order"], 1) if digit != shown]
    return (
        f"{name(spots[0])}: from the left it shows what belongs to digits {order}",
        f"the wires of the digits' commons: {_digits_at(spots[0], swapped)}",
    )


def _digit_dead(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    digits = raw.detail["digits"]
    which = f"digit{'s' * (len(digits) > 1)} {listed(digits)}"
    return (
        f"{name(spots[0])}: {which} from the left stay{'s' * (len(digits) == 1)} dark",
        f"the common{'s' * (len(digits) > 1)} of {which}: {_digits_at(spots[0], digits)}",
    )


def _ribbon_shifted(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    one, other = ("A", "B") if raw.detail["by"] > 0 else ("B", "A")
    return (
        f"{name(spots[0])}: what belongs to segment {one} lights segment {other}, and so on: the segments' ribbon "
        "sits one hole over",
        f"the segments' plug: {where(spots[0])}",
    )


def _ribbon_reversed(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])}: the wires of its segments arrive in reverse order, A where the point belongs",
        f"the segments' plug and ribbon: {where(spots[0])}",
    )


def _upside_down(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} shows everything turned by half a turn: the module is upside down",
        f"how the module sits in the plate; else the order of its wires: {where(spots[0])}",
    )


def _common_anode(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} lights where it should be dark, and with everything dark: its anodes are common, and its "
        "driver is for common cathodes",
        f"the type of the module: {where(spots[0])}",
    )


def _misses(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    return (
        f"{name(spots[0])} did not make {d['missed']} of the {d['asked']} times that it was asked to",
        f"{where(spots[0])}: a worn or dirty contact, a cold joint, a plug not home",
    )


def _crosstalk(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} reads made for a moment whenever {name(spots[1])} changes, and at no other time",
        f"its pull-up, and wires that lie side by side: {where(spots[0])}; {where(spots[1])}",
    )


def _logarithmic(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} hardly changes over one half of its travel, and over nearly its whole range in the other",
        "the part: a logarithmic one where a linear one belongs",
    )


def _dead_spot(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    d = raw.detail
    return (
        f"{name(spots[0])} loses contact on its way between {d['low']} and {d['high']}, at the same place each time",
        "its track, which is worn through or dirty there",
    )


def _scratchy(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[0])} jumps about by {raw.detail['span']} counts while it is turned, and is quiet at rest",
        f"its track and wiper, worn or dirty; then {where(spots[0])}",
    )


def _shared(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    names = ", ".join(name(spot) for spot in spots[:-1]) + f" and {name(spots[-1])}"
    return (
        f"{names} are each bright alone, and dimmer when all are lit",
        "their series resistors: each lamp needs its own; then the wire of their common",
    )


def _lit_by(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    light = next((spot for spot in spots if not isinstance(spot.part, Control)), None)
    control = spots[-1]
    if "times" not in raw.detail and light is not None:
        return (
            f"{name(light)} is lit with everything dark, and {name(control)} was made all the time: open it and look "
            "again, as what goes out then is lit by it",
            f"where their wires run together: {where(light)}, and {where(control)}",
        )
    often = f"seen {times(raw.detail['times'])}"
    if light is None:
        return (
            f"something lights when {name(control)} is worked, with all outputs off ({often})",
            f"the wires beside {where(control)}: one of a lamp touches it",
        )
    return (
        f"{name(light)} lights when {name(control)} is worked, with all outputs off ({often})",
        f"where their wires run together: {where(light)}, and {where(control)}",
    )


def _not_with_others(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    how = {"dark": "dark", "dim": "dim", "flickering": "flickering"}.get(raw.detail["looks"], "not as it should be")
    return (
        f"{name(spots[0])} looks right by itself, and is {how} when the others are lit as well",
        f"its ground and its supply, a joint there that is bad; then {where(spots[0])}",
    )


def _follows(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    return (
        f"{name(spots[1])} moves {name(spots[0])} as well, but not the other way round"
        if isinstance(spots[1].part, Control)
        else f"{name(spots[0])} lights with {name(spots[1])} as well, but not the other way round",
        _between(spots),
    )


def _unexplained(layout: PanelIndex, raw: BareFinding, spots: list[Spot]) -> _Said:
    if spots[0].kind == "contact":
        who = first_of([name(spot) for spot in spots], 4)
        what = f"wrong again and again, and no known fault explains it: {who}"
        return what, "what these have in common: ground, a plug, the supply; or walk again, a hand on one at a time"
    if isinstance(spots[0].part, Lamp):
        who = first_of([name(spot) for spot in spots], 4)
        what = f"lit, or dark, where it should not be, and no known fault explains all of it: {who}"
        return what, "what these have in common: ground, a plug, the supply, the driver; or look again, one at a time"
    if isinstance(spots[0].part, Display):
        what = f"{name(spots[0])} shows what it should not, and no known fault explains all of it"
        return what, f"its driver, its ribbon and its supply: {where(spots[0])}; then look again, digit by digit"
    others = ", ".join(s.key for s in spots[1:])
    return f"{name(spots[0])} moves {others}, and no single known fault explains it", where(spots[0])


SENTENCES: dict[str, _Sayer] = {
    "open": _open,
    "common open": _common,
    "stuck": _stuck,
    "ground crossed": _ground_crossed,
    "plug shifted": _shifted,
    "plug reversed": _turned_round,
    "floating": _floating,
    "chip dead": _chip_dead,
    "chips in another order": _other_order,
    "chip bridged": _chip_bridged,
    "chain shifted": _chain_shifted,
    "chip pins reversed": _pins_reversed,
    "matrix line off": _line_off,
    "matrix lines crossed": _lines_crossed,
    "diodes backwards": _diodes_backwards,
    "diode wrong": _diode,
    "looms interchanged": _interchanged,
    "level inverted": _level,
    "inverted": _inverted,
    "chattering": _chattering,
    "crossed": _crossed,
    "shorted": _shorted,
    "ghost": _ghost,
    "positions crossed": _positions,
    "position missing": _missing,
    "reversed": _reversed,
    "skipping": _skipping,
    "other counts": _other_counts,
    "phase open": _phase_open,
    "short of range": _range,
    "other range": _range,
    "noisy": _noisy,
    "dead": _dead,
    "always on": _always_on,
    "lit together": _together,
    "dim": _dim,
    "wrong colour": _colour,
    "flickering": _flickering,
    "segment dead": _segment,
    "segment stuck": _segment,
    "segments swapped": _segments,
    "segments together": _segments,
    "digits swapped": _digits_swapped,
    "digit dead": _digit_dead,
    "follows": _follows,
    "ribbon shifted": _ribbon_shifted,
    "ribbon reversed": _ribbon_reversed,
    "upside down": _upside_down,
    "common anode": _common_anode,
    "misses": _misses,
    "crosstalk": _crosstalk,
    "logarithmic": _logarithmic,
    "dead spot": _dead_spot,
    "scratchy": _scratchy,
    "shared resistor": _shared,
    "lit by a control": _lit_by,
    "not with others": _not_with_others,
    "unexplained": _unexplained,
}
