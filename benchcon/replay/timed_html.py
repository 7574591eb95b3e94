"""Transport delays for eyes: for each pair the worst delay in large letters, a histogram, and delays over time.

One file that needs nothing else and runs no script: what a stranger's capture says is text in it and never markup.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape

from benchcon.panel.summary import counted
from benchcon.replay.timed import VIRTUAL, Timed
from benchcon.text import path_for_others
from benchcon.timing.contacts import ContactTiming, words_of
from benchcon.timing.delay_words import (
    ORIENTATION,
    PERCENTS,
    at,
    clocks_words,
    counts_words,
    drift_words,
    ms,
    name_of,
    toml_of,
    verdict_words,
)
from benchcon.timing.delays import Delays
from benchcon.timing.links import name_of as name_of_link
from benchcon.timing.links import told as links_told

WIDTH, HEIGHT = 460, 150
LEFT, BOTTOM, TOP = 46, 26, 10
BARS = 40
MOST_DOTS = 1500
STEPS_MS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)

_STYLE = """
:root { --ground: #fbfaf7; --ink: #20262b; --quiet: #6d7680; --edge: #d8d4ca; --bar: #2f6f8f; --bad: #b3261e;
  --good: #2b6b3f; --band: #f1eee6 }
@media (prefers-color-scheme: dark) { :root { --ground: #14181b; --ink: #e4e2dc; --quiet: #929aa2; --edge: #343b41;
  --bar: #7fbfdc; --bad: #ff8a80; --good: #8fd0a5; --band: #1c2226 } }
body { margin: 2rem auto; max-width: 68rem; padding: 0 1.5rem; background: var(--ground); color: var(--ink);
  font: 15px/1.5 system-ui, sans-serif }
h1 { font-size: 1.4rem; margin: 0 0 .2rem } h2 { font-size: 1.05rem; margin: 2.2rem 0 .6rem }
p { margin: .25rem 0 } .quiet { color: var(--quiet) }
section { border-top: 1px solid var(--edge); padding: 1.2rem 0; display: grid; gap: 0 2rem;
  grid-template-columns: minmax(17rem, 1fr) minmax(0, 29rem) }
section h3 { font-size: 1.05rem; margin: 0 0 .2rem; grid-column: 1 / -1 }
.large { font-size: 3.4rem; line-height: 1.1; font-weight: 650; font-variant-numeric: tabular-nums; margin: .2rem 0 }
.large small { font-size: 1rem; font-weight: 400; color: var(--quiet) }
.broken { color: var(--bad) } .passed { color: var(--good) } .verdict { font-weight: 600 }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; margin: .4rem 0 }
td, th { padding: .1rem 1rem .1rem 0; text-align: right; font-weight: 400 } th { color: var(--quiet) }
figure { margin: 0 0 .8rem } figcaption { color: var(--quiet); font-size: .85rem }
svg { display: block; width: 100%; height: auto } svg text { font: 11px system-ui, sans-serif; fill: var(--quiet) }
svg .bar { fill: var(--bar) } svg .over { fill: var(--bad) } svg .axis { stroke: var(--edge) }
svg .s0 { fill: var(--edge) } svg .s1 { fill: #8a9a5b } svg .s2 { fill: #b8863b } svg .s3 { fill: var(--bar) }
svg .s4 { fill: #8d6a9f }
svg .limit { stroke: var(--bad); stroke-dasharray: 4 3 } svg .is { fill: var(--bad) }
code { background: var(--band); padding: .1rem .3rem } @media (max-width: 48rem) { section { display: block } }
"""


def as_html(found: Sequence[Timed]) -> str:
    """Return the whole page."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        f"<title>Timing</title><style>{_STYLE}</style></head><body>",
        "<h1>Timing</h1>",
        '<p class="quiet">From a control\'s movement, as its board accepted it after the debounce, to the output that '
        "answers it.</p>",
    ]
    for one in found:
        parts.append(f"<h2>{escape(path_for_others(one.path))} <span class=quiet>{one.seconds:.1f} s</span></h2>")
        parts += [f'<p class="quiet">{escape(problem)}</p>' for problem in one.problems]
        if one.virtual:
            parts.append(f"<p>This is {escape(VIRTUAL)}.</p>")
            continue
        named = {escape(name_of_link(verdict, one.timing.state)) for verdict in one.links}
        for text in map(escape, links_told(one.links, one.timing.state)):
            who, mark, sentence = text.partition(": ")
            is_board = who in named
            parts.append(
                f'<p><strong class="broken">{who}</strong>{mark}{sentence}</p>' if is_board else f"<p>{text}</p>"
            )
        parts += [_section(pair) for pair in one.delays]
        if one.contacts:
            parts.append("<h2>Contacts, from raw edges and readings</h2>" + "".join(map(_contact, one.contacts)))
        if not (one.delays or one.contacts or one.links):
            parts.append("<p>No output answers a control, or nothing was moved and answered often enough.</p>")
    parts.append(f'<p class="quiet">{escape(ORIENTATION)}</p></body></html>\n')
    return "\n".join(parts)


def _contact(one: ContactTiming) -> str:
    figures, advice = words_of(one)
    lost = f" {counted(one.lost, 'line')} of its board lost meanwhile." if one.lost else ""
    return f'<p><strong>{escape(one.name)}</strong>: {escape(figures)}.{lost}</p><p class="quiet">{escape(advice)}</p>'


def _section(one: Delays) -> str:
    sort = {"broken": " broken", "passed": " passed"}.get(one.verdict, "")
    worst = one.worst
    lines = [f"<section><h3>{escape(name_of(one))}</h3><div>"]
    if worst is not None:
        when = f"<small>the worst, at {at(worst.at_us)}</small>"
        lines.append(f'<p class="large{sort}">{ms(worst.delay_us)} {when}</p>')
    lines.append(f'<p class="verdict{sort}">{escape(verdict_words(one))}</p>')
    if worst is not None:
        heads = "".join(f"<th>p{percent}</th>" for percent in PERCENTS)
        cells = "".join(f"<td>{ms(one.percentile_us(percent))}</td>" for percent in PERCENTS)
        lines.append(f"<table><tr>{heads}</tr><tr>{cells}</tr></table>")
    words = [counts_words(one) if one.movements else "", clocks_words(one) if one.found else "", drift_words(one)]
    lines += [f'<p class="quiet">{escape(word)}</p>' for word in words if word]
    if one.proposed:
        lines.append(
            "<p>Made out from what was seen. To have it judged, put this into the panel file, if it is so: "
            f"<code>{escape(toml_of(one))}</code></p>"
        )
    lines.append("</div><div>")
    if one.found:
        lines += [_way(one), _histogram(one), _over_time(one)]
    return "".join([*lines, "</div></section>"])


def _way(one: Delays) -> str:
    """Where the time goes, as a bar: what comes before the delay, then its parts."""
    stages = [stage for stage in one.stages if stage.us > 0]
    if not stages:
        return ""
    whole = sum(stage.us for stage in stages)
    parts, at_px, key_y = [], 0.0, 44
    for number, stage in enumerate(stages):
        wide = stage.us / whole * WIDTH
        sort = SHADES[stage.name]
        parts.append(f'<rect class="{sort}" x="{at_px:.1f}" y="4" width="{max(wide - 1, 0.5):.1f}" height="22"/>')
        at_px += wide
        x, y = (number % 2) * WIDTH / 2, key_y + number // 2 * 17
        parts.append(f'<rect class="{sort}" x="{x}" y="{y - 9}" width="10" height="10"/>')
        parts.append(f'<text x="{x + 16}" y="{y}">{escape(stage.name)} {ms(stage.us)}</text>')
    height = key_y + (len(stages) - 1) // 2 * 17 + 8
    drawing = f'<svg viewBox="0 0 {WIDTH} {height}" role="img">{"".join(parts)}</svg>'
    before = "; the debounce comes before the delay" if stages[0].name == "debounce" else ""
    return f"<figure>{drawing}<figcaption>where the time goes on average{before}</figcaption></figure>"


SHADES = {
    "debounce": "s0",
    "line": "s1",
    "USB and this computer": "s2",
    "program": "s3",
    "USB and board": "s4",
}


def _step_ms(span_ms: float, most: int) -> float:
    return next((step for step in STEPS_MS if span_ms / step <= most), STEPS_MS[-1])


def _histogram(one: Delays) -> str:
    delays = [max(each.delay_us, 0) / 1000 for each in one.found]
    end = max([*delays, one.limit_us / 1000]) * 1.05 or 1.0
    step = _step_ms(end, BARS)
    counts = [0] * (math.floor(end / step) + 1)
    for delay in delays:
        counts[min(math.floor(delay / step), len(counts) - 1)] += 1
    high = max(counts)

    def x(delay_ms: float) -> float:
        return LEFT + delay_ms / (step * len(counts)) * (WIDTH - LEFT - 10)

    scale = (HEIGHT - BOTTOM - TOP) / high
    bars = []
    for number, count in enumerate(counts):
        if count:
            over = " over" if one.limit_us and number * step >= one.limit_us / 1000 else ""
            bars.append(
                f'<rect class="bar{over}" x="{x(number * step):.1f}" y="{HEIGHT - BOTTOM - count * scale:.1f}" '
                f'width="{max(x(step) - x(0) - 1, 1):.1f}" height="{count * scale:.1f}"/>'
            )
    marks = _marks(x, step * len(counts), one.limit_us / 1000)
    top = f'<text x="{LEFT - 6}" y="{TOP + 8}" text-anchor="end">{high}</text>'
    return _figure([*bars, *marks, top], f"how many answers took how long, a bar for each {step:g} ms")


def _marks(x: Callable[[float], float], end_ms: float, limit_ms: float) -> list[str]:
    base = HEIGHT - BOTTOM
    parts = [f'<path class="axis" d="M{LEFT} {base}H{WIDTH - 10}"/>']
    tick = _step_ms(end_ms, 6)
    number = 0
    while number * tick <= end_ms:
        parts.append(f'<text x="{x(number * tick):.1f}" y="{base + 16}" text-anchor="middle">{number * tick:g}</text>')
        number += 1
    if limit_ms:
        parts.append(f'<path class="limit" d="M{x(limit_ms):.1f} {TOP}V{base}"/>')
    return parts


def _over_time(one: Delays) -> str:
    found = one.found[:: max(1, len(one.found) // MOST_DOTS)]
    if one.worst is not None and one.worst not in found:
        found.append(one.worst)
    times = [each.at_us / 1e6 for each in one.found] + [each / 1e6 for each in one.missing]
    begin, end = min(times), max(times)
    top_ms = max([max(each.delay_us for each in one.found), one.limit_us]) / 1000 * 1.08 or 1.0
    base = HEIGHT - BOTTOM

    def x(seconds: float) -> float:
        return LEFT + (seconds - begin) / ((end - begin) or 1.0) * (WIDTH - LEFT - 14)

    def y(delay_ms: float) -> float:
        return base - max(delay_ms, 0) / top_ms * (base - TOP)

    parts = [f'<path class="axis" d="M{LEFT} {base}H{WIDTH - 10}"/>']
    tick = _step_ms(top_ms, 4)
    number = 0
    while number * tick <= top_ms:
        parts.append(f'<text x="{LEFT - 6}" y="{y(number * tick) + 4:.1f}" text-anchor="end">{number * tick:g}</text>')
        number += 1
    if one.limit_us:
        parts.append(f'<path class="limit" d="M{LEFT} {y(one.limit_us / 1000):.1f}H{WIDTH - 10}"/>')
    for each in found:
        over = " over" if each in one.broken else ""
        parts.append(
            f'<circle class="bar{over}" cx="{x(each.at_us / 1e6):.1f}" cy="{y(each.delay_us / 1000):.1f}" r="2"/>'
        )
    for each_us in one.missing[:MOST_DOTS]:
        parts.append(f'<text class="is" x="{x(each_us / 1e6):.1f}" y="{TOP + 8}" text-anchor="middle">×</text>')
    for seconds, anchor in ((begin, "start"), (end, "end")):
        parts.append(f'<text x="{x(seconds):.1f}" y="{base + 16}" text-anchor="{anchor}">{seconds:.0f} s</text>')
    lost = "; × had no answer" if one.missing else ""
    return _figure(parts, f"delay in ms over the time of the capture{lost}")


def _figure(parts: Sequence[str], caption: str) -> str:
    drawing = f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img">{"".join(parts)}</svg>'
    return f"<figure>{drawing}<figcaption>{escape(caption)}</figcaption></figure>"
