"""The diagnosis: from all evidence to the smallest set of faults that explains it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchcon.diagnosis import (
    beside,
    boards,
    causes,
    connectors,
    contacts,
    doubt,
    drivers,
    floating,
    knobs,
    lights,
    lit_by_controls,
    lit_together,
    segments,
    supplies,
    two_wires,
)
from benchcon.diagnosis import fleeting as fleeting_
from benchcon.diagnosis.evidence import BoardTrouble, DisplayLook, Evidence, HandStep, LampLook, SupplyLook, read_all
from benchcon.diagnosis.findings import BareFinding, Choices, Either, Finding
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.one_switch import turns
from benchcon.diagnosis.settled import Story, tell
from benchcon.diagnosis.sources import Cause
from benchcon.diagnosis.wires import WireEvidence, wires_of
from benchcon.diagnosis.wording import dress
from benchcon.panel.model import Panel
from benchcon.panel.pins import CHAINS


def diagnose(panel: Panel, evidence: Iterable[Evidence | Mapping[str, Any]]) -> list[Finding]:
    """Return what is wrong with `panel`, judging all of `evidence` together; an empty list means nothing is.

    `evidence` holds `HandStep`, `LampLook`, `DisplayLook`, `SupplyLook` and `BoardTrouble` values in the order in which
    they happened, or the same as JSON objects, as `protocols/walk-report.md` describes them. Skipped steps prove
    nothing.

    Each `Finding` names a kind of fault, the parts and the channels (``board.id``). `Finding.kinds` lists the kinds
    that this evidence cannot tell apart, and `Finding.decide` gives the measurement that can. If several sets of faults
    explain the same evidence equally well, all are returned, marked by `Finding.either`. Buttons that behave as the
    positions of one switch are judged as that switch; `one_switch.remarks` names them.

    Pure: the same evidence always gives the same findings. Raises `Trouble` for evidence of the wrong form and for
    names that the panel does not have.
    """
    layout = PanelIndex.of(panel)
    given = read_all(evidence)
    hands = [each for each in given if isinstance(each, HandStep)]
    story = tell(layout, hands)
    in_turn = {key for group in turns(layout, story) for key in group}
    floats = floating.find(layout, story)
    fleeting = [*floats, *fleeting_.missing(layout, story), *fleeting_.crosstalk(layout, story)]
    in_turn |= {raw.channels[0] for raw in fleeting}
    every_look = [each for each in given if isinstance(each, LampLook)]
    looks = lit_together.without(every_look)
    pictures = [each for each in given if isinstance(each, DisplayLook)]
    turned = knobs.find(layout, story)
    turned = [each for each in turned if not all(in_turn.issuperset(raw.channels) for c in each for raw in c)]
    read = contacts.read(layout, story, in_turn)
    wholes, explained, moved = _wholes(layout, story, read, looks, pictures, turned)
    but = explained - {key for cause in moved for key in cause.sent}

    failing, faint = lit_together.find(layout, lights.useful(layout, every_look), pictures)

    of_drivers, of_displays = drivers.find(layout, pictures, explained)
    wholes, explained = [*wholes, *of_drivers], explained | of_displays
    shown = drivers.or_its_driver(layout, segments.find(layout, pictures, explained))

    def left(found: list[Choices]) -> list[Choices]:
        return [each for each in found if not all(explained.issuperset(raw.channels) for c in each for raw in c)]

    found: list[Choices] = [
        *wholes,
        *([[raw]] for raw in fleeting if raw.kind != "misses" or raw.channels[0] not in explained),
        *contacts.find(layout, story, contacts.read(layout, story, in_turn | but) if but - in_turn else read, moved),
        *left(turned),
        *lit_together.not_dead(layout, every_look, lights.find(layout, looks, but, moved)),
        *left(failing),
        *lit_by_controls.find(layout, hands, lights.useful(layout, every_look)),
        *left(shown),
    ]
    found = two_wires.find(layout, _in_common(layout, _without_unwired(panel, given, found)))
    found = lit_by_controls.or_what_stands_made(layout, given, found)
    found = doubt.where_it_contradicts(layout, found)
    return [
        *_without_clashing_patches(_in_words(layout, found)),
        *supplies.find(layout, [each for each in given if isinstance(each, SupplyLook)], looks, pictures),
        *boards.find(layout, [each for each in given if isinstance(each, BoardTrouble)], faint),
    ]


def _in_words(layout: PanelIndex, found: list[Choices]) -> list[Finding]:
    """Return all findings in words; those that are not in every choice are marked as alternatives."""
    out: list[Finding] = []
    group = 0
    for choices in found:
        shared = [raw for raw in choices[0] if all(raw in other for other in choices[1:])]
        out += [dress(layout, raw, None) for raw in shared]
        rest = [[raw for raw in choice if raw not in shared] for choice in choices]
        if not any(rest):
            continue
        group += 1
        for number, choice in enumerate(rest, 1):
            out += [dress(layout, raw, Either(group, number, len(rest))) for raw in choice]
    return out


def _wholes(
    layout: PanelIndex,
    story: Story,
    read: contacts.Contacts | None,
    looks: list[LampLook],
    pictures: list[DisplayLook],
    others: list[Choices],
) -> tuple[list[Choices], set[str], list[Cause]]:
    """Return single causes of many wires' faults (connectors, chains, matrices, looms, boards, commons).

    `read` are the contacts, `others` the faults of knobs, each by itself. Causes that go beyond one connector are tried
    first, then connectors, then what is on one, and last causes with a second fault on a few of their wires. Returns
    choices, the channels that they explain, and these last causes.
    """
    looks = lights.useful(layout, looks)
    nets = [
        read.net if read is not None else None,
        lights.net_of(layout, looks, list(layout.lamps)) if looks and layout.lamps else None,
    ]
    shown = {each.part for each in pictures if any(each.set) and each.answer in ("same", "otherwise")}
    tested = {key for name in story.tested | shown for key in layout.channels_of(name)}
    dead = {
        raw.channels[0]
        for choices in others
        if len(choices) == 1
        for raw in choices[0]
        if raw.kind == "open" and not raw.detail.get("swing")
    } | segments.dark(layout, pictures)
    wires = wires_of(layout, nets, dead, tested)
    out, explained = causes.find(layout, wires, wide=True)
    plugs, of_plugs = connectors.find(layout, wires, explained)
    rest, of_rest = causes.find(layout, wires, explained | of_plugs, parts=False)
    if plugs:
        plugs = _with_chips_as_alternatives(plugs, causes.find(layout, wires, explained)[0], wires)
    explained |= of_plugs | of_rest
    nearly, moved = beside.find(layout, nets, wires, explained)
    explained |= {key for cause in moved for key in cause.channels}
    last, of_last = causes.find(layout, wires, explained)
    return [*out, *plugs, *rest, *nearly, *last], explained | of_last, moved


def _with_chips_as_alternatives(
    plugs: list[Choices], others: list[Choices], wires: Mapping[str, WireEvidence]
) -> list[Choices]:
    """Return `plugs` with the chips in `others` as alternatives, where the evidence cannot tell plug from chip.

    It cannot if all that is wrong on a plug is also on one chip, and everything on that chip is on that plug.
    """
    out: list[Choices] = []
    for choices in plugs:
        whole = {key for choice in choices for raw in choice for key in raw.channels}
        wrong = {key for key in whole if key in wires and (wires[key].wrong or wires[key].dead)}
        alike = [
            choice
            for several in others
            for choice in several
            if len(choice) == 1 and choice[0].kind != "common open" and wrong <= {*choice[0].channels} <= whole
        ]
        out.append([*choices, *alike][:3])
    return out


def _without_unwired(panel: Panel, given: list[Evidence], found: list[Choices]) -> list[Choices]:
    """Return `found` without findings only about parts that are not wired yet, by the panel file or by the person.

    The input of such a potentiometer floats and reports changes all the time, which is no fault. Neither is the noise
    of a potentiometer with a broken wire a second fault.
    """
    absent = {control.name for control in panel.controls if not control.wired}
    for step in given:
        if isinstance(step, HandStep) and step.outcome != "skipped":
            absent = absent | set(step.parts) if step.outcome == "not wired" else absent - set(step.parts)
    floating = {channel.key for control in panel.controls if control.name in absent for channel in control.channels}
    broken = {raw.channels for choices in found for choice in choices for raw in choice if raw.kind == "open"}

    def there(raw: BareFinding) -> bool:
        return not floating.issuperset(raw.channels) and not (raw.kind == "noisy" and raw.channels in broken)

    return [choices for choices in found if any(there(raw) for choice in choices for raw in choice)]


def _without_clashing_patches(found: list[Finding]) -> list[Finding]:
    """Return `found` without patches of channels whose part is also swapped: they would undo the patch for that."""
    crossed = {part for finding in found if finding.kind == "crossed" and finding.patch for part in finding.parts}
    return [
        replace(finding, patch="")
        if finding.kind != "crossed" and "channel" in finding.patch and not crossed.isdisjoint(finding.parts)
        else finding
        for finding in found
    ]


_ENOUGH = 3
"""From this many dead wires on a connector without a live one, a broken common is likelier than single faults."""


def _in_common(layout: PanelIndex, found: list[Choices]) -> list[Choices]:
    """Merge dead wires into one finding if they share a connector, or else a board, on which nothing works."""
    for kind, of in (("open", "contact"), ("dead", "lamp")):
        dead = {c[0][0].channels[0] for c in found if len(c) == 1 and len(c[0]) == 1 and c[0][0].kind == kind}
        for connector in (False, True):
            homes: dict[tuple[str, str], list[str]] = {}
            for key, spot in layout.spots.items():
                wire = spot.channel.wire
                if spot.kind == of and spot.part.wired and (wire.connector or not connector):
                    homes.setdefault((spot.channel.board, wire.connector if connector else ""), []).append(key)
            for (_, name), keys in homes.items():
                if len(keys) >= _ENOUGH and dead.issuperset(keys):
                    found = [c for c in found if not (c[0] and c[0][0].kind == kind and c[0][0].channels[0] in keys)]
                    found.append([[BareFinding("common open", tuple(keys), {"connector": name} if name else {})]])
                    dead -= set(keys)
    return _on_one_chain(layout, found)


def _on_one_chain(layout: PanelIndex, found: list[Choices]) -> list[Choices]:
    """Merge dead displays into one finding if they share a chain, or else a driver, on which nothing lights."""
    dead = {
        c[0][0].channels[0]
        for c in found
        if len(c) == 1
        and len(c[0]) == 1
        and c[0][0].kind == "dead"
        and layout.spots[c[0][0].channels[0]].kind == "display"
    }
    for single in (False, True):
        homes: dict[tuple[str, str, int], list[str]] = {}
        for key, spot in layout.spots.items():
            pin = layout.chained.get(key) if spot.kind == "display" and spot.part.wired else None
            if pin is not None:
                homes.setdefault((spot.channel.board, pin.kind, pin.bit // 8 + 1 if single else 0), []).append(key)
        for (_, chain, _), keys in homes.items():
            if len(keys) >= _ENOUGH and dead.issuperset(keys):
                found = [c for c in found if not (c[0] and c[0][0].kind == "dead" and c[0][0].channels[0] in keys)]
                at = {layout.chained[key].bit // 8 + 1 for key in keys}
                detail: dict[str, Any] = {"chain": CHAINS[chain]}
                if len(at) == 1:
                    detail["driver"] = at.pop()
                found.append([[BareFinding("common open", tuple(keys), detail)]])
                dead -= set(keys)
    return found
