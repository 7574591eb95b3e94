"""Encoders, potentiometers and selectors: on which channel each arrives, and whether its values are right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from benchcon.diagnosis import sweeps
from benchcon.diagnosis.findings import BareFinding, Choices
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.settled import SettledStep, Story
from benchcon.panel.model import Control
from benchcon.wire.items import signed16

NATURAL_COUNTS = (1, 2, 4)
"""Counts per detent that encoders are made with; other numbers more likely mean missing counts."""

END_TOLERANCE = 0.04
"""Share of the travel by which a potentiometer may miss an end: stops and tapers are not exact (common practice, no
source)."""
STILL_SHARE, RAW_SHARE = 0.008, 0.015
"""Share of the travel that the settled, and the raw, readings of a still potentiometer may span."""


def find(layout: PanelIndex, story: Story) -> list[Choices]:
    """Return what is wrong with encoders, potentiometers and selectors."""
    return [*_encoders(layout, story), *_pots(layout, story), *_selectors(layout, story)]


# What arrives where ------------------------------------------------------------------------------------------------


def _arrivals(
    names: Sequence[str], moved: Mapping[str, set[str]], of: Mapping[str, str]
) -> tuple[dict[str, str], list[Choices], set[str]]:
    """Work out on which channel each control arrives.

    `moved` gives for each control the channels that moved with it, `of` the channel where it belongs. Returns the
    channel of each control, the findings about crossed ones, and the controls that arrive nowhere.
    """
    arrives: dict[str, str] = {}
    nowhere: set[str] = set()
    for name in names:
        hit = moved[name]
        if of[name] in hit:
            arrives[name] = of[name]
        elif len(hit) == 1:
            arrives[name] = next(iter(hit))
        else:
            nowhere.add(name)
    home = {channel: name for name, channel in of.items()}
    out: list[Choices] = []
    done: set[str] = set()
    for name in names:
        if name in done or name not in arrives or arrives[name] == of[name]:
            continue
        ring, at = [name], home.get(arrives[name])
        while at is not None and at not in ring and at not in done and arrives.get(at, of[at]) != of[at]:
            ring.append(at)
            at = home.get(arrives[at])
        if at is not None and at not in ring and at in nowhere:
            ring.append(at)  # the last of the ring arrives nowhere, for another reason
        if len(ring) > 1:
            done |= set(ring)
            out.append([[BareFinding("crossed", tuple(of[each] for each in _from_least(ring, names)))]])
        elif at is not None:
            done.add(name)
            out.append([[BareFinding("follows", (arrives[name], of[name]))]])
    return arrives, out, nowhere


def _from_least(ring: list[str], names: Sequence[str]) -> list[str]:
    first = min(range(len(ring)), key=lambda n: names.index(ring[n]))
    return [*ring[first:], *ring[:first]]


def _crossed_with(crossed: list[Choices], channel: str) -> tuple[str, ...]:
    """Return the channels of the ring that `channel` is in; empty if it is not crossed."""
    for choices in crossed:
        for raw in choices[0]:
            if raw.kind == "crossed" and channel in raw.channels:
                return raw.channels
    return ()


def _arrives_if_silent(crossed: list[Choices], own: str) -> str:
    """Return where a silent part would arrive: at its own channel, or at the next in its ring of crossed ones."""
    ring = _crossed_with(crossed, own)
    return ring[(ring.index(own) + 1) % len(ring)] if ring else own


def _sided(raw: BareFinding, seen_at: str, crossed: list[Choices]) -> Choices:
    """Return `raw`, for a part with crossed wires also as it would be at the channel `seen_at`, as an alternative."""
    if seen_at == raw.channels[0] or not _crossed_with(crossed, seen_at):
        return [[raw]]
    return [[raw], [BareFinding(raw.kind, (seen_at,), raw.detail)]]


def _moves_several(own: str, moved: set[str]) -> Choices:
    """Return the finding for a part that moves several channels, and not its own."""
    return [[BareFinding("unexplained", (own, *sorted(moved)))]]


def _all_of(layout: PanelIndex, kind: str) -> dict[str, str]:
    """Return the channel of each control, for all channels of one kind."""
    return {spot.part.name: key for key, spot in layout.spots.items() if spot.kind == kind}


# Encoders ----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Turn:
    detents: int
    net: int
    travel: int
    invalid: int
    followed: bool
    levels: list[int] = field(default_factory=list)


def _encoders(layout: PanelIndex, story: Story) -> list[Choices]:
    of = _all_of(layout, "encoder")
    turns: dict[str, dict[str, list[_Turn]]] = {}
    for earlier, moment, later in zip([None, *story.moments], story.moments, [*story.moments[1:], None], strict=False):
        hand = moment.hand
        if hand.do != "turn" or not hand.to or len(hand.parts) != 1 or hand.parts[0] not in of:
            continue
        row = turns.setdefault(hand.parts[0], {})
        for channel in of.values():
            before, after = _came_late(earlier, moment, channel), _came_late(moment, later, channel)
            row.setdefault(channel, []).append(_turned(moment, channel, before, after))
    names = [name for name in of if name in turns]
    moved = {name: {c for c, row in turns[name].items() if _moves(layout.controls[name], row)} for name in names}
    arrives, out, nowhere = _arrivals(names, moved, of)
    crossed = list(out)
    for name in names:
        control = layout.controls[name]
        if name in nowhere:
            if len(moved[name]) > 1:
                out.append(_moves_several(of[name], moved[name]))
                continue
            out.append(_silent(of[name], turns[name], crossed))
            continue
        at = arrives[name]
        for choices in _judge_turns(control, of[name], turns[name][at]):
            if len(choices) == 1 and len(choices[0]) == 1:
                choices = _sided(choices[0][0], at, crossed)
            out.append(choices)
    return out


LATE_US = 20_000
"""Counts that follow each other this closely by the board's clock are of one turn: no hand turns back so soon."""


def _came_late(step: SettledStep | None, following: SettledStep | None, channel: str) -> list[int]:
    """Return the counts of `step` that arrived only in the `following` one, because the line or the computer was late.

    The board's own clock tells: they go on where the last counts of `step` ended.
    """
    if step is None or following is None:
        return []
    last = next((c.clock_us for c in reversed(step.hand.changes) if c.channel == channel), -1)
    late = []
    for change in following.hand.changes:
        if change.channel == channel:
            if last < 0 or not 0 <= change.clock_us - last <= LATE_US:
                break
            late.append(change.value)
            last = change.clock_us
    return late


def _turned(moment: SettledStep, channel: str, before: list[int], after: list[int]) -> _Turn:
    """Return a turn without the late counts of the step `before` it, and with its own that came `after` it."""
    row = [c.value for c in moment.hand.changes if c.channel == channel]
    start = before[-1] if before else moment.before.get(channel, row[0] if row else 0)
    end = moment.values.get(channel, row[-1] if row else start)
    row, end = [*row[len(before) :], *after], after[-1] if after else end
    travel, last = 0, start
    for value in [*row, end]:
        travel += abs(signed16(value - last))
        last = value
    levels = [c.value for c in moment.hand.edges if c.channel == channel]
    followed = bool(moment.hand.changes or moment.hand.edges) or moment.hand.ended_us > moment.hand.began_us
    return _Turn(moment.hand.to, signed16(end - start), travel, moment.hand.invalid.get(channel, 0), followed, levels)


def _moves(control: Control, row: list[_Turn]) -> bool:
    least = sum(max(3, control.detent_counts * abs(turn.detents) // 5) for turn in row)
    return sum(abs(turn.net) for turn in row) >= least or (
        control.detent_counts == 1 and sum(abs(t.net) for t in row) * 3 >= sum(abs(t.detents) for t in row)
    )


def _silent(own: str, rows: Mapping[str, list[_Turn]], crossed: list[Choices]) -> Choices:
    """Return the finding for an encoder that does not count: only one phase toggles, or nothing comes at all."""
    at = _arrives_if_silent(crossed, own)
    row = rows[at]
    travel = sum(turn.travel for turn in row)
    asked = sum(abs(turn.detents) for turn in row)
    phase = _still_phase([level for turn in row for level in turn.levels])
    if not phase and sum(turn.invalid for turn in row) > 1:
        return _sided(
            BareFinding(
                "skipping",
                (own,),
                {"counts": 0, "expected": "more", "invalid": sum(t.invalid for t in row)},
            ),
            at,
            crossed,
        )
    if travel * 3 >= asked or phase:
        return _sided(BareFinding("phase open", (own,), {"phase": phase} if phase else {}), at, crossed)
    # If the evidence has only final values and no changes, a phase that goes back and forth does not show.
    detail = {"on": "encoder"} if any(turn.followed for turn in row) else {"on": "encoder", "followed": False}
    return _sided(BareFinding("open", (own,), detail), at, crossed)


def _still_phase(levels: list[int]) -> str:
    if len(levels) < 4:
        return ""
    a, b = {level >> 1 & 1 for level in levels}, {level & 1 for level in levels}
    return "A" if len(a) == 1 and len(b) == 2 else "B" if len(b) == 1 and len(a) == 2 else ""


def _judge_turns(control: Control, own: str, row: list[_Turn]) -> list[Choices]:
    out: list[Choices] = []
    # A turn that was confirmed but not done proves nothing if the same turn was done another time.
    row = [turn for turn in row if turn.travel or not any(t.net and t.detents * turn.detents > 0 for t in row)]
    row = _without_slip(row, max(1, control.detent_counts))
    wanted = -1 if control.inverted else 1
    lean = sum(turn.net * (1 if turn.detents > 0 else -1) for turn in row)
    phase = _still_phase([level for turn in row for level in turn.levels])
    if phase:
        return [[[BareFinding("phase open", (own,), {"phase": phase})]]]
    if lean * wanted < 0:
        out.append([[BareFinding("reversed", (own,), {"on": "encoder"})]])
    expected = max(1, control.detent_counts)
    invalid = sum(turn.invalid for turn in row)
    total = sum(abs(turn.net) for turn in row)
    per = total / sum(abs(turn.detents) for turn in row)
    detail: dict[str, float] = {
        "counts": round(per, 2),
        "expected": expected,
        "invalid": invalid,
    }
    skipping = BareFinding("skipping", (own,), detail)
    if invalid > max(1, total // 50):
        out.append([[skipping]])
        return out
    if all(_fits(turn, expected) for turn in row):
        return out
    exact = [k for k in range(1, 16) if k != expected and all(_exact(turn, k) for turn in row)]
    loose = [
        k
        for k in NATURAL_COUNTS
        if k != expected and all(_fits(turn, k) for turn in row) and any(_exact(turn, k) for turn in row)
    ]
    counts = (exact or loose or [0])[0]
    if not counts:
        out.append([[skipping]])
        return out
    other = BareFinding("other counts", (own,), {**detail, "counts": counts})
    if counts in NATURAL_COUNTS or counts > expected:
        out.append([[other]])
    else:
        out.append([[other], [skipping]])
    return out


def _without_slip(row: list[_Turn], counts: int) -> list[_Turn]:
    """Return the turns without the one that a hand made twice, half or to and fro, if the others were exact.

    A hand may turn while the previous step is still being asked again.
    """
    odd = [turn for turn in row if not _fits(turn, counts)]
    others = [turn for turn in row if turn not in odd]
    if len(odd) != 1 or len(others) < 3 or not all(_exact(turn, counts) for turn in others):
        return row
    (turn,) = odd
    asked = counts * abs(turn.detents)
    whole, to_and_fro = min(turn.travel % counts, -turn.travel % counts) <= 1, turn.travel - abs(turn.net) > 2 * counts
    slip = whole or to_and_fro or 2 * turn.travel > 3 * asked
    return others if slip and not turn.invalid else row


def _exact(turn: _Turn, counts: int) -> bool:
    """Return whether the turn gave the right counts, within the one by which a detent may be off its edge."""
    return abs(abs(turn.net) - counts * abs(turn.detents)) <= min(1, counts - 1)


def _fits(turn: _Turn, counts: int) -> bool:
    """Return whether the turn gave the right counts, or those of a hand that miscounted by one detent."""
    off = abs(abs(turn.net) - counts * abs(turn.detents))
    slack = min(1, counts - 1)
    return off <= slack or (abs(off - counts) <= slack and abs(turn.detents) >= 5)


# Potentiometers ----------------------------------------------------------------------------------------------------


def _pots(layout: PanelIndex, story: Story) -> list[Choices]:
    of = _all_of(layout, "pot")
    ends: dict[str, dict[str, dict[int, list[int]]]] = {}
    for moment in story.moments:
        hand = moment.hand
        if hand.do == "end" and len(hand.parts) == 1 and hand.parts[0] in of:
            for channel in of.values():
                if channel in moment.values:
                    row = ends.setdefault(hand.parts[0], {}).setdefault(channel, {0: [], 1: []})
                    row[1 if hand.to > 0 else 0].append(moment.values[channel])
    names = [name for name in of if name in ends and all(ends[name].get(of[name], {0: [], 1: []}).values())]
    noise = {
        channel: max((_noise(layout, moment, name, channel) for moment in story.moments), default=0)
        for name, channel in of.items()
    }
    alone = [moment for moment in story.moments if moment.hand.do != "end"]
    idle = {c: max((_noise(layout, moment, name, c) for moment in alone), default=0) for name, c in of.items()}
    moved = {name: {c for c, row in ends[name].items() if _travels(layout, c, row, idle[c])} for name in names}
    for name in names:
        if not moved[name] and _travels(layout, of[name], ends[name][of[name]], idle[of[name]], LEAST_SWEEP):
            moved[name] = {of[name]}  # it moves its own channel, if only a little
    arrives, out, nowhere = _arrivals(names, moved, of)
    crossed = list(out)
    for name in names:
        control = layout.controls[name]
        if name in nowhere:
            if len(moved[name]) > 1:
                out.append(_moves_several(of[name], moved[name]))
                continue
            at = _arrives_if_silent(crossed, of[name])
            detail = {"on": "pot", **_open_pot(control, ends[name].get(at, {}), noise[at])}
            noise[at] = 0
            out.append(_sided(BareFinding("open", (of[name],), detail), at, crossed))
            continue
        at = arrives[name]
        found = _judge_ends(control, of[name], ends[name][at], noise[at])
        there = layout.spots[at].part
        if (
            at != of[name]
            and isinstance(there, Control)
            and not _judge_ends(there, of[name], ends[name][at], noise[at])
        ):
            found = []  # the board scales what arrives there to that channel's range
        out += [_sided(raw, at, crossed) for raw in found]
        way = sweeps.judge(control, [m.hand for m in story.moments if m.hand.do == "end" and name in m.hand.parts], at)
        if way is not None and not idle[at]:
            noise[at] = 0
            out.append(_sided(BareFinding(way[0], (of[name],), way[1]), at, crossed))
    for name, channel in of.items():
        if noise[channel]:
            source = next((n for n, c in arrives.items() if c == channel), name)
            out.append(_sided(BareFinding("noisy", (of[source],), {"span": noise[channel]}), channel, crossed))
    return out


def _open_pot(control: Control, row: Mapping[int, list[int]], noise: int) -> dict[str, int | str]:
    """Return as `detail` what an open potentiometer shows: hum, a swing less than its travel, or one of its ends."""
    if noise:
        return {"floats": noise}  # an open wiper picks up hum
    swing = _swing(row)
    return {"swing": swing} if swing else {**_end_off(control, row)}


def _end_off(control: Control, row: Mapping[int, list[int]]) -> dict[str, str]:
    """Return as `detail` which end of the track is off: then the whole track has the voltage of the other end."""
    both = [*row.get(0, ()), *row.get(1, ())]
    least, most = sorted((control.low_count, control.high_count))
    if both and min(both) >= most - 0.02 * (most - least):
        return {"end": "left"}
    return {"end": "right"} if both and max(both) <= least + 0.02 * (most - least) else {}


def _span(control: Control) -> int:
    return max(1, abs(control.high_count - control.low_count))


SWEEP = 0.12
"""Least share of the travel by which a potentiometer moves the channel that it belongs to, or is crossed with."""
LEAST_SWEEP = 0.03
"""Least share for a potentiometer that moves no other channel, and follows in part of its range; less may be hum."""


def _swing(row: Mapping[int, list[int]]) -> int:
    """Return how far the readings at the two ends are apart, in counts."""
    both = [*row.get(0, ()), *row.get(1, ())]
    return max(both) - min(both) if both else 0


def _travels(layout: PanelIndex, channel: str, row: Mapping[int, list[int]], idle: int, least: float = SWEEP) -> bool:
    """Return whether the ends are further apart than the channel's noise while nothing is turned (`idle`).

    A floating input follows nothing.
    """
    control = layout.spots[channel].part
    assert isinstance(control, Control)
    if not row[0] or not row[1]:
        return False
    if abs(sum(row[0]) / len(row[0]) - sum(row[1]) / len(row[1])) <= idle:
        return False
    if least < SWEEP and not (max(row[0]) < min(row[1]) or max(row[1]) < min(row[0])):
        return False  # readings that differ at the same end do not follow it
    return max(abs(a - b) for a in row[0] for b in row[1]) > least * _span(control)


def _judge_ends(control: Control, own: str, row: Mapping[int, list[int]], noise: int) -> list[BareFinding]:
    """Return what is wrong with a potentiometer's ends; `noise` (counts) is how far its reading wanders by itself.

    An end that is missed by no more than the noise counts as reached.
    """
    out: list[BareFinding] = []
    rising = sum(row[1]) / len(row[1]) > sum(row[0]) / len(row[0])
    if rising == control.inverted:
        out.append(BareFinding("reversed", (own,), {"on": "pot"}))
    low = min(row[0]) if rising else min(row[1])
    high = max(row[1]) if rising else max(row[0])
    least, most = sorted((control.low_count, control.high_count))
    slack = max(8.0, END_TOLERANCE * _span(control)) + noise
    detail = {"low": low, "high": high, "expected": [least, most]}
    if low > least + slack or high < most - slack:
        out.append(BareFinding("short of range", (own,), detail))
    elif low < least - slack or high > most + slack:
        out.append(BareFinding("other range", (own,), detail))
    return out


def _noise(layout: PanelIndex, moment: SettledStep, name: str, channel: str) -> int:
    """Return how far the readings of a still potentiometer wander, in counts; 0 if no more than they may."""
    hand = moment.hand
    control = layout.controls[name]
    span = _span(control)
    quiet = hand.do in ("rest", "still") or name not in hand.parts
    settled = [c.value for c in hand.changes if c.channel == channel]
    if channel in moment.before:
        settled.insert(0, moment.before[channel])
    if quiet:
        raw = [c.value for c in hand.readings if c.channel == channel]
        # At the end of the converter's range half of the noise is cut off.
        seen = 0.5 if settled and _at_an_end(control, [*settled, *raw]) else 1.0
        found = _jumping(settled, max(6.0, seen * STILL_SHARE * span), 3)
        return max(found, _jumping(raw, seen * max(12.0, RAW_SHARE * span), 3))
    # On the way to an end the reading goes one way only; crackle goes far back and forth.
    return _jumping(settled, 0.08 * span, 4) if hand.do == "end" else 0


def _at_an_end(control: Control, values: Sequence[int]) -> bool:
    """Return whether a potentiometer is at an end of the converter's range: it reads the least or the most possible."""
    least, most = sorted((control.low_count, control.high_count))
    near, mean = 0.04 * (most - least), sum(values) / len(values)
    return (min(values) == least and mean < least + near) or (max(values) == most and mean > most - near)


def _jumping(values: Sequence[int], least: float, turns: int) -> int:
    """Return the span of `values` if they reverse by more than `least` at least `turns` times, else 0."""
    if len(values) < turns + 1:
        return 0
    count, way = 0, 0
    low = high = values[0]
    for value in values:
        low, high = min(low, value), max(high, value)
        if way >= 0 and high - value > least:
            count, way, low = count + (way != 0), -1, value
        elif way <= 0 and value - low > least:
            count, way, high = count + (way != 0), 1, value
    return max(values) - min(values) if count >= turns else 0


# Selectors ---------------------------------------------------------------------------------------------------------


def _selectors(layout: PanelIndex, story: Story) -> list[Choices]:
    of = _all_of(layout, "selector")
    readings: dict[str, dict[str, dict[int, list[int]]]] = {}
    for moment in story.moments:
        hand = moment.hand
        if hand.do != "put" or len(hand.parts) != 1 or hand.parts[0] not in of or moment.doubtful:
            continue
        for channel in of.values():
            if channel in moment.values:
                readings.setdefault(hand.parts[0], {}).setdefault(channel, {}).setdefault(hand.to, []).append(
                    moment.values[channel]
                )
    names = [name for name in of if len(readings.get(name, {}).get(of[name], {})) > 1]
    moved = {name: {c for c, row in readings[name].items() if len({v[-1] for v in row.values()}) > 1} for name in names}
    arrives, out, nowhere = _arrivals(names, moved, of)
    crossed = list(out)
    for name in names:
        if name in nowhere:
            at = _arrives_if_silent(crossed, of[name])
            out.append(_sided(BareFinding("open", (of[name],), {"on": "selector"}), at, crossed))
            continue
        at = arrives[name]
        row = {to: values[-1] for to, values in readings[name][at].items()}
        judged = [_sided(raw, at, crossed) for raw in _judge_positions(layout.controls[name], of[name], row)]
        if _contradicts(story, name, at, readings[name][at]):
            judged = [[*choices, [BareFinding("unexplained", (of[name],))]] for choices in judged]
        out += judged
    return out


RESTLESS = 2
"""A selector that has changed position this often while others were worked proves nothing."""


def _contradicts(story: Story, name: str, at: str, readings: Mapping[int, list[int]]) -> bool:
    """Return whether the readings at `at` contradict each other.

    They do if the same request gave different readings, or if they changed repeatedly while others were worked and no
    crossed wire explains that.
    """
    stray, last = 0, None
    for moment in story.moments:
        value = moment.values.get(at)
        if value is None:
            continue
        if name not in moment.hand.parts and last is not None:
            stray += value != last
        last = value
    return stray >= RESTLESS or any(len(set(values)) > 1 for values in readings.values())


def _judge_positions(control: Control, own: str, row: Mapping[int, int]) -> list[BareFinding]:
    codes = [code[0] for code in control.codes]
    asked = {to: codes[to] for to in row if 0 <= to < len(codes)}
    wrong = {to: row[to] for to in asked if row[to] != asked[to]}
    if not wrong:
        return []
    if len(asked) > 2 and all(row[to] == max(codes) + min(codes) - asked[to] for to in asked):
        return [BareFinding("reversed", (own,), {"on": "selector"})]
    there = {value for to, value in row.items()}
    if len(there) == len(row) and there <= set(codes):
        return [
            BareFinding(
                "positions crossed", (own,), {"positions": {str(to): value for to, value in sorted(wrong.items())}}
            )
        ]
    right = {row[to] for to in asked if to not in wrong}
    missing = [to for to in sorted(wrong) if row[to] in right or row[to] not in codes]
    out = [BareFinding("position missing", (own,), {"position": to}) for to in missing]
    rest = {str(to): value for to, value in sorted(wrong.items()) if to not in missing}
    if rest:
        out.append(BareFinding("positions crossed", (own,), {"positions": rest}))
    return out
