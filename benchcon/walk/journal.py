"""The walk's journal: one JSON object a line, written as the walk goes, so that an interrupted walk can continue."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from benchcon.diagnosis.evidence import NOT_DONE, Evidence, as_json, read
from benchcon.errors import Trouble
from benchcon.walk.plan import Group

HOWS = ("done", *NOT_DONE)


@dataclass(slots=True)
class FinishedStep:
    """One finished group: its evidence, how it ended, and notes."""

    group: Group
    evidence: list[Evidence]
    how: str
    """One of `HOWS`."""
    note: str = ""
    took_us: int = 0


def line_of(each: FinishedStep | str) -> dict[str, Any]:
    """Return the journal line of a finished group, or of one (given by name) whose evidence is withdrawn."""
    if isinstance(each, str):
        return {"forget": each}
    return {
        "done": each.group.name,
        "kind": each.group.kind,
        "parts": list(each.group.parts),
        "how": each.how,
        "note": each.note,
        "took_us": each.took_us,
        "evidence": [as_json(e) for e in each.evidence],
    }


def resume(lines: Iterable[Mapping[str, Any]]) -> list[FinishedStep]:
    """Return the finished groups in a journal, in order. Raises `Trouble` for a line of the wrong form."""
    done: dict[str, FinishedStep] = {}
    for number, line in enumerate(lines, 1):
        if "forget" in line:
            done.pop(str(line["forget"]), None)
        elif "done" in line:
            where = f"journal line {number}"
            parts, evidence, took = line.get("parts", ()), line.get("evidence", ()), line.get("took_us", 0)
            how = str(line.get("how", "done"))
            right = isinstance(parts, list | tuple) and isinstance(evidence, list | tuple) and isinstance(took, int)
            if not right or how not in HOWS:
                raise Trouble(f"{where} is not a line of a walk's journal")
            group = Group(str(line["done"]), str(line.get("kind", "")), tuple(map(str, parts)))
            done.pop(group.name, None)
            done[group.name] = FinishedStep(
                group, [read(e, where) for e in evidence], how, str(line.get("note", "")), took
            )
    return list(done.values())
