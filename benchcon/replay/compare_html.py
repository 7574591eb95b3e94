"""A comparison as a page: both time lines of every channel, one under the other, with the differences marked.

The page is one file without scripts. Text from a capture is always text in it, never markup.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchcon.durations import seconds_text
from benchcon.pages import Figure, Numbers, SvgElement, render
from benchcon.replay.compare import Compared, Comparison, Difference
from benchcon.replay.compare_text import (
    MOST_LISTED,
    in_context,
    same_within,
    shifted,
    slipped,
    summary,
    tally,
    what,
    where_and_what,
)
from benchcon.replay.tracks import NOT_KNOWN, Recording, Track
from benchcon.text import capitalised, counted, cut, path_for_others

WIDTH = 1000.0
LANE = 20.0
"""Height of one lane, in the picture's units; a channel has two lanes."""
GAP = 6.0
LETTER = 7.9
"""Average width of a letter, rounded up; type is 14 units high, which is 7 pt in print."""
HEAD = 28.0
MOST_STEPS = 3000
"""Most steps that are drawn in one lane; if there are more, several become one band."""
MOST_SAME = 60
"""Most channels without a difference that are drawn in the overview; those with one always are."""
MOST_CLOSE = 30
"""Most differences that are shown close up."""


def as_html(comparison: Comparison) -> str:
    """Return the comparison as a whole HTML page."""
    found = [compared for compared in comparison.channels.values() if compared.count]
    first = comparison.first()
    not_drawn = max(0, len(comparison.channels) - MOST_LISTED)
    drawn = comparison
    if not_drawn:
        shown = [*found, *(each for each in comparison.channels.values() if not each.count)][:MOST_LISTED]
        drawn = replace(comparison, channels={each.track.name: each for each in shown})
    differing = [each for each in drawn.channels.values() if each.count]
    overview, same_left_out = _overview(drawn, differing)
    close_ups, more_close = _close_ups(drawn, differing)
    return render(
        "compare.html",
        verdict=_verdict(comparison),
        a=_source(comparison.a),
        b=_source(comparison.b),
        remarks=list(_remarks(comparison)),
        first=where_and_what(*first) if first else "",
        context=in_context(comparison, *first) if first else [],
        found=[_row(one) for one in found[:MOST_LISTED]],
        not_listed=max(0, len(found) - MOST_LISTED),
        not_drawn=not_drawn,
        overview=overview,
        same_left_out=same_left_out,
        close_ups=close_ups,
        more_close=more_close,
    )


def _verdict(comparison: Comparison) -> str:
    count = sum(1 for compared in comparison.channels.values() if compared.count)
    if not count:
        return capitalised(same_within(comparison))
    return counted(comparison.count, "difference")


def _source(recording: Recording) -> str:
    return f"{path_for_others(recording.path)}, {recording.size}"


def _remarks(comparison: Comparison) -> Iterable[str]:
    shift = comparison.offset_us
    if shift:
        yield shifted(shift)
    yield from map(slipped, comparison.slips)
    for line in tally(comparison):
        yield f"{capitalised(line)}."
    yield from comparison.problems


def _row(one: Compared) -> dict[str, object]:
    """Return the table's row for a channel with differences."""
    return {
        "name": one.track.name,
        "differences": summary(one),
        "values_a": one.lengths[0],
        "values_b": one.lengths[1],
        "first": f"{seconds_text(one.differences[0].at_us)}: {what(one, one.differences[0])}",
    }


# --- pictures -------------------------------------------------------------------------------------------------------


class _Span:
    """A period, in A's time, over the picture's width."""

    def __init__(self, start_us: int, end_us: int) -> None:
        self.start_us = start_us
        self.end_us = max(end_us, start_us + 1)

    def x(self, at_us: float) -> float:
        """Return where in the picture a moment is, across."""
        share = (at_us - self.start_us) / (self.end_us - self.start_us)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT)


LEFT = 200.0


def _overview(comparison: Comparison, found: list[Compared]) -> tuple[Figure, int]:
    """Return a picture of both whole captures, and how many channels without differences it leaves out."""
    tracks = ((track, 0) for track in comparison.a.tracks.values())
    others = ((track, comparison.offset_us) for track in comparison.b.tracks.values())
    first = min([track.times[0] - offset for track, offset in (*tracks, *others)], default=0)
    last = max(comparison.a.last_us, comparison.b.last_us - comparison.offset_us)
    same = [one for one in comparison.channels.values() if not one.count and len(one.track.times) > 1]
    left_out = max(0, len(comparison.channels) - len(found) - min(len(same), MOST_SAME))
    drawn = [*found, *same[:MOST_SAME]]
    order = {name: number for number, name in enumerate(comparison.channels)}
    drawn.sort(key=lambda one: order[one.track.name])
    return _picture(comparison, drawn, _Span(first, last)), left_out


def _close_ups(comparison: Comparison, found: list[Compared]) -> tuple[list[tuple[str, Figure]], bool]:
    """Return the differences close up, each with a heading, and whether there are more than are shown."""
    all_found = [(difference, one) for one in found for difference in one.differences]
    all_found.sort(key=lambda pair: pair[0].at_us)
    around_us = max(10 * comparison.tolerance_us, 1_000_000)
    shown: list[tuple[str, Figure]] = []
    until_us: dict[str, int] = {}
    for difference, one in all_found:
        # A picture shows all differences of its channel that are within its period.
        if difference.at_us < until_us.get(one.track.name, difference.at_us) or difference.sort.startswith("only"):
            continue
        if len(shown) == MOST_CLOSE:
            return shown, True
        until_us[one.track.name] = difference.at_us + around_us
        head = f"{one.track.name}, {seconds_text(difference.at_us)}: {what(one, difference)}"
        span = _Span(difference.at_us - around_us, difference.at_us + around_us)
        shown.append((head, _picture(comparison, [one], span)))
    return shown, False


def _picture(comparison: Comparison, drawn: list[Compared], span: _Span) -> Figure:
    height = HEAD + len(drawn) * (2 * LANE + GAP) + 4
    label = f"{counted(len(drawn), 'channel')} from {seconds_text(span.start_us)} to {seconds_text(span.end_us)}"
    out: list[SvgElement] = []
    for tick in _ticks(span):
        x = span.x(tick)
        out.append(_line("grid", x, HEAD - 6, x, height))
        text = _tick_text(tick, span)
        inside = x + LETTER * len(text) / 2 < WIDTH
        out.append(SvgElement("text", "quiet", {"x": x, "y": 14, "text-anchor": "middle" if inside else "end"}, text))
    y = HEAD
    for one in drawn:
        out.append(SvgElement("rect", "row", {"x": 0, "y": y, "width": WIDTH, "height": 2 * LANE}))
        out.append(SvgElement("text", "", {"x": 4, "y": y + LANE + 4}, cut(one.track.name, 20)))
        bounds = _bounds(one)
        for recording, track, offset_us, which, lane in (
            (comparison.a, one.a, 0, "a", y),
            (comparison.b, one.b, comparison.offset_us, "b", y + LANE),
        ):
            out.append(SvgElement("text", f"word-{which}", {"x": LEFT - 14, "y": lane + 15}, which.upper()))
            if track is not None:
                out += _lane(track, offset_us, which, lane, span, bounds, recording.last_us - offset_us)
        out += _marks(one, y, span)
        y += 2 * LANE + GAP
    return Figure(WIDTH, height, out, label)


def _line(look: str, x1: float, y1: float, x2: float, y2: float) -> SvgElement:
    return SvgElement("line", look, {"x1": x1, "y1": y1, "x2": x2, "y2": y2})


def _bounds(one: Compared) -> tuple[int, int]:
    values = [v for track in (one.a, one.b) if track is not None for v in (*_ends(track),)]
    return (min(values), max(values)) if values else (0, 1)


def _ends(track: Track) -> tuple[int, ...]:
    known = [value for value in track.values if value != NOT_KNOWN]
    return (min(known), max(known)) if known else ()


def _lane(
    track: Track, offset_us: int, which: str, y: float, span: _Span, bounds: tuple[int, int], ends_us: int
) -> list[SvgElement]:
    """Draw one track as a stepped line, to where its recording ends.

    Where steps are too close to draw, a band from least to greatest value is drawn.
    """
    low, high = bounds
    top, room = y + 3, LANE - 6

    def at(value: int) -> float:
        if track.kind == "display":  # a display has no level: a straight line, with its texts above
            return top + room
        return top + room - (value - low) / (high - low) * room if high > low else top + room / 2

    times, values = track.times, track.values
    first = 0
    while first + 1 < len(times) and times[first + 1] - offset_us <= span.start_us:
        first += 1
    last = first
    while last < len(times) and times[last] - offset_us <= span.end_us:
        last += 1
    step = (last - first) // MOST_STEPS + 1
    lines: list[SvgElement] = []
    points: list[str] = []
    bands: list[SvgElement] = []

    def finish() -> None:
        if len(points) > 1:
            lines.append(SvgElement("polyline", f"line-{which}", {"points": " ".join(points)}))
        points.clear()

    for index in range(first, last, step):
        begin = max(times[index] - offset_us, span.start_us)
        following = index + step
        end = min(times[following] - offset_us if following < len(times) else ends_us, ends_us, span.end_us)
        if end < begin:
            continue
        x1, x2 = span.x(begin), span.x(end)
        group = [value for value in values[index : min(following, last)] if value != NOT_KNOWN]
        if not group:
            finish()
            lines.append(_line(f"line-{which} unknown", x1, top + room, x2, top + room))
            continue
        if len(group) > 1:
            y1, y2 = at(max(group)), at(min(group))
            box: Numbers = {"x": x1, "y": y1, "width": max(x2 - x1, 0.5), "height": max(y2 - y1, 1)}
            bands.append(SvgElement("rect", f"band-{which}", box))
        if track.kind == "display":
            bands.append(_line(f"line-{which}", x1, top, x1, top + room))
        points += [f"{x1:.1f},{at(group[0]):.1f}", f"{x2:.1f},{at(group[-1]):.1f}"]
    finish()
    words = _words(track, offset_us, which, y, span, first, last) if track.kind not in ("contact", "") else []
    return [*bands, *lines, *words]


def _words(track: Track, offset_us: int, which: str, y: float, span: _Span, first: int, last: int) -> list[SvgElement]:
    """Write values beside the line wherever there is room."""
    out: list[SvgElement] = []
    free = LEFT
    for index in range(first, last):
        x = span.x(max(track.times[index] - offset_us, span.start_us))
        end = span.x(track.times[index + 1] - offset_us) if index + 1 < len(track.times) else WIDTH
        text = track.shown(track.values[index])
        width = LETTER * len(text) + 8
        if x >= free and end - x > width and track.values[index] != NOT_KNOWN:
            out.append(SvgElement("text", f"word-{which}", {"x": x + 4, "y": y + 15}, text))
            free = x + width
        if len(out) > 200:
            break
    return out


def _marks(one: Compared, y: float, span: _Span) -> list[SvgElement]:
    """Mark differences by a line through both lanes and a shape that points down (missing) or up (extra)."""
    out: list[SvgElement] = []
    used = -10.0
    for difference in one.differences:
        if not span.start_us <= difference.at_us <= span.end_us:
            continue
        x = span.x(difference.at_us)
        if x - used < 1.5:
            continue
        used = x
        out.append(_line("difference-line", x, y, x, y + 2 * LANE))
        out.append(SvgElement("path", "difference", {"d": _shape(difference, x, y)}, title=what(one, difference)))
    return out


def _shape(difference: Difference, x: float, y: float) -> str:
    if difference.sort == "missing":
        return f"M{x - 4:.1f} {y - 5:g}h8l-4 6z"
    if difference.sort == "extra":
        return f"M{x - 4:.1f} {y + 2 * LANE + 5:g}h8l-4 -6z"
    return f"M{x:.1f} {y - 6:g}l4 4l-4 4l-4 -4z"


def _ticks(span: _Span) -> list[int]:
    """Return six to twelve round moments."""
    length = span.end_us - span.start_us
    steps = (factor * 10**power for power in range(19) for factor in (1, 2, 5))
    step = next((step for step in steps if length / step <= 9), length)
    return list(range(-(-span.start_us // step) * step, span.end_us + 1, step))


def _tick_text(tick: int, span: _Span) -> str:
    length = span.end_us - span.start_us
    return f"{tick / 1e6:.3f} s" if length < 5_000_000 else f"{tick / 1e6:.6g} s"
