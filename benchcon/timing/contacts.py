"""The figures of every control whose raw edges or readings were reported, and how to say them in words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchcon.panel.model import Control, Panel
from benchcon.state import BenchState
from benchcon.text import counted, printable, times
from benchcon.timing.bounce import LEAST_MOVEMENTS, ORDINARY_US, Bounce, bounce_of
from benchcon.timing.delay_words import ms
from benchcon.timing.delays import sources_of
from benchcon.timing.raw import RawSamples
from benchcon.timing.travel import LEAST_READINGS, Travel, travel_of
from benchcon.timing.turning import Turning, turning_of


@dataclass(slots=True)
class ContactTiming:
    """The figures of one channel of a control."""

    control: Control
    channel: str
    """``board.id``."""
    figures: Bounce | Turning | Travel
    lost: int
    """How many lines were lost on the way or in the board meanwhile; their contents are missing here."""

    @property
    def name(self) -> str:
        """The control's name, with the channel if it has several."""
        several = len(self.control.channels) > 1
        return printable(f"{self.control.name} {self.channel}" if several else self.control.name)


def contacts_of(panel: Panel, state: BenchState, raw: RawSamples) -> list[ContactTiming]:
    """Return the figures of all channels that were reported raw, in the order of the panel."""
    sources = sources_of(panel, state)
    found = []
    for control in panel.controls:
        for channel in control.channels:
            key = sources.get(channel.board, -1), channel.id
            figures: Bounce | Turning | Travel
            if control.kind == "pot" and key in raw.readings:
                figures = travel_of(raw.readings[key], control.high_count - control.low_count)
            elif control.kind == "encoder" and key in raw.edges:
                figures = turning_of(raw.edges[key], control.detent_counts)
            elif control.kind in ("button", "switch") and key in raw.edges:
                figures = bounce_of(raw.edges[key])
            else:
                continue
            name = channel.key
            found.append(ContactTiming(control, name, figures, raw.lost.get(key[0], 0)))
    return found


# --- in words ---------------------------------------------------------------------------------------------------------


def as_text(found: Sequence[ContactTiming]) -> str:
    """Return one paragraph per channel; empty for none."""
    lines: list[str] = []
    for one in found:
        figures, advice = words_of(one)
        lines.append(f"{one.name}: {figures}")
        if advice:
            lines += textwrap.wrap(advice, 100, initial_indent="    ", subsequent_indent="    ")
        if one.lost:
            lines.append(f"    {counted(one.lost, 'line')} from its board lost meanwhile: some may be missing here")
    return "\n".join(lines)


def words_of(one: ContactTiming) -> tuple[str, str]:
    """Return the figures of a channel as one line, and what to do about them; empty if nothing."""
    figures = one.figures
    if isinstance(figures, Bounce):
        return _bounce_words(figures), bounce_advice(figures, one.control)
    if isinstance(figures, Turning):
        return _turning_words(figures), _turning_advice(figures)
    return _travel_words(figures), _travel_advice(figures, one.control)


def _bounce_words(figures: Bounce) -> str:
    if not figures.movements:
        return f"{counted(len(figures.spikes), 'make or break')} too short for a hand, no movement"
    return (
        f"{counted(len(figures.movements), 'movement')}, {figures.bounced} with bounces (up to "
        f"{counted(figures.most_edges, 'edge')}); settled after {ms(figures.settling_percentile_us(50))}, p95 "
        f"{ms(figures.settling_percentile_us(95))}, longest {ms(figures.longest_us)}"
    )


def bounce_advice(figures: Bounce, control: Control) -> str:
    """Return which debounce time to set and why, or what to do first."""
    if figures.spikes:
        longest = max(one.settling_us for one in figures.spikes)
        often = times(len(figures.spikes))
        return (
            f"It opened or closed {often} for no longer than {ms(longest)}, which no hand does: a loose wire, a bad "
            "joint or a worn contact. No debounce time helps with that; look there first."
        )
    if figures.finding == "worn":
        return (
            f"It settles only after {ms(figures.longest_us)}; nearly all good contacts do within "
            f"{ms(ORDINARY_US)}. Check the switch and its joints before you set a longer debounce."
        )
    if figures.finding == "few":
        return f"Too few to judge: move it at least {LEAST_MOVEMENTS} times."
    first_edge = control.act_on == "first edge"
    needed = figures.debounce_us(first_edge)
    seen = (
        f"the last bounce came {ms(figures.longest_us)} after the first edge, and it is held off from there"
        if first_edge
        else f"the longest gap between two bounces was {ms(figures.longest_gap_us)}, and it must be still for longer"
    )
    set_us = control.debounce_ms * 1000
    if set_us < needed:
        return f'Set debounce = "{needed / 1000:g} ms": {seen}. It is set to {control.debounce_ms:g} ms: too short.'
    if set_us > 2 * needed:
        return (
            f'debounce = "{needed / 1000:g} ms" would do: {seen}. It is set to {control.debounce_ms:g} ms, which makes '
            f"each press {ms(set_us - needed)} later than necessary."
            if not first_edge
            else ""
        )
    return f"The debounce of {control.debounce_ms:g} ms is right: {seen}."


def _turning_words(figures: Turning) -> str:
    words = f"{counted(figures.detents, 'detent')}, {counted(figures.invalid, 'invalid transition')}"
    if figures.fastest_clean:
        words += f", clean up to {figures.fastest_clean:.0f} detents a second"
    if figures.bounces:
        words += f", {counted(figures.bounces, 'step')} bounced back"
    return words


def _turning_advice(figures: Turning) -> str:
    found = []
    if figures.invalid:
        speed = f", at {figures.slowest_faulty:.0f} detents a second already" if figures.slowest_faulty else ""
        found.append(
            f"Both contacts changed at once{speed}: steps were missed. Put A and B on pins with interrupts, or scan "
            "more often; if it happens even when turned slowly, check the common contact."
        )
    if figures.skipped:
        often = times(figures.skipped)
        found.append(f"It came to rest between two detents {often}: check counts_per_detent, or for a worn contact.")
    if figures.doubled:
        often = times(figures.doubled)
        found.append(f"Two detents came at once {often}, faster than a hand turns: counts_per_detent may be too small.")
    return " ".join(found)


def _travel_words(figures: Travel) -> str:
    words = f"{counted(figures.readings, 'reading')} from {figures.least} to {figures.greatest}"
    if figures.readings < LEAST_READINGS:
        return words
    return (
        f"{words}, noise {figures.noise:g} counts, {figures.resolution} steps can be told apart "
        f"({figures.resolution_bits:.1f} bits)"
    )


def _travel_advice(figures: Travel, control: Control) -> str:
    if figures.readings < LEAST_READINGS:
        return f"Too few to judge: raw readings of {LEAST_READINGS / 20:.0f} s at least, from end to end and at rest."
    found = []
    if figures.jumps:
        near = ", ".join(map(str, sorted(set(figures.jumps))[:5]))
        often = times(len(figures.jumps))
        found.append(f"Its reading jumped away and back {often} (to {near}): a worn track or a loose wiper.")
    low, high = figures.short_of(control.low_count, control.high_count)
    if figures.span > 0.5 * (control.high_count - control.low_count):
        for short, key, seen in ((low, "low", figures.least), (high, "high", figures.greatest)):
            if short:
                found.append(
                    f"It never read {getattr(control, key + '_count')}: if {seen} was its end, write {key} = {seen}."
                )
    if figures.noise > 0.01 * (control.high_count - control.low_count):
        found.append("That is more noise than a knob should have: check its ground and supply, and for long wires.")
    return " ".join(found)


def as_json(one: ContactTiming) -> dict[str, Any]:
    """Return the figures as data that JSON can hold."""
    figures, advice = one.figures, words_of(one)[1]
    found: dict[str, Any] = {
        "control": printable(one.control.name),
        "channel": printable(one.channel),
        "kind": one.control.kind,
        "lost_lines": one.lost,
        "advice": advice,
    }
    if isinstance(figures, Bounce):
        moved = bool(figures.movements)
        return found | {
            "movements": len(figures.movements),
            "bounced": figures.bounced,
            "most_edges": figures.most_edges,
            "settling_p50_ms": figures.settling_percentile_us(50) / 1000 if moved else None,
            "settling_p95_ms": figures.settling_percentile_us(95) / 1000 if moved else None,
            "settling_longest_ms": figures.longest_us / 1000 if moved else None,
            "longest_gap_ms": figures.longest_gap_us / 1000,
            "too_short_for_a_hand": len(figures.spikes),
            "finding": figures.finding,
            "debounce_ms": figures.debounce_us(one.control.act_on == "first edge") / 1000 if moved else None,
            "debounce_set_ms": one.control.debounce_ms,
        }
    if isinstance(figures, Turning):
        return found | {
            "detents": figures.detents,
            "invalid_transitions": figures.invalid,
            "skipped": figures.skipped,
            "doubled": figures.doubled,
            "bounced_steps": figures.bounces,
            "fastest_clean_detents_a_second": round(figures.fastest_clean, 1),
            "slowest_faulty_detents_a_second": round(figures.slowest_faulty, 1) or None,
        }
    return found | {
        "readings": figures.readings,
        "least": figures.least,
        "greatest": figures.greatest,
        "noise_counts": figures.noise,
        "resolution_steps": figures.resolution,
        "resolution_bits": round(figures.resolution_bits, 2),
        "jumps": len(figures.jumps),
    }
