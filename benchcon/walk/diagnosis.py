"""The diagnosis: from the whole of the evidence to the smallest set of faults that explains it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchcon.panel.model import Panel
from benchcon.walk import contacts, knobs, lights, segments
from benchcon.walk.contacts import Choices
from benchcon.walk.evidence import DigitsLook, Evidence, Hand, LampLook, read_all
from benchcon.walk.findings import Either, Finding
from benchcon.walk.layout import Layout
from benchcon.walk.moments import tell
from benchcon.walk.words import dress


def diagnose(panel: Panel, evidence: Iterable[Evidence | Mapping[str, Any]]) -> list[Finding]:
    """Return what is wrong on `panel`, judging by all of `evidence` together; an empty list: nothing.

    `evidence` holds `Hand`, `LampLook` and `DigitsLook` values in the order in which they happened, or the same as JSON
    objects, as `protocols/walk-report.md` describes them; no board is needed. Steps that were skipped prove nothing.

    Each `Finding` names a kind of fault, the parts and the channels (``board.id``). `Finding.kinds` is its documented
    class: what this evidence cannot tell apart, with the measurement that would in `Finding.decide`. Where several
    sets of faults explain the same evidence equally well, all are returned, marked by `Finding.either`.

    Pure: the same evidence always gives the same findings. Raises `Trouble` with one line for evidence of the wrong
    form and for names that the panel does not have.
    """
    layout = Layout.of(panel)
    given = read_all(evidence)
    story = tell(layout, [each for each in given if isinstance(each, Hand)])
    found: list[Choices] = [
        *contacts.find(layout, story),
        *knobs.find(layout, story),
        *lights.find(layout, [each for each in given if isinstance(each, LampLook)]),
        *segments.find(layout, [each for each in given if isinstance(each, DigitsLook)]),
    ]
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
