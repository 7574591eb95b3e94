"""A comparison for eyes: both time lines of every channel, one under the other, with the differences marked.

One file that needs nothing else and runs no script: what a stranger's capture says is text in it and never markup.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from html import escape

from benchcon.replay.compare import Compared, Comparison, Difference
from benchcon.replay.compare_text import MOST_LISTED, counted, in_context, seconds, slipped, summary, what
from benchcon.replay.tracks import NOT_KNOWN, Recording, Track
from benchcon.text import path_for_others

WIDTH = 1000.0
LANE = 18.0
"""Height of one lane; a channel has two."""
GAP = 6.0
HEAD = 26.0
MOST_STEPS = 3000
"""Steps drawn of one lane; of more, a band stands for many."""
MOST_SAME = 60
"""Channels without a difference that are drawn in the overview; all that have one are."""
MOST_CLOSE = 30
"""Differences that are shown close up."""

_STYLE = """
:root { --ground: #fbfaf7; --ink: #20262b; --quiet: #6d7680; --edge: #d8d4ca; --a: #2f6f8f; --b: #a0641f;
  --mark: #b3261e; --band: #f1eee6 }
@media (prefers-color-scheme: dark) { :root { --ground: #14181b; --ink: #e4e2dc; --quiet: #929aa2; --edge: #343b41;
  --a: #7fbfdc; --b: #e0a868; --mark: #ff8a80; --band: #1c2226 } }
body { margin: 2rem auto; max-width: 84rem; padding: 0 1.5rem; background: var(--ground); color: var(--ink);
  font: 15px/1.5 system-ui, sans-serif }
h1 { font-size: 1.4rem; margin: 0 0 .2rem } h2 { font-size: 1.05rem; margin: 2.4rem 0 .6rem }
h3 { font-size: .95rem; margin: 1.6rem 0 .3rem; font-weight: 600 }
p, dl { margin: .3rem 0 } dt { float: left; clear: left; width: 1.4rem; font-weight: 700 } dd { margin-left: 1.8rem }
dt.a, .a { color: var(--a) } dt.b, .b { color: var(--b) }
.verdict { font-size: 1.1rem; font-weight: 600; margin-top: 1rem } .quiet { color: var(--quiet) }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums }
th, td { text-align: left; padding: .25rem .8rem .25rem 0; border-bottom: 1px solid var(--edge); vertical-align: top }
th { font-weight: 600; color: var(--quiet) } td.n { text-align: right; padding-right: 2rem } a { color: inherit }
pre { background: var(--band); padding: .8rem 1rem; overflow-x: auto; font: 13px/1.45 ui-monospace, monospace }
svg { display: block; width: 100%; height: auto; margin: .4rem 0 1rem }
svg text { font: 11px system-ui, sans-serif; fill: var(--ink) }
svg .t { fill: var(--quiet) } svg .grid { stroke: var(--edge); stroke-width: 1 } svg .row { fill: var(--band) }
svg .la { stroke: var(--a); fill: none; stroke-width: 1.4 } svg .lb { stroke: var(--b); fill: none; stroke-width: 1.4 }
svg .fa { fill: var(--a); opacity: .35 } svg .fb { fill: var(--b); opacity: .35 }
svg .dash { stroke-dasharray: 3 3; opacity: .6 } svg .mark { fill: var(--mark) }
svg .line { stroke: var(--mark); stroke-width: 1 }
svg .wa, svg .wb { paint-order: stroke; stroke: var(--band); stroke-width: 4px; stroke-linejoin: round }
svg .wa { fill: var(--a) } svg .wb { fill: var(--b) }
"""


def as_html(comparison: Comparison) -> str:
    """Return the whole page."""
    verdict = _verdict(comparison)
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        f"<title>{escape(verdict)}</title><style>{_STYLE}</style></head><body>",
        "<h1>Two captures compared</h1>",
        f"<dl>{_source('A', comparison.a)}{_source('B', comparison.b)}</dl>",
        *(f'<p class="quiet">{escape(text)}</p>' for text in _remarks(comparison)),
        f'<p class="verdict">{escape(verdict)}</p>',
    ]
    found = [compared for compared in comparison.channels.values() if compared.count]
    first = comparison.first()
    if first is not None:
        compared, difference = first
        head = f"{compared.track.name}, at {seconds(difference.at_us)}: {what(compared, difference)}"
        parts.append(f"<h2>The first difference</h2><p>{escape(head)}</p>")
        context = in_context(comparison, compared, difference)
        if context:
            parts.append(f"<pre>{escape(chr(10).join(context))}</pre>")
        parts.append("<h2>Channels with differences</h2>" + _table(found[:MOST_LISTED]))
        if len(found) > MOST_LISTED:
            parts.append(f"<p>And {len(found) - MOST_LISTED} channels more that differ.</p>")
    if len(comparison.channels) > MOST_LISTED:
        shown = [*found, *(each for each in comparison.channels.values() if not each.count)][:MOST_LISTED]
        drawn = replace(comparison, channels={each.track.name: each for each in shown})
        parts.append(f"<p>{len(comparison.channels) - len(shown)} channels are not drawn.</p>")
        comparison, found = drawn, [each for each in shown if each.count]
    parts += ["<h2>All of it</h2>", _overview(comparison, found)]
    if found:
        parts.append("<h2>Close up</h2>" + "".join(_close_ups(comparison, found)))
    parts.append("</body></html>\n")
    return "\n".join(parts)


def _verdict(comparison: Comparison) -> str:
    count = sum(1 for compared in comparison.channels.values() if compared.count)
    if not count:
        return f"The same within {comparison.tolerance_us / 1000:g} ms"
    return f"{comparison.count} difference{'s' if comparison.count != 1 else ''}"


def _source(name: str, recording: Recording) -> str:
    text = f"{path_for_others(recording.path)}, {recording.size}"
    return f'<dt class="{name.lower()}">{name}</dt><dd>{escape(text)}</dd>'


def _remarks(comparison: Comparison) -> Iterable[str]:
    shift = comparison.offset_us
    if shift:
        yield f"B tells the same {seconds(abs(shift))} {'later' if shift > 0 else 'earlier'}; this is taken out."
    yield from map(slipped, comparison.slips)
    for line in counted(comparison):
        yield f"{line[0].upper()}{line[1:]}."
    yield from (*comparison.a.problems, *comparison.b.problems)


def _table(found: list[Compared]) -> str:
    rows = "".join(
        f"<tr><td>{escape(one.track.name)}</td><td>{escape(summary(one))}</td>"
        f'<td class="n">{len(one.a.times) if one.a else 0}</td><td class="n">{len(one.b.times) if one.b else 0}</td>'
        f"<td>{escape(seconds(one.differences[0].at_us))}: {escape(what(one, one.differences[0]))}</td></tr>"
        for one in found
    )
    head = "<th>channel</th><th>differences</th><th>values in A</th><th>values in B</th><th>the first</th>"
    return f"<table><tr>{head}</tr>{rows}</table>"


# --- pictures -------------------------------------------------------------------------------------------------------


class _Span:
    """A stretch of time (A's) and the picture's width."""

    def __init__(self, start_us: int, end_us: int) -> None:
        self.start_us = start_us
        self.end_us = max(end_us, start_us + 1)

    def x(self, at_us: float) -> float:
        share = (at_us - self.start_us) / (self.end_us - self.start_us)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT)


LEFT = 150.0


def _overview(comparison: Comparison, found: list[Compared]) -> str:
    tracks = ((track, 0) for track in comparison.a.tracks.values())
    others = ((track, comparison.offset_us) for track in comparison.b.tracks.values())
    first = min([track.times[0] - offset for track, offset in (*tracks, *others)], default=0)
    last = max(comparison.a.last_us, comparison.b.last_us - comparison.offset_us)
    same = [one for one in comparison.channels.values() if not one.count and len(one.track.times) > 1]
    left_out = len(comparison.channels) - len(found) - min(len(same), MOST_SAME)
    note = f'<p class="quiet">{left_out} channels that are the same are not drawn.</p>' if left_out > 0 else ""
    drawn = [*found, *same[:MOST_SAME]]
    order = {name: number for number, name in enumerate(comparison.channels)}
    drawn.sort(key=lambda one: order[one.track.name])
    return _picture(comparison, drawn, _Span(first, last)) + note


def _close_ups(comparison: Comparison, found: list[Compared]) -> Iterable[str]:
    all_found = [(difference, one) for one in found for difference in one.differences]
    all_found.sort(key=lambda pair: pair[0].at_us)
    around_us = max(10 * comparison.tolerance_us, 1_000_000)
    shown = 0
    until_us: dict[str, int] = {}
    for difference, one in all_found:
        # One picture shows all differences of its channel that lie in it.
        if difference.at_us < until_us.get(one.track.name, difference.at_us) or difference.sort.startswith("only"):
            continue
        if shown == MOST_CLOSE:
            yield '<p class="quiet">Further differences are not shown close up.</p>'
            return
        shown += 1
        until_us[one.track.name] = difference.at_us + around_us
        head = f"{one.track.name}, {seconds(difference.at_us)}: {what(one, difference)}"
        span = _Span(difference.at_us - around_us, difference.at_us + around_us)
        yield f"<h3>{escape(head)}</h3>" + _picture(comparison, [one], span)


def _picture(comparison: Comparison, drawn: list[Compared], span: _Span) -> str:
    height = HEAD + len(drawn) * (2 * LANE + GAP) + 4
    label = f"{len(drawn)} channels from {seconds(span.start_us)} to {seconds(span.end_us)}"
    out = [f'<svg viewBox="0 0 {WIDTH:g} {height:g}" role="img" aria-label="{escape(label)}">']
    for tick in _ticks(span):
        x = span.x(tick)
        out.append(f'<line class="grid" x1="{x:.1f}" y1="{HEAD - 6:g}" x2="{x:.1f}" y2="{height:g}"/>')
        out.append(f'<text class="t" x="{x:.1f}" y="12" text-anchor="middle">{_tick_text(tick, span)}</text>')
    y = HEAD
    for one in drawn:
        out.append(f'<rect class="row" x="0" y="{y:g}" width="{WIDTH:g}" height="{2 * LANE:g}"/>')
        out.append(f'<text x="4" y="{y + LANE + 4:g}">{escape(_short(one.track.name))}</text>')
        bounds = _bounds(one)
        for track, offset_us, which, lane in ((one.a, 0, "a", y), (one.b, comparison.offset_us, "b", y + LANE)):
            out.append(f'<text class="w{which}" x="{LEFT - 14:g}" y="{lane + 13:g}">{which.upper()}</text>')
            if track is not None:
                out += _lane(track, offset_us, which, lane, span, bounds)
        out += _marks(one, y, span)
        y += 2 * LANE + GAP
    out.append("</svg>")
    return "".join(out)


def _short(name: str) -> str:
    return name if len(name) <= 20 else name[:19] + "…"


def _bounds(one: Compared) -> tuple[int, int]:
    values = [v for track in (one.a, one.b) if track is not None for v in (*_ends(track),)]
    return (min(values), max(values)) if values else (0, 1)


def _ends(track: Track) -> tuple[int, ...]:
    known = [value for value in track.values if value != NOT_KNOWN]
    return (min(known), max(known)) if known else ()


def _lane(track: Track, offset_us: int, which: str, y: float, span: _Span, bounds: tuple[int, int]) -> list[str]:
    """Draw one track as a line of steps; where steps are closer than can be drawn, a band from least to greatest."""
    low, high = bounds
    top, room = y + 3, LANE - 6

    def at(value: int) -> float:
        if track.kind == "display":  # what a display shows is not a level: a line, and above it what it says
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
    lines: list[str] = []
    points: list[str] = []
    bands: list[str] = []

    def finish() -> None:
        if len(points) > 1:
            lines.append(f'<polyline class="l{which}" points="{" ".join(points)}"/>')
        points.clear()

    for index in range(first, last, step):
        begin = max(times[index] - offset_us, span.start_us)
        following = index + step
        end = min(times[following] - offset_us if following < len(times) else span.end_us, span.end_us)
        x1, x2 = span.x(begin), span.x(end)
        group = [value for value in values[index : min(following, last)] if value != NOT_KNOWN]
        if not group:
            finish()
            lines.append(
                f'<line class="l{which} dash" x1="{x1:.1f}" y1="{top + room:.1f}" x2="{x2:.1f}" y2="{top + room:.1f}"/>'
            )
            continue
        if len(group) > 1:
            y1, y2 = at(max(group)), at(min(group))
            bands.append(
                f'<rect class="f{which}" x="{x1:.1f}" y="{y1:.1f}" width="{max(x2 - x1, 0.5):.1f}"'
                f' height="{max(y2 - y1, 1):.1f}"/>'
            )
        if track.kind == "display":
            bands.append(f'<line class="l{which}" x1="{x1:.1f}" y1="{top:.1f}" x2="{x1:.1f}" y2="{top + room:.1f}"/>')
        points += [f"{x1:.1f},{at(group[0]):.1f}", f"{x2:.1f},{at(group[-1]):.1f}"]
    finish()
    words = _words(track, offset_us, which, y, span, first, last) if track.kind not in ("contact", "") else []
    return [*bands, *lines, *words]


def _words(track: Track, offset_us: int, which: str, y: float, span: _Span, first: int, last: int) -> list[str]:
    """Write values beside the line where there is room for them."""
    out: list[str] = []
    free = LEFT
    for index in range(first, last):
        x = span.x(max(track.times[index] - offset_us, span.start_us))
        end = span.x(track.times[index + 1] - offset_us) if index + 1 < len(track.times) else WIDTH
        text = track.shown(track.values[index])
        width = 6.2 * len(text) + 8
        if x >= free and end - x > width and track.values[index] != NOT_KNOWN:
            out.append(f'<text class="w{which}" x="{x + 4:.1f}" y="{y + 13:g}">{escape(text)}</text>')
            free = x + width
        if len(out) > 200:
            break
    return out


def _marks(one: Compared, y: float, span: _Span) -> list[str]:
    """Mark differences by a line through both lanes and a shape: down for what is missing, up for what is more."""
    out: list[str] = []
    used = -10.0
    for difference in one.differences:
        if not span.start_us <= difference.at_us <= span.end_us:
            continue
        x = span.x(difference.at_us)
        if x - used < 1.5:
            continue
        used = x
        out.append(f'<line class="line" x1="{x:.1f}" y1="{y:g}" x2="{x:.1f}" y2="{y + 2 * LANE:g}"/>')
        out.append(
            f'<path class="mark" d="{_shape(difference, x, y)}"><title>{escape(what(one, difference))}</title></path>'
        )
    return out


def _shape(difference: Difference, x: float, y: float) -> str:
    if difference.sort == "missing":
        return f"M{x - 4:.1f} {y - 5:g}h8l-4 6z"
    if difference.sort == "extra":
        return f"M{x - 4:.1f} {y + 2 * LANE + 5:g}h8l-4 -6z"
    return f"M{x:.1f} {y - 6:g}l4 4l-4 4l-4 -4z"


def _ticks(span: _Span) -> list[int]:
    """Return round moments, six to twelve of them."""
    length = span.end_us - span.start_us
    steps = (factor * 10**power for power in range(19) for factor in (1, 2, 5))
    step = next((step for step in steps if length / step <= 9), length)
    return list(range(-(-span.start_us // step) * step, span.end_us + 1, step))


def _tick_text(tick: int, span: _Span) -> str:
    length = span.end_us - span.start_us
    return f"{tick / 1e6:.3f} s" if length < 5_000_000 else f"{tick / 1e6:.6g} s"
