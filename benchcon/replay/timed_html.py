"""Transport delays as a page: for each pair the worst delay in large type, a histogram, and the delays over time.

The page is one file without scripts. Text from a capture is always text in it, never markup.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from benchcon.durations import seconds_text
from benchcon.pages import Figure, Numbers, SvgElement, render
from benchcon.replay.timed import VIRTUAL, Timed
from benchcon.text import counted, path_for_others
from benchcon.timing.contacts import ContactTiming, words_of
from benchcon.timing.delay_words import (
    ORIENTATION,
    PERCENTS,
    clocks_words,
    counts_words,
    drift_words,
    ms,
    name_of,
    toml_of,
    verdict_words,
)
from benchcon.timing.delays import STAGES, Delays
from benchcon.timing.links import sentences_by_board

WIDTH, HEIGHT = 460, 150
LEFT, BOTTOM, TOP = 46, 26, 10
BARS = 40
MOST_DOTS = 1500
STEPS_MS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


def as_html(found: Sequence[Timed]) -> str:
    """Return the delays of captures as a whole HTML page."""
    return render("timing.html", captures=[_capture(one) for one in found], orientation=ORIENTATION)


def _capture(one: Timed) -> dict[str, Any]:
    return {
        "path": path_for_others(one.path),
        "seconds": f"{one.seconds:.1f} s",
        "problems": one.problems,
        "virtual": VIRTUAL if one.virtual else "",
        "links": sentences_by_board(one.links, one.timing.state),
        "pairs": [_pair(pair) for pair in one.delays],
        "contacts": [_contact(contact) for contact in one.contacts],
        "nothing": not (one.delays or one.contacts or one.links),
    }


def _contact(one: ContactTiming) -> dict[str, str]:
    figures, advice = words_of(one)
    lost = f" {counted(one.lost, 'line')} from its board lost meanwhile." if one.lost else ""
    return {"name": one.name, "figures": figures, "advice": advice, "lost": lost}


def _pair(one: Delays) -> dict[str, Any]:
    worst = one.worst
    words = [counts_words(one) if one.movements else "", clocks_words(one) if one.found else "", drift_words(one)]
    return {
        "name": name_of(one),
        "look": {"broken": "faulty", "passed": "passed"}.get(one.verdict, ""),
        "worst": ms(worst.delay_us) if worst is not None else "",
        "worst_at": seconds_text(worst.at_us) if worst is not None else "",
        "verdict": verdict_words(one),
        "percentiles": [(percent, ms(one.percentile_us(percent))) for percent in PERCENTS] if worst is not None else [],
        "words": [word for word in words if word],
        "proposed": toml_of(one) if one.proposed else "",
        "figures": [drawn for drawn in (_way(one), _histogram(one), _over_time(one)) if drawn] if one.found else [],
    }


def _way(one: Delays) -> Figure | None:
    """Return a bar of where the time goes: what precedes the delay, then the parts of the delay."""
    stages = [stage for stage in one.stages if stage.us > 0]
    if not stages:
        return None
    whole = sum(stage.us for stage in stages)
    parts: list[SvgElement] = []
    at_px, key_y = 0.0, 44
    for number, stage in enumerate(stages):
        wide = stage.us / whole * WIDTH
        look = SHADES[stage.name]
        parts.append(SvgElement("rect", look, {"x": at_px, "y": 4, "width": max(wide - 1, 0.5), "height": 22}))
        at_px += wide
        x, y = (number % 2) * WIDTH / 2, key_y + number // 2 * 17
        parts.append(SvgElement("rect", look, {"x": x, "y": y - 9, "width": 10, "height": 10}))
        parts.append(SvgElement("text", "quiet", {"x": x + 16, "y": y}, f"{stage.name} {ms(stage.us)}"))
    height = key_y + (len(stages) - 1) // 2 * 17 + 8
    before = "; the debounce comes before the delay" if stages[0].name == "debounce" else ""
    return Figure(WIDTH, height, parts, caption=f"where the time goes on average{before}")


SHADES = {stage: f"stage-{number}" for number, stage in enumerate(STAGES)}


def _step_ms(span_ms: float, most: int) -> float:
    return next((step for step in STEPS_MS if span_ms / step <= most), STEPS_MS[-1])


def _histogram(one: Delays) -> Figure:
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
    base = HEIGHT - BOTTOM
    bars: list[SvgElement] = []
    for number, count in enumerate(counts):
        if count:
            over = " over" if one.limit_us and number * step >= one.limit_us / 1000 else ""
            high_px, wide = count * scale, max(x(step) - x(0) - 1, 1)
            box: Numbers = {"x": x(number * step), "y": base - high_px, "width": wide, "height": high_px}
            bars.append(SvgElement("rect", f"bar{over}", box))
    marks = _marks(x, step * len(counts), one.limit_us / 1000)
    top = _text(LEFT - 6, TOP + 8, "end", str(high))
    return _figure([*bars, *marks, top], f"how many answers took how long, one bar per {step:g} ms")


def _text(x: float, y: float, anchor: str, text: str, look: str = "quiet") -> SvgElement:
    return SvgElement("text", look, {"x": x, "y": y, "text-anchor": anchor}, text)


def _path(look: str, way: str) -> SvgElement:
    return SvgElement("path", look, {"d": way})


def _marks(x: Callable[[float], float], end_ms: float, limit_ms: float) -> list[SvgElement]:
    base = HEIGHT - BOTTOM
    parts = [_path("axis", f"M{LEFT} {base}H{WIDTH - 10}")]
    tick = _step_ms(end_ms, 6)
    number = 0
    while number * tick <= end_ms:
        parts.append(_text(x(number * tick), base + 16, "middle", f"{number * tick:g}"))
        number += 1
    if limit_ms:
        parts.append(_path("limit", f"M{x(limit_ms):.1f} {TOP}V{base}"))
    return parts


def _over_time(one: Delays) -> Figure:
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

    parts = [_path("axis", f"M{LEFT} {base}H{WIDTH - 10}")]
    tick = _step_ms(top_ms, 4)
    number = 0
    while number * tick <= top_ms:
        parts.append(_text(LEFT - 6, y(number * tick) + 4, "end", f"{number * tick:g}"))
        number += 1
    if one.limit_us:
        parts.append(_path("limit", f"M{LEFT} {y(one.limit_us / 1000):.1f}H{WIDTH - 10}"))
    for each in found:
        over = " over" if each in one.broken else ""
        dot: Numbers = {"cx": x(each.at_us / 1e6), "cy": y(each.delay_us / 1000), "r": 2}
        parts.append(SvgElement("circle", f"bar{over}", dot))
    for each_us in one.missing[:MOST_DOTS]:
        parts.append(_text(x(each_us / 1e6), TOP + 8, "middle", "×", "missing"))
    for seconds, anchor in ((begin, "start"), (end, "end")):
        parts.append(_text(x(seconds), base + 16, anchor, f"{seconds:.0f} s"))
    lost = "; × had no answer" if one.missing else ""
    return _figure(parts, f"delay in ms over time{lost}")


def _figure(marks: Sequence[SvgElement], caption: str) -> Figure:
    return Figure(WIDTH, HEIGHT, marks, caption=caption)
