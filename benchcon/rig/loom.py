"""What lies between a part and its channel at one moment: pure functions of what parts do and the faults that act.

A fault of a part (bounce, counts, noise) moves with the part; a fault of a wire or a pin stays with the channel. So the
order is: what the parts do, then swapped wires, breaks, ghosts and shorts, then the pin.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from benchcon.rig import copper
from benchcon.rig.faults import Fault
from benchcon.rig.wiring import Crossing, Wiring

RIGHT = {0: 2, 2: 3, 3: 1, 1: 0}
"""Levels A·2+B of an encoder → the levels one count further to the right: Gray code, A leads B."""
LEFT = {after: before for before, after in RIGHT.items()}
REST = 3
"""Levels of an encoder that has not been turned: both contacts are open, and pulled up."""


def of_kind(faults: Iterable[Fault], kind: str, id_: str | None = None) -> list[Fault]:
    """Return those of `faults` that are of `kind` and, if `id_` is given, are on that channel."""
    return [fault for fault in faults if fault.kind == kind and (id_ is None or id_ in fault.channels)]


def come_from(ids: Iterable[str], faults: Iterable[Fault]) -> dict[str, str]:
    """Return channel → channel from whose side its signal comes, as wires are crossed.

    For an input that is the part whose signal arrives there, for a lamp the output that drives it.
    """
    came = {id_: id_ for id_ in ids}
    for fault in of_kind(faults, "crossed"):
        ring = fault.channels
        if all(id_ in came for id_ in ring):
            before = [came[id_] for id_ in ring]
            for place, id_ in enumerate(ring):
                came[id_] = before[place - 1]
    return came


def contacts(
    made: Mapping[str, bool],
    wiring: Wiring,
    faults: Sequence[Fault],
    broken: Collection[str] = (),
    hum: Collection[str] = (),
) -> dict[str, bool]:
    """Return what each contact reads at its pin (True: made), given which of the parts' contacts are made.

    `broken`: channels whose wire has dropped out at this moment; `hum`: those that interference pulls low.
    """
    came = come_from(made, faults)
    off = set(broken) | wiring.loose_ends | {id_ for fault in of_kind(faults, "open") for id_ in fault.channels}
    off |= {id_ for fault in of_kind(faults, "common_open") for id_ in fault.channels}
    for fault in faults:
        if fault.kind in ("mirrored", "shifted"):
            row = fault.channels
            arrives = row[::-1] if fault.kind == "mirrored" else row[:1] + row[:-1]
            came |= {id_: came[there] for id_, there in zip(row, arrives, strict=True)}
            off |= set(row[:1]) if fault.kind == "shifted" else set()
    reads = {id_: made[came[id_]] and id_ not in off for id_ in made}
    for id_, there in copper.exchanged(wiring, faults, "contact").items():
        reads[id_] = there is not None and made[came[there]] and there not in off
    for plug in copper.plugs(wiring, faults):
        reads.update(plug.reads(reads))
    wrong = copper.matrices(wiring, faults)
    for name in wrong:
        reads.update(copper.matrix(wiring, name, reads, faults, name in wiring.bare))
    for name, group in without_diodes(wiring, faults).items():
        if name not in wrong:
            _ghosts(reads, group, off)
    for fault in of_kind(faults, "follows"):
        first, second = fault.channels
        if first in reads:
            reads[first] = reads[first] or reads[second]
    for fault in of_kind(faults, "shorted"):
        if any(reads[id_] for id_ in fault.channels):
            reads.update(dict.fromkeys(fault.channels, True))
    reads.update({id_: True for id_ in hum if id_ in reads})
    for chain in copper.chains(wiring, "165", faults):
        reads.update(copper.inputs(chain, reads, faults))
    for fault in of_kind(faults, "inverted"):
        reads[fault.channels[0]] = not reads[fault.channels[0]]
    if len(of_kind(faults, "level_inverted")) % 2:
        reads = {id_: not made_ for id_, made_ in reads.items()}
    for fault in of_kind(faults, "stuck"):
        if fault.channels[0] in reads:
            reads[fault.channels[0]] = bool(fault.settings["value"])
    return reads


def without_diodes(wiring: Wiring, faults: Sequence[Fault]) -> dict[str, dict[str, Crossing]]:
    """Return name → contacts and their places of each matrix in which current can flow back for lack of a diode."""
    groups: dict[str, dict[str, Crossing]] = {}
    bare = set(wiring.bare)
    for fault in of_kind(faults, "ghost"):
        if len(fault.channels) == 4:
            name = "+".join(fault.channels)
            groups[name] = {id_: Crossing(name, at // 2, at % 2) for at, id_ in enumerate(fault.channels)}
        elif fault.channels[0] in wiring.crossings:
            bare.add(wiring.crossings[fault.channels[0]].matrix)
    bare |= {fault.settings["matrix"] for fault in of_kind(faults, "diodes_missing")}
    for id_, crossing in wiring.crossings.items():
        if crossing.matrix in bare:
            groups.setdefault(crossing.matrix, {})[id_] = crossing
    return groups


def possible_ghosts(wiring: Wiring, faults: Sequence[Fault]) -> set[str]:
    """Return the contacts that the board knows to be in a matrix without diodes, and so reports as possible ghosts."""
    knows = set(wiring.bare)
    corners: set[str] = set()
    for fault in of_kind(faults, "ghost"):
        if fault.settings["reported_as"] == "ghost":
            corners.update(fault.channels if len(fault.channels) == 4 else ())
            knows.update(wiring.crossings[id_].matrix for id_ in fault.channels if id_ in wiring.crossings)
    return corners | {id_ for id_, crossing in wiring.crossings.items() if crossing.matrix in knows}


def on_a_loop(reads: Mapping[str, bool], group: Mapping[str, Crossing]) -> set[str]:
    """Return the contacts that read made but may be ghosts: their row and column are connected without them, too."""
    made = [id_ for id_ in group if reads[id_]]
    found = set()
    for id_ in made:
        joined = _joined([group[other] for other in made if other != id_])
        row, column = ("r", group[id_].row), ("c", group[id_].column)
        if joined.get(row, row) == joined.get(column, column):
            found.add(id_)
    return found


def _ghosts(reads: dict[str, bool], group: Mapping[str, Crossing], off: Collection[str]) -> None:
    joined = _joined([group[id_] for id_ in group if reads[id_]])
    for id_, at in group.items():
        row, column = ("r", at.row), ("c", at.column)
        if row in joined and joined[row] == joined.get(column) and id_ not in off:
            reads[id_] = True


def _joined(made: Iterable[Crossing]) -> dict[tuple[str, int], tuple[str, int]]:
    """Return row or column → the one that represents its group, for those that made contacts connect."""
    lot: dict[tuple[str, int], tuple[str, int]] = {}
    for at in made:
        row, column = ("r", at.row), ("c", at.column)
        one, other = lot.setdefault(row, row), lot.setdefault(column, column)
        if one != other:
            lot.update({line: one for line, its in lot.items() if its == other})
    return lot


def encoder_levels(
    id_: str, at_part: Mapping[str, int], faults: Sequence[Fault], broken: bool = False, hum: bool = False
) -> int:
    """Return the levels A·2+B at the pins of the encoder `id_`, given those at the parts (`at_part`).

    `hum`: interference pulls the phase low that has no pull-up.
    """
    levels = at_part[come_from(at_part, faults)[id_]]
    for fault in of_kind(faults, "open", id_):
        levels |= {"a": 2, "b": 1, "both": 3}[fault.settings["phase"]]
    for fault in of_kind(faults, "floating", id_):
        levels &= ~({"a": 2, "b": 1}[fault.settings["phase"]] if hum else 0)
    if of_kind(faults, "reversed", id_):
        levels = (levels & 1) << 1 | levels >> 1
    if of_kind(faults, "common_open", id_):
        levels = REST
    return REST if broken or of_kind(faults, "stuck", id_) else levels


def pot_counts(id_: str, at_part: Mapping[str, float], wiring: Wiring, faults: Sequence[Fault]) -> float | None:
    """Return what the potentiometer `id_` would read without noise, in counts; None if its wiper is not connected.

    `at_part`: channel of each potentiometer → how far it is turned to the right, 0 to 1.
    """
    mine = [fault for fault in faults if id_ in fault.channels]
    if of_kind(mine, "open") or id_ in wiring.loose_ends or (faults and id_ in copper.cut_off(wiring, faults)):
        return None
    top = wiring.tops[id_]
    # The voltage is that of the part whose wire arrives here, with its range and direction.
    part = come_from(at_part, faults)[id_] if mine else id_
    turned = at_part[part]
    mover = wiring.mover_of(part)
    for fault in of_kind(mine, "dead_spot"):
        if fault.settings["from"] <= 1000 * turned <= fault.settings["to"]:
            return None
    if of_kind(mine, "logarithmic"):
        turned = (100**turned - 1) / 99
    if mover is not None:
        if mover.inverted != bool(of_kind(mine, "reversed")):
            turned = 1 - turned
        low, high = mover.low_count, mover.high_count
    else:
        low, high = 0, top
    counts = low + turned * (high - low)
    for fault in mine:
        if fault.kind == "short_of_range":
            counts = fault.settings["low"] + counts / top * (fault.settings["high"] - fault.settings["low"])
    for fault in mine:
        if fault.kind == "track_open":
            # Without its other end the track has the same voltage everywhere.
            counts = float(top) if fault.settings["end"] == "left" else 0.0
    for fault in mine:
        if fault.kind == "stuck":
            counts = float(fault.settings["value"])
    return min(max(counts, 0.0), float(top))


def lit(
    driven: Mapping[str, int],
    wiring: Wiring,
    faults: Sequence[Fault],
    supply: bool = True,
    out: Collection[str] = (),
    made: Mapping[str, bool] | None = None,
) -> dict[str, int]:
    """Return channel → lightness of each lamp as it is really lit, in permille, when the board drives `driven`.

    `out`: lamps that a fault has put out at this moment; `made`: which contacts are made.
    """
    if not supply:
        return dict.fromkeys(driven, 0)
    if not faults and not out and not wiring.loose_ends:
        return dict(driven)
    gets = {id_: driven[at] for id_, at in come_from(driven, faults).items()}
    gets.update({id_: gets[at] if at else 0 for id_, at in copper.exchanged(wiring, faults, "lamp").items()})
    for chain in copper.chains(wiring, "595", faults):
        gets.update(copper.outputs(chain, gets, faults))
    for plug in copper.plugs(wiring, faults):
        gets.update(plug.lights(gets))
    for fault in of_kind(faults, "follows"):
        first, second = fault.channels
        if first in gets:
            gets[first] = max(gets[first], gets[second])
    for fault in of_kind(faults, "lit_by_a_control"):
        contact, lamp = fault.channels
        if made is not None and made.get(contact):
            gets[lamp] = 1000
    for fault in of_kind(faults, "shared_resistor"):
        lit_ = [id_ for id_ in fault.channels if gets[id_]]
        gets.update({id_: round(gets[id_] * lightness_of_share(len(lit_))) for id_ in lit_})
    for fault in of_kind(faults, "lit_together"):
        most = max(gets[id_] for id_ in fault.channels)
        gets.update(dict.fromkeys(fault.channels, most))
    light = {}
    for id_, level in gets.items():
        mine = [fault for fault in faults if id_ in fault.channels]
        level = 1000 if of_kind(mine, "always_on") else level
        for fault in of_kind(mine, "dim"):
            level = round(level * fault.settings["to"] / 1000)
        dead = id_ in out or id_ in wiring.loose_ends
        light[id_] = 0 if dead or of_kind(mine, "dead") or of_kind(mine, "open") else level
    return light


def colours(wiring: Wiring, faults: Sequence[Fault]) -> dict[str, str]:
    """Return channel → colour of the lamp that is really fitted."""
    fitted = dict(wiring.colours)
    for fault in of_kind(faults, "wrong_colour"):
        fitted[fault.channels[0]] = fault.settings["colour"]
    return fitted


def shown(
    driven: Mapping[str, bytes], wiring: Wiring, faults: Sequence[Fault], supply: bool = True
) -> dict[str, bytes]:
    """Return channel → segments that the display really shows, leftmost digit first: 80h point, 40h A … 01h G."""
    if not faults and not wiring.loose_ends and supply:
        return dict(driven)
    gets = dict(driven)
    for chain in copper.chains(wiring, "7219", faults):
        gets.update(copper.drivers(chain, gets, wiring.digits, faults))
    for fault in of_kind(faults, "crossed"):
        ring = fault.channels
        if all(id_ in gets for id_ in ring):
            before = [gets[id_] for id_ in ring]
            for place, id_ in enumerate(ring):
                # A display of another length shows as many digits as it has, from the left.
                gets[id_] = before[place - 1][: wiring.digits[id_]].ljust(wiring.digits[id_], b"\0")
    anodes = {fault.channels[0] for fault in of_kind(faults, "common_anode")} & gets.keys()
    gets |= {id_: copper.common_anode(id_, gets, wiring) for id_ in anodes}
    return {id_: _shown(id_, bytearray(segments), wiring, faults, supply) for id_, segments in gets.items()}


def _shown(id_: str, segments: bytearray, wiring: Wiring, faults: Sequence[Fault], supply: bool) -> bytes:
    mine = [fault for fault in faults if id_ in fault.channels]
    dead = id_ in wiring.loose_ends or id_ in copper.cut_off(wiring, faults)
    if not supply or dead or of_kind(mine, "dead") or of_kind(mine, "open"):
        return bytes(len(segments))
    for fault in (*of_kind(mine, "ribbon_shifted"), *of_kind(mine, "ribbon_reversed")):
        segments = bytearray(copper.ribbon(segments, fault.settings.get("by", 0)))
    for fault in of_kind(mine, "segments_swapped"):
        first, second = _bit(fault.settings["first"]), _bit(fault.settings["second"])
        for digit, lit_ in enumerate(segments):
            kept = lit_ & ~(first | second)
            segments[digit] = kept | (second if lit_ & first else 0) | (first if lit_ & second else 0)
    for fault in of_kind(mine, "digits_swapped"):
        segments = bytearray(segments[digit - 1] for digit in fault.settings["order"])
    for fault in of_kind(mine, "segments_together"):
        both = _bit(fault.settings["first"]) | _bit(fault.settings["second"])
        segments = bytearray(byte | both if byte & both else byte for byte in segments)
    for fault in of_kind(mine, "digit_dead"):
        segments[fault.settings["digit"] - 1] = 0
    for fault in (*of_kind(mine, "segment_dead"), *of_kind(mine, "segment_stuck")):
        bit = _bit(fault.settings["segment"])
        for digit in range(len(segments)):
            if fault.settings["digit"] in (0, digit + 1):
                segments[digit] = segments[digit] & ~bit if fault.kind == "segment_dead" else segments[digit] | bit
    return bytes(copper.upside_down(segments) if of_kind(mine, "upside_down") else segments)


def lightness_of_share(lamps: int) -> float:
    """Return the lightness, 0 to 1, of one of several lamps on one series resistor, which share its current.

    Lightness goes with the cube root of the light, and light with the current (CIE 1976 L*, above 0.9 % of full).
    """
    return float(116 * (1 / max(lamps, 1)) ** (1 / 3) - 16) / 100


_bit = copper.bit_of
