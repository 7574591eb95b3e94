"""A comparison in words: the first difference in context, then a summary."""

from __future__ import annotations

from typing import Any

from benchcon.durations import seconds_text
from benchcon.replay.compare import Compared, Comparison, Difference, Slip
from benchcon.replay.tracks import Recording, Track
from benchcon.text import counted, first_of

MOST_LISTED = 500
"""Most differing channels that are listed; a stranger's capture may name hundreds of thousands."""
BEFORE, AFTER = 3, 4
"""How many values are shown before and after the first difference."""


def what(compared: Compared, difference: Difference, a: str = "in A", b: str = "in B") -> str:
    """Return one difference in words; `a` and `b` name the two recordings (``in A``, ``then``)."""
    track = compared.track
    value_a = "" if difference.a is None else track.shown(difference.a)
    value_b = "" if difference.b is None else track.shown(difference.b)
    by = f"{difference.by_us / 1000:.1f} ms"
    return {
        "missing": f"{value_a} {a}, and not {b}",
        "extra": f"{value_b} {b}, and not {a}",
        "value": f"{value_a} {a}, {value_b} {b}",
        "late": f"{value_a} comes {by} later {b}",
        "early": f"{value_a} comes {by} earlier {b}",
        "start": f"begins as {value_a} {a}, as {value_b} {b}",
        "only A": f"there is no such channel {b}",
        "only B": f"there is no such channel {a}",
    }[difference.sort]


def where_and_what(compared: Compared, difference: Difference) -> str:
    """Return one difference with its channel and its time: ``met.wind, at 2.500 s: 3 in A, 4 in B``."""
    return f"{compared.track.name}, at {seconds_text(difference.at_us)}: {what(compared, difference)}"


def same_within(comparison: Comparison) -> str:
    """Return in words what the same means: ``the same within 100 ms``."""
    return f"the same within {comparison.tolerance_us / 1000:g} ms"


def summary(compared: Compared) -> str:
    """Return how many differences of each sort a channel has: ``2 missing, 1 extra``."""
    counts: dict[str, int] = {}
    for difference in compared.differences:
        counts[difference.sort] = counts.get(difference.sort, 0) + 1
    more = compared.count - len(compared.differences)
    words = [sort if sort.startswith("only") else f"{count} {sort}" for sort, count in counts.items()]
    return ", ".join([*words, f"{more} more"] if more else words)


def in_context(comparison: Comparison, compared: Compared, difference: Difference) -> list[str]:
    """Return the lines around a difference, A on the left, B on the right, times as in A."""
    if compared.a is None or compared.b is None:
        return []
    left = _rows(compared.a, difference.index_a, 0, difference.a is not None)
    right = _rows(compared.b, difference.index_b, comparison.offset_us, difference.b is not None)
    rows: list[tuple[int, str, str, bool]] = []
    used: set[int] = set()
    for at_us, text, here in left:
        partner = next(
            (
                number
                for number, (other_us, other, other_here) in enumerate(right)
                if number not in used
                and here == other_here
                and (here or other == text)
                and (here or abs(other_us - at_us) <= comparison.tolerance_us)
            ),
            None,
        )
        if partner is not None:
            used.add(partner)
        rows.append((at_us, f"{at_us / 1e6:12.3f}  {text}", _cell(right, partner), here))
    for number, (at_us, text, here) in enumerate(right):
        if number not in used:
            rows.append((at_us, "", f"{at_us / 1e6:12.3f}  {text}", here))
    width = max([28, *(len(cell) for _, cell, _, _ in rows)])
    lines = [f"  {'           A':<{width}}  {'           B'}"]
    lines += [
        f"{'>' if here else ' '} {cell or '           -':<{width}}  {other or '           -'}"
        for _, cell, other, here in sorted(rows, key=lambda row: row[0])
    ]
    return [line.rstrip() for line in lines]


def _cell(rows: list[tuple[int, str, bool]], number: int | None) -> str:
    return "" if number is None else f"{rows[number][0] / 1e6:12.3f}  {rows[number][1]}"


def _rows(track: Track, index: int, offset_us: int, here: bool) -> list[tuple[int, str, bool]]:
    """Return (time, value, whether it is the difference) around an index of a track."""
    return [
        (track.times[number] - offset_us, track.shown(track.values[number]), here and number == index)
        for number in range(max(0, index - BEFORE), min(len(track.times), index + AFTER))
    ]


def slipped(slip: Slip) -> str:
    """Return one line that says from where on B is later or earlier for good."""
    how = f"{seconds_text(abs(slip.by_us))} {'later' if slip.by_us > 0 else 'earlier'}"
    where = f"From {slip.channel} at {seconds_text(slip.at_us)} on"
    return f"{where}, B does the same {how}; what follows is compared without this difference."


def _of(recording: Recording) -> str:
    return f"{recording.path}: {recording.size}"


def shifted(offset_us: int) -> str:
    """Return one line about the shift of B; it runs `offset_us` later than A."""
    way = "behind" if offset_us > 0 else "ahead of"
    return f"B runs {seconds_text(abs(offset_us))} {way} A; its times are shifted to match."


def as_text(comparison: Comparison) -> str:
    """Return the whole report as text."""
    lines = [f"A  {_of(comparison.a)}", f"B  {_of(comparison.b)}"]
    lines += [f"   {problem}" for problem in comparison.problems]
    shift = comparison.offset_us
    if shift:
        lines.append(shifted(shift))
    lines += [slipped(slip) for slip in comparison.slips]
    first = comparison.first()
    if first is not None:
        lines += ["", f"first difference: {where_and_what(*first)}"]
        lines += in_context(comparison, *first)
        lines += ["", "differences:"]
        names = [name for name, one in comparison.channels.items() if one.count]
        width = max(map(len, names[:MOST_LISTED]))
        for name in names[:MOST_LISTED]:
            one = comparison.channels[name]
            numbers = "{:7} in A {:7} in B".format(*one.lengths)
            lines.append(f"  {name:<{width}} {numbers}   {summary(one)}")
        if len(names) > MOST_LISTED:
            lines.append(f"  and {len(names) - MOST_LISTED} more channels that differ")
    return "\n".join([*lines, "", *tally(comparison)])


def tally(comparison: Comparison) -> list[str]:
    """Return lines that say what was compared and what was not; their counts add up to all channels of both."""
    of_boards = {name for one in (comparison.a, comparison.b) for name, track in one.tracks.items() if track.of_board}
    both = {name: one for name, one in comparison.channels.items() if one.a and one.b}
    channels = [one for name, one in both.items() if name not in of_boards]
    boards = [one for name, one in both.items() if name in of_boards]
    same = sum(1 for one in channels if not one.count)
    lines = [
        f"{counted(len(channels), 'channel')} compared: {same} {same_within(comparison)}, "
        f"{len(channels) - same} different"
    ]
    for here in ("A", "B"):
        names = [name for name, one in comparison.channels.items() if not (one.a if here == "B" else one.b)]
        names = [name for name in names if name not in of_boards]
        if names:
            lines.append(f"{len(names)} only in {here}, which counts as different: {first_of(names, MOST_NAMED)}")
    reasons: dict[str, list[str]] = {}
    for name, why in comparison.left_out.items():
        if name not in of_boards:
            reasons.setdefault(why, []).append(name)
    for why, names in reasons.items():
        in_a, in_b = (sum(name in one.tracks for name in names) for one in (comparison.a, comparison.b))
        where = "" if in_a == in_b == len(names) else f" ({in_a} of A, {in_b} of B)"
        lines.append(f"{len(names)} left out{where}, {why}: {first_of(names, MOST_NAMED)}")
    if boards:
        words = sorted({one.track.channel.strip("()") for one in boards})
        alike = sum(1 for one in boards if not one.count)
        lines.append(f"and of whole boards ({', '.join(words)}): {len(boards)} compared, {alike} the same")
    if abs(comparison.beyond_us) > comparison.tolerance_us:
        longer, shorter = ("A", "B") if comparison.beyond_us > 0 else ("B", "A")
        beyond = seconds_text(abs(comparison.beyond_us))
        lines.append(f"the last {beyond} of {longer} were not compared: {shorter} ends before")
    return lines


MOST_NAMED = 6


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Return the comparison as data that JSON can hold."""

    def one(difference: Difference, compared: Compared) -> dict[str, Any]:
        return {
            "sort": difference.sort,
            "at_us": difference.at_us,
            "a": difference.a,
            "b": difference.b,
            "by_us": difference.by_us,
            "what": what(compared, difference),
        }

    return {
        "a": comparison.a.path,
        "b": comparison.b.path,
        "offset_us": comparison.offset_us,
        "slips": [slip._asdict() for slip in comparison.slips],
        "tolerance_us": comparison.tolerance_us,
        "same": not comparison.count,
        "differences": comparison.count,
        "ignored": comparison.ignored,
        "left_out": comparison.left_out,
        "problems": comparison.problems,
        "channels": {
            name: {
                "kind": compared.track.kind,
                "values_a": compared.lengths[0],
                "values_b": compared.lengths[1],
                "differences": compared.count,
                "first": [one(difference, compared) for difference in compared.differences[:20]],
            }
            for name, compared in comparison.channels.items()
        },
    }
