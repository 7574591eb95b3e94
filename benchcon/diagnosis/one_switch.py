"""Recognises switches on a panel that has no panel file, or a wrong one.

A board reports single contacts. A contact that is made while nobody touches the panel belongs to a switch. If exactly
one of several contacts is made at any time, and working one moves through the others, they are the positions of one
switch: no single fault of buttons looks like that, so it is reported as a remark, not as a finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import Any

from benchcon.diagnosis.evidence import Evidence, HandStep, read_all
from benchcon.diagnosis.layout import PanelIndex
from benchcon.diagnosis.patches import quoted, table
from benchcon.diagnosis.settled import Story, tell
from benchcon.panel.model import Control, Panel
from benchcon.panel.reader import name_from
from benchcon.text import printable

LEAST = 3
"""Least number of contacts made in turn that are taken for one switch."""


def as_it_stands(panel: Panel, values: Mapping[str, int]) -> Panel:
    """Return `panel` with each button that is made while nobody touches it replaced by a switch of two positions.

    `values` are the present channel values. Use it only for a panel that boards describe: a panel file knows better.
    """

    def switch(control: Control) -> Control:
        if control.kind != "button" or len(control.channels) != 1 or values.get(control.channels[0].key) != 1:
            return control
        return replace(control, kind="switch", positions=("off", "on"), spring=())

    return replace(panel, controls=tuple(map(switch, panel.controls)))


@dataclass(frozen=True, slots=True)
class SwitchRemark:
    """Something that is not a fault, but that the panel file should say."""

    parts: tuple[str, ...]
    channels: tuple[str, ...]
    because: str
    patch: str
    """Lines of a panel file to put in place of those of `parts`; empty if the panel should change, not its file."""

    def line(self) -> str:
        """Return the remark as one line of text."""
        return printable(f"{', '.join(self.channels)}: {self.because}")

    def as_json(self) -> dict[str, Any]:
        """Return the remark as JSON values."""
        return {
            "parts": list(self.parts),
            "channels": list(self.channels),
            "because": self.because,
            "patch": self.patch,
            "line": self.line(),
        }


def remarks(panel: Panel, evidence: Iterable[Evidence | Mapping[str, Any]]) -> list[SwitchRemark]:
    """Return what the panel file should say, judging by `evidence` (as for `diagnose.diagnose`)."""
    layout = PanelIndex.of(panel)
    story = tell(layout, [each for each in read_all(evidence) if isinstance(each, HandStep)])
    walked = [_remark(layout, keys) for keys in turns(layout, story)]
    return [*walked, *_without_diodes(layout, story.tested)]


def _without_diodes(layout: PanelIndex, tested: AbstractSet[str]) -> Iterator[SwitchRemark]:
    """Yield a remark on each matrix without diodes in which switches stay made: its board cannot tell keys apart."""
    for matrix in dict.fromkeys(layout.matrix_of.values()):
        keys = tuple(key for key, name in layout.matrix_of.items() if name == matrix)
        parts = tuple(dict.fromkeys(layout.spots[key].part.name for key in keys))
        stay = [name for name in parts if layout.controls[name].kind == "switch" and not layout.controls[name].spring]
        if layout.diodes.get(matrix, True) or not stay or tested.isdisjoint(parts):
            continue
        because = (
            f"matrix {matrix} has no diodes, and switches stay made in it: with two of them made the board cannot tell "
            "which keys are; fit diodes, one at each contact with its cathode to the row"
        )
        yield SwitchRemark(parts, keys, because, "")


def turns(layout: PanelIndex, story: Story) -> list[tuple[str, ...]]:
    """Return groups of contacts that the panel has as separate parts, and that look like the positions of one switch.

    At every moment of `story` exactly one of a group was made, and each was made when its own part was asked for.
    """
    if not story.moments:
        return []
    alone = [
        key
        for key, spot in layout.spots.items()
        if spot.kind == "contact"
        and isinstance(spot.part, Control)
        and len(spot.part.channels) == 1
        and key not in layout.matrix_of
    ]
    rows = {key: [moment.values.get(key) for moment in story.moments] for key in alone}
    asked = {part for m in story.moments if m.hand.do == "put" and m.hand.to == 1 for part in m.hand.parts}
    useful = [key for key in alone if layout.spots[key].part.name in asked and {0, 1} == set(rows[key])]
    out: list[tuple[str, ...]] = []
    taken: set[str] = set()
    for seed in useful:
        if seed in taken or rows[seed][0] != 1:
            continue
        group = _grown(
            seed, [key for key in useful if key not in taken and key.split(".")[0] == seed.split(".")[0]], rows
        )
        if len(group) >= LEAST and all(
            sum(int(rows[key][n] or 0) for key in group) == 1 for n in range(len(rows[seed]))
        ):
            out.append(tuple(key for key in alone if key in group))
            taken.update(group)
    return out


def _grown(seed: str, keys: Sequence[str], rows: Mapping[str, Sequence[int | None]]) -> set[str]:
    """Return the group that grows from `seed`: at each moment without a made contact, the one that is made is added."""
    group = {seed}
    for moment in range(1, len(rows[seed])):
        if any(rows[key][moment] for key in group):
            continue
        instead = [
            key
            for key in keys
            if rows[key][moment]
            and not rows[key][moment - 1]
            and not any(a and b for other in group for a, b in zip(rows[key], rows[other], strict=True))
        ]
        if len(instead) != 1:
            return set()
        group.add(instead[0])
    return group


def _in_common(labels: Sequence[str]) -> Iterator[str]:
    """Yield the letters with which all of `labels` begin."""
    for letters in zip(*labels, strict=False):
        if len(set(letters)) > 1:
            return
        yield letters[0]


def _remark(layout: PanelIndex, keys: tuple[str, ...]) -> SwitchRemark:
    spots = [layout.spots[key] for key in keys]
    parts = tuple(spot.part.name for spot in spots)
    labels = [spot.part.label for spot in spots]
    label = "".join(_in_common(labels)).strip(" -_/:.") or "Selector"
    names = {*layout.controls, *layout.lamps, *layout.displays} - set(parts)
    name = name_from(label) or "selector"
    name = name if name not in names else f"{name[:24]}_switch"
    rows = "".join(f"  {table(spot.channel, spot.channel.active)},\n" for spot in spots)
    positions = ", ".join(f'"{number}"' for number in range(1, len(keys) + 1))
    tables = dict.fromkeys(layout.controls[part].made_by or f"controls.{part}" for part in parts)
    instead = ", ".join(f"[{each}]" for each in tables)
    patch = (
        f'# instead of {instead}\n[controls.{name}]\nlabel = {quoted(label)}\nkind = "switch"\n'
        f"positions = [{positions}]\nchannels = [\n{rows}]\n"
    )
    shown = ", ".join(f"“{each}”" for each in labels)
    return SwitchRemark(
        parts,
        keys,
        f"{shown} look like the positions of one switch: exactly one of them is made at any time, and that is "
        "how they were judged; as one switch in a panel file each position is tested in its place",
        patch,
    )
