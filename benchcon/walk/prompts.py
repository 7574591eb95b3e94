"""What the walk asks, in words: a title in large letters, what to do, and what may be answered."""

from __future__ import annotations

from dataclasses import dataclass

from benchcon.panel.model import Control, Digits
from benchcon.walk.layout import Layout, codes_of, words_of
from benchcon.walk.plan import Step


@dataclass(frozen=True, slots=True)
class Prompt:
    """What a face shows."""

    title: str
    """A few words, to be read from two metres."""
    ask: str
    """The whole sentence."""
    hint: str
    """What to answer, or what happens by itself."""
    parts: tuple[str, ...] = ()
    number: int = 0
    of: int = 0
    again: bool = False
    """Asked once more, because something was odd."""


def prompt_for(layout: Layout, step: Step | None, state: str, number: int, of: int, again: bool) -> Prompt:
    """Return the prompt for `step`, in the machine's `state`."""
    if step is None:
        return Prompt("Done", "The walk is over.", "See the report.", (), number, of)
    title, ask, hint = _words(layout, step)
    return Prompt(
        title, ("Once more: " + ask[0].lower() + ask[1:]) if again else ask, hint, step.parts, number + 1, of, again
    )


_BY_ITSELF = "It goes on by itself when it sees it. Enter: it is done, and nothing happened."
_LOOK = "Enter: just so. Or what lit instead, dim, wrong colour, flickering, nothing."


def _words(layout: Layout, step: Step) -> tuple[str, str, str]:
    labels = [layout.part(name).label or name for name in step.parts]
    label = labels[0] if labels else ""
    if step.do == "rest":
        return "Hands off", "Take your hands off the panel.", "It goes on by itself."
    if step.do == "still":
        return "Still", f"Leave {label} alone for two seconds.", "It goes on by itself."
    if step.do == "dark":
        return "All dark?", "Every lamp and display should be dark now.", "Enter: all dark. Or point at what is lit."
    if step.do == "lamp":
        return label, f"Lamp {label} should blink, and no other.", _LOOK
    part = layout.part(step.parts[0])
    if step.do == "digits":
        assert isinstance(part, Digits)
        return (
            label,
            f"Display {label} should show just this.",
            "Enter: it does. Or switch the segments until the picture is right.",
        )
    assert isinstance(part, Control)
    if step.do == "turn":
        way = "right" if step.to > 0 else "left"
        return f"{label} {way}", f"Turn {label} {abs(step.to)} clicks to the {way}.", _BY_ITSELF
    if step.do == "end":
        way = "right" if step.to > 0 else "left"
        return f"{label} {way}", f"Turn {label} fully to the {way}.", _BY_ITSELF
    if len(step.parts) > 1:
        names = ", ".join(labels[:-1]) + f" and {labels[-1]}"
        if step.to:
            return "Hold three", f"Hold {names} down together.", _BY_ITSELF
        return "Let go", f"Let go of {names}.", _BY_ITSELF
    if part.kind == "button":
        if step.to == 1:
            return f"Press {label}", f"Press {label} and hold it.", _BY_ITSELF
        return f"Release {label}", f"Let go of {label}.", _BY_ITSELF
    word = words_of(part)[step.to] if step.to < len(codes_of(part)) else str(step.to)
    return f"{label}: {word}", f"Put {label} to {word}.", _BY_ITSELF
