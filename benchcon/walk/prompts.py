"""The walk's prompts: a title in large letters, what to do, and what may be answered."""

from __future__ import annotations

from dataclasses import dataclass

from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.supplies import source_in_words
from benchcon.panel.model import Control, Display, Part
from benchcon.text import capitalised, counted, listed
from benchcon.walk.plan import Step


@dataclass(frozen=True, slots=True)
class Prompt:
    """What a face shows for a step."""

    title: str
    """A few words that can be read from two metres."""
    ask: str
    """The full request, as a sentence."""
    hint: str
    """What to answer, or what happens by itself."""
    parts: tuple[str, ...] = ()
    number: int = 0
    """Number of the part, and with `of` the total. Controls, lamps and displays count; other steps do not."""
    of: int = 0
    again: bool = False
    """It is asked once more, because something was odd."""


def prompt_for(
    layout: PanelIndex, step: Step | None, number: int, of: int, again: bool, already: bool = False
) -> Prompt:
    """Return the prompt for `step`. `already` says that the panel reads what it asks for before the hand has moved."""
    if step is None:
        return Prompt("Done", "The walk is over.", "See the report.", (), number, of)
    title, ask, hint = _words(layout, step)
    if already and layout.controls[step.parts[0]].kind == "switch":
        control = layout.controls[step.parts[0]]
        hint = f"It reads {control.positions[step.to]} already: if the switch is elsewhere, move it. If not, Enter."
    return Prompt(
        title, ("Once more: " + ask[0].lower() + ask[1:]) if again else ask, hint, step.parts, number + 1, of, again
    )


_BY_ITSELF = "The walk moves on by itself. If nothing happened: Enter. If something lit: p."
_LOOK = "Enter: correct. Or say what lit instead, or what is wrong with it."
"""Fits one line of 80 columns, so that the lamp's name has room in large letters."""


def _words(layout: PanelIndex, step: Step) -> tuple[str, str, str]:
    labels = [layout.part(name).label for name in step.parts]
    label = labels[0] if labels else ""
    why = f" {step.why}" if step.why else ""
    if step.do == "rest" and step.parts:
        names = listed(labels)
        return (
            "Hands off",
            f"Take your hands off the panel: {names} moved while another part was asked for.",
            "The walk moves on by itself.",
        )
    if step.do == "rest":
        return "Hands off", "Take your hands off the panel.", "The walk moves on by itself."
    if step.do == "still":
        return "Still", f"Leave {label} alone for two seconds.", "The walk moves on by itself."
    if step.do == "dark":
        return "All dark?", "Every lamp and display should be dark now.", "Enter: all dark. Or point at what is lit."
    if step.do == "lamp":
        return label, f"Lamp {label} should blink, and no other.", _LOOK
    if step.supply:
        return _of_supply(layout, step)
    if step.do in ("together", "pair"):
        return _of_several(layout, step, labels)
    part = layout.part(step.parts[0])
    if step.do == "display":
        assert isinstance(part, Display)
        return (
            label,
            f"Display {label} should show exactly this.",
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
        return _of_contacts_together([layout.controls[name] for name in step.parts], step.to, why)
    lift = "Lift its cover. " if part.guard and step.to else ""
    if part.kind == "button":
        if step.to == 1:
            return f"Press {label}", f"{lift}Press {label} and hold it.", _BY_ITSELF
        return f"Release {label}", f"Let go of {label}.", _BY_ITSELF
    word = part.positions[step.to] if step.to < len(part.codes) else str(step.to)
    return f"{label}: {word}", f"{lift}Set {label} to {word}.{why}", _BY_ITSELF


def _of_contacts_together(controls: list[Control], to: int, why: str) -> tuple[str, str, str]:
    """Return title, request and hint for buttons and switches that are worked at the same time, as for a matrix."""
    labels = [control.label for control in controls]
    buttons = [control.kind == "button" for control in controls]
    words = [control.positions[to] for control in controls]
    if all(buttons):
        if to:
            return "Hold three", f"Hold {listed(labels)} down together.", _BY_ITSELF
        return "Let go", f"Let go of {listed(labels)}.", _BY_ITSELF
    if not any(buttons) and len(set(words)) == 1:
        return f"Switches: {words[0]}", f"Set {listed(labels)} to {words[0]}.{why}", _BY_ITSELF
    tasks = [
        f"{'hold' if to else 'let go of'} {label}" if button else f"set {label} to {word}"
        for label, button, word in zip(labels, buttons, words, strict=True)
    ]
    task = listed(tasks)
    return ("All three" if to else "All back"), f"{capitalised(task)}.{why}", _BY_ITSELF


def _of_several(layout: PanelIndex, step: Step, labels: list[str]) -> tuple[str, str, str]:
    """Return title, request and hint for outputs that are lit together: all of them, or a pair of lamps."""
    if step.do == "pair":
        return listed(labels), f"Both {listed(labels)} should be lit, as bright as each is alone.", _ALL
    outputs = [layout.lamps.get(name) or layout.displays[name] for name in step.parts]
    boards = {each.name: each.called for each in layout.panel.boards}
    there = list(dict.fromkeys(boards.get(part.channel.board, part.channel.board) for part in outputs))
    lamps = sum(name in layout.lamps for name in step.parts)
    shown = len(step.parts) - lamps
    what = [counted(lamps, "lamp")] * bool(lamps) + [counted(shown, "display")] * bool(shown)
    eights = ", and each digit of the displays an 8 with its point" if shown else ""
    ask = f"Are all of these lit: {listed(what)} on {listed(there)}{eights}?"
    return "All lit?", f"{ask} {step.why}".strip(), _ALL


_ALL = "Enter: all lit. Or point at what is dark (<: it is dim), or say that nothing is lit."
_FED = "Enter: all lit. Or point at what is dark, or say that nothing is lit."


def _of_supply(layout: PanelIndex, step: Step) -> tuple[str, str, str]:
    """Return title, request and hint for looks while a supply is switched off and on."""
    supply = next(each for each in layout.panel.supplies if each.name == step.supply)
    if step.do == "starting":
        return f"{supply.label}: starting", f"{supply.label} takes {step.to / 1000:.0f} s to start.", _BY_ITSELF
    parts = counted(len(step.parts), "part")
    if step.do == "no_supply":
        lit = f"all that it feeds ({parts}) is commanded to light, and should stay dark"
        ask = f"{supply.label} is switched off: {lit}."
        return f"{supply.label}: off", ask, "Enter: all dark. Or point at what is lit."
    by = source_in_words(layout.panel, supply.sources[step.to - 1])
    lamps = any(name in layout.lamps for name in step.parts)
    eights = "displays an 8 on the left" if any(name in layout.displays for name in step.parts) else ""
    how = f" ({'lamps lit, ' if lamps else ''}{eights})" if eights else ""
    return f"{supply.label}: on", f"With {by}, all that “{supply.label}” feeds ({parts}) should be lit{how}.", _FED


def by_button(button: Part, step: Step | None) -> str:
    """Return the sentence that says how a push button that has passed answers `step`."""
    no = " (it does not light)" if step is not None and step.do == "lamp" else ""
    label = button.label
    return f"Or answer from the panel, with the button “{label}”: tap it for yes, hold it for no{no}."
