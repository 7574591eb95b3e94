"""The panel's face as SVG: every control, lamp and display where it sits, marked by how the walk found it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from benchcon.diagnosis.layout import codes_of
from benchcon.panel.model import Digits, Lamp, Panel, Part, Place

MARKS = {
    "good": ("✓", "proved"),
    "wrong": ("✗", "wrong"),
    "perhaps": ("?", "perhaps wrong"),
    "skipped": ("–", "passed over"),
    "not wired": ("–", "not wired yet"),
    "not asked": ("–", "not asked"),
}
"""For each verdict a sign and its words: never by colour alone."""

_COLOURS = {"red": "#d33", "amber": "#f5a300", "green": "#2a9d3f", "blue": "#2f6fe0", "white": "#f4f4ee"}
_PITCH = 40.0


def face(panel: Panel, verdicts: Mapping[str, str], said: Mapping[str, Sequence[tuple[int, str]]]) -> str:
    """Return an ``<svg>`` element. `said`: for each part the findings that name it, number and words."""
    places, width, height = _places(panel)
    out = [
        f'<svg class="face" viewBox="-4 -4 {width + 8:.1f} {height + 8:.1f}" role="img" '
        f'aria-label="{escape(panel.title or "panel", quote=True)}">',
        f'<rect class="plate" x="0" y="0" width="{width:.1f}" height="{height:.1f}" rx="4"/>',
    ]
    for part in panel.parts:
        place = places[part.name]
        verdict = verdicts.get(part.name, "not asked")
        found = said.get(part.name, ())
        out.append(f'<g class="part {verdict.replace(" ", "-")}">')
        title = "\n".join(
            [f"{part.label or part.name}: {MARKS[verdict][1]}", *(f"{number}: {text}" for number, text in found)]
        )
        out.append(f"<title>{escape(title)}</title>")
        out.append(_shape(part, place))
        half = _half(part)
        at = f'x="{place.x_mm:.1f}" y="{place.y_mm + half[1] + 8:.1f}"'
        out.append(f'<text class="label" {at}>{_short(part)}{_numbers(found)}</text>')
        if found:
            out.append(_ring(place, half))
        out.append(_mark(verdict, place.x_mm + half[0] + 2.5, place.y_mm - half[1] - 2.5))
        out.append("</g>")
    out.append("</svg>")
    return "\n".join(out)


def _places(panel: Panel) -> tuple[dict[str, Place], float, float]:
    """Where each part sits; those without a place stand in rows below the rest."""
    placed = {part.name: part.place for part in panel.parts if part.place is not None}
    width = max([panel.width_mm, *(p.x_mm + 20 for p in placed.values()), 8 * _PITCH if not placed else 0.0])
    bottom = max([panel.height_mm if placed else 0.0, *(p.y_mm + 20 for p in placed.values()), 0.0])
    across = max(1, int(width // _PITCH))
    loose = [part for part in panel.parts if part.place is None]
    for number, part in enumerate(loose):
        column, row = number % across, number // across
        placed[part.name] = Place((column + 0.5) * _PITCH, bottom + (row + 0.5) * _PITCH)
    rows = -(-len(loose) // across)
    return placed, width, bottom + rows * _PITCH


def _half(part: Part) -> tuple[float, float]:
    """Half the width and height at which a part is drawn, in millimetres."""
    if isinstance(part, Digits):
        return max(part.width_mm, part.places * 9.0) / 2, max(part.height_mm, 16.0) / 2
    if not isinstance(part, Lamp) and part.kind == "switch" and len(codes_of(part)) > 3:
        return (13.0, 13.0)
    if part.width_mm and part.height_mm:
        return min(part.width_mm, 40.0) / 2, min(part.height_mm, 40.0) / 2
    return (5.0, 5.0) if isinstance(part, Lamp) else (8.0, 8.0)


def _shape(part: Part, place: Place) -> str:
    x, y = place.x_mm, place.y_mm
    across, down = _half(part)
    box = f'x="{x - across:.1f}" y="{y - down:.1f}" width="{2 * across:.1f}" height="{2 * down:.1f}"'
    if isinstance(part, Lamp):
        fill = _COLOURS.get(part.colour, "#ccc")
        return f'<circle class="lamp" cx="{x:.1f}" cy="{y:.1f}" r="{min(across, down):.1f}" fill="{fill}"/>'
    if isinstance(part, Digits):
        colour = _COLOURS.get(part.colour, "#ccc")
        eights = f'<text class="digits" x="{x:.1f}" y="{y + 4.5:.1f}" fill="{colour}">{"8" * part.places}</text>'
        return f'<rect {box} rx="1" fill="#111"/>{eights}'
    if part.kind == "button":
        return f'<circle class="metal" cx="{x:.1f}" cy="{y:.1f}" r="{min(across, down):.1f}"/>'
    if part.kind in ("encoder", "pot"):
        pointer = f'<line class="pointer" x1="{x:.1f}" y1="{y:.1f}" x2="{x + 4.5:.1f}" y2="{y - 4.5:.1f}"/>'
        ring = '<circle class="ring" ' if part.kind == "encoder" else '<circle class="metal" '
        return f'{ring}cx="{x:.1f}" cy="{y:.1f}" r="{min(across, down):.1f}"/>{pointer}'
    if len(codes_of(part)) > 3:
        # A rotary switch: a knob with a tick for each position, from the lower left round to the lower right.
        r = min(across, down, 11.0)
        count = len(codes_of(part))
        turns = [math.radians(-120 + 240 * n / (count - 1)) for n in range(count)]
        ticks = "".join(
            f'<line class="tick" x1="{x + (r + 1) * math.sin(a):.1f}" y1="{y - (r + 1) * math.cos(a):.1f}" '
            f'x2="{x + (r + 3.5) * math.sin(a):.1f}" y2="{y - (r + 3.5) * math.cos(a):.1f}"/>'
            for a in turns
        )
        knob = f'<circle class="metal" cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}"/>'
        return f'{ticks}{knob}<line class="pointer" x1="{x:.1f}" y1="{y:.1f}" x2="{x:.1f}" y2="{y - r + 1.5:.1f}"/>'
    lever = f'<line class="pointer" x1="{x:.1f}" y1="{y + 4:.1f}" x2="{x:.1f}" y2="{y - 6:.1f}"/>'
    return f'<rect class="metal" {box} rx="2"/>{lever}'


def _short(part: Part) -> str:
    label = part.label or part.name
    return escape(label if len(label) <= 18 else label[:17] + "…")


def _numbers(found: Sequence[tuple[int, str]]) -> str:
    return f" ({', '.join(str(number) for number, _ in found)})" if found else ""


def _ring(place: Place, half: tuple[float, float]) -> str:
    """A frame round a part that something is the matter with, so that it stands out from across the room."""
    across, down = half[0] + 2.5, half[1] + 2.5
    return (
        f'<rect class="fault" x="{place.x_mm - across:.1f}" y="{place.y_mm - down:.1f}" '
        f'width="{2 * across:.1f}" height="{2 * down:.1f}" rx="3"/>'
    )


def _mark(verdict: str, x: float, y: float) -> str:
    return (
        f'<circle class="mark" cx="{x:.1f}" cy="{y:.1f}" r="4.2"/>'
        f'<text class="sign" x="{x:.1f}" y="{y + 2.2:.1f}">{MARKS[verdict][0]}</text>'
    )


def count_words(counts: Mapping[str, Any]) -> str:
    """Say how many parts came out how."""
    return ", ".join(f"{number} {MARKS[verdict][1]}" for verdict, number in counts.items() if number) or "no parts"
