"""Transport delays in words, for the terminal, for JSON and for JUnit."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from benchcon.durations import seconds_text
from benchcon.text import counted, printable
from benchcon.timing.delays import STAGES, Delay, Delays

ORIENTATION = (
    "For orientation: flight simulation training devices are qualified with 150 ms from control to instrument, those "
    "of the highest levels with 100 ms (14 CFR part 60, appendix C, table C2A, test 4.a.2)."
)
PERCENTS = (50, 95, 99)
MOST_SHOWN = 5


def ms(us: float) -> str:
    """Return a time in milliseconds as text, with as many decimals as make sense."""
    if not math.isfinite(us):
        return "not known"
    places = 2 if abs(us) < 10_000 else 1
    return f"{us / 1000:.{places}f} ms"


def name_of(one: Delays) -> str:
    """Return ``control → output``."""
    return f"{printable(one.control.name)} → {printable(one.output.name)}"


def error_words(us: float) -> str:
    """Return an error bound as text, rounded up."""
    if not math.isfinite(us):
        return "error not known"
    return f"±{math.ceil(us / 10) / 100:.2f} ms" if us < 10_000 else f"±{math.ceil(us / 100) / 10:.1f} ms"


def clocks_words(one: Delays) -> str:
    """Return in words by whose clocks a pair was measured, and how exactly."""
    if one.by == "host stamps":
        return "by this computer's stamps, because the boards have no clock: only a lower bound is certain"
    whose = "the board's own clock" if one.by == "one board" else "the clocks of both boards"
    way = ", and the least delay of a line that was never pinged" if one.one_way and one.by == "two boards" else ""
    return f"by {whose}, {error_words(one.error_us)}{way}"


def limit_words(one: Delays) -> str:
    """Return the limit of a pair: ``60 ms``, or ``none``."""
    return f"{one.limit_us / 1000:g} ms" if one.limit_us else "none"


def verdict_words(one: Delays) -> str:
    """Return the verdict in a few words."""
    limit = f"within {limit_words(one)}"
    words = {
        "passed": f"passed: {limit}",
        "not certain": f"not certain: {limit}, or over it by less than the error bound",
        "no limit": "no limit set",
        "not moved": "not moved, so nothing was measured",
    }
    if one.verdict != "broken":
        return words[one.verdict]
    over = f"{counted(len(one.broken), 'answer')} over {limit_words(one)}" if one.broken else ""
    lost = f"{counted(len(one.missing), 'movement')} without an answer" if one.missing else ""
    return f"limit broken: {', '.join(each for each in (over, lost) if each)}"


def counts_words(one: Delays, output: str = "") -> str:
    """Return the counts of a pair in words. `output`: what to call the output; empty: by its name."""
    words = [f"{counted(one.movements, 'movement')}, {len(one.found)} answered"]
    if one.merged:
        words.append(f"{one.merged} together with one before")
    if one.missing:
        words.append(f"{len(one.missing)} without an answer")
    if one.nothing_to_change:
        words.append(f"{one.nothing_to_change} more with nothing to change")
    if one.pending:
        words.append(f"{one.pending} too late to judge")
    if one.in_the_dark:
        words.append(f"{one.in_the_dark} while it was dark or without supply")
    if one.others:
        words.append(f"{counted(one.others, 'change')} of {output or printable(one.output.name)} for another reason")
    return ", ".join(words)


def drift_words(one: Delays) -> str:
    """Return in words whether delays grew or shrank; empty if there are too few."""
    found = one.drift
    if found is None:
        return ""
    if not found.significant:
        return "steady from beginning to end"
    which = "rose" if found.last > found.first else "fell"
    return f"{which} from {ms(found.first)} (median of the first quarter) to {ms(found.last)} (of the last)"


def stages_words(one: Delays) -> str:
    """Return where the time goes, as one line; empty if the stamps do not show it."""
    stages = one.stages
    if not stages:
        return ""
    return "on average: " + " · ".join(f"{stage.name} {ms(stage.us)}" for stage in stages)


SHADES = dict(zip(STAGES, "░▒▓█▚", strict=True))
"""Stage → the character that it is drawn with in a bar of text."""


def stages_bar(one: Delays, width: int) -> list[str]:
    """Return where the time goes, as a bar of `width` characters and its key; empty if the stamps do not show it.

    Every stage has at least one character.
    """
    stages = [stage for stage in one.stages if stage.us > 0]
    whole = sum(stage.us for stage in stages)
    if not stages or width < len(stages):
        return []
    widths = [max(round(stage.us / whole * width), 1) for stage in stages]
    widths[widths.index(max(widths))] += width - sum(widths)
    bar = "".join(SHADES[stage.name] * wide for stage, wide in zip(stages, widths, strict=True))
    key = " · ".join(f"{SHADES[stage.name]} {stage.name} {ms(stage.us)}" for stage in stages)
    return [bar, f"on average: {key}"]


def as_text(found: Sequence[Delays]) -> str:
    """Return a table of the delays, with details below each row."""
    if not found:
        return "no transport delays: no output answers a control, or nothing was moved and answered often enough"
    wide = min(max(len(name_of(one)) for one in found), 44)
    lines = [f"{'transport delay':{wide}}  {'p50':>10}{'p95':>10}{'p99':>10}{'worst':>10}{'limit':>9}"]
    for one in found:
        figures = [ms(one.percentile_us(percent)) for percent in PERCENTS] if one.found else ["-"] * 3
        figures.append(ms(one.worst.delay_us) if one.worst else "-")
        limit = limit_words(one)
        lines.append(f"{name_of(one):{wide}}  {''.join(f'{each:>10}' for each in figures)}{limit:>9}")
        lines += [f"    {line}" for line in _below(one)]
    proposed = [one for one in found if one.proposed]
    if proposed:
        lines += ["", "Inferred from what was seen. If this is right, put it into the panel file to have it judged:"]
        for one in proposed:
            lines.append(f"    {toml_of(one)}")
    about = f"Times begin when the board accepted the movement, after its debounce. {ORIENTATION}"
    lines += ["", *textwrap.wrap(about, 100)]
    return "\n".join(lines)


def _below(one: Delays) -> list[str]:
    lines = [verdict_words(one), *([counts_words(one)] if one.movements else [])]
    if one.worst:
        worst = f"the worst at {seconds_text(one.worst.at_us)}"
        lines += [f"{clocks_words(one)}; {worst}", *filter(None, [drift_words(one), stages_words(one)])]
    late = sorted(one.broken, key=lambda each: -each.delay_us)[:MOST_SHOWN]
    if len(one.broken) > 1:
        lines.append(
            "over the limit: " + ", ".join(f"{ms(each.delay_us)} at {seconds_text(each.at_us)}" for each in late)
        )
    if one.missing:
        lines.append("without an answer: at " + ", ".join(map(seconds_text, one.missing[:MOST_SHOWN])))
    return lines


def toml_of(one: Delays) -> str:
    """Return what to write into a panel file for a proposed pair, and where; parts without one go by their channels."""
    kind = "lamp" if hasattr(one.output, "trim_permille") else "display"
    output, control = printable(one.output.name), printable(one.control.name)
    if "." in output or "." in control:
        return f'at the {kind} on channel {output}: answers = "NAME", the name of the control on {control}'
    return f'in [{kind}s.{output}]: answers = "{control}"'


def failure_of(one: Delays) -> str:
    """Return why a limit is broken, in one or more lines; empty if it is not."""
    return "\n".join([verdict_words(one), *_below(one)[1:]]) if one.verdict == "broken" else ""


def as_json(one: Delays) -> dict[str, Any]:
    """Return the figures of a pair as data that JSON can hold; times in milliseconds, None if not known."""

    def figure(us: float | None) -> float | None:
        return round(us / 1000, 4) if us is not None and math.isfinite(us) else None

    def delay(each: Delay) -> dict[str, Any]:
        return {
            "at_s": round(each.at_us / 1e6, 6),
            "delay_ms": figure(each.delay_us),
            "error_ms": figure(each.error_us),
            "position": each.position,
        }

    drifted = one.drift
    return {
        "control": printable(one.control.name),
        "output": printable(one.output.name),
        "limit_ms": figure(one.limit_us) if one.limit_us else None,
        "verdict": one.verdict,
        "proposed": one.proposed,
        "clocks": one.by,
        "one_way": one.one_way,
        "error_ms": figure(one.error_us),
        "movements": one.movements,
        "answered": len(one.found),
        "together": one.merged,
        "missing": len(one.missing),
        "pending": one.pending,
        "other_changes": one.others,
        "nothing_to_change": one.nothing_to_change,
        "while_dark": one.in_the_dark,
        "over_limit": len(one.broken),
        **{f"p{percent}_ms": figure(one.percentile_us(percent)) if one.found else None for percent in PERCENTS},
        "worst_ms": figure(one.worst.delay_us) if one.worst else None,
        "drift": drifted
        and {"first_ms": figure(drifted.first), "last_ms": figure(drifted.last), "significant": drifted.significant},
        "stages": [{"name": stage.name, "mean_ms": figure(stage.us)} for stage in one.stages],
        "delays": [delay(each) for each in one.found],
        "missing_at_s": [round(each / 1e6, 6) for each in one.missing],
    }
