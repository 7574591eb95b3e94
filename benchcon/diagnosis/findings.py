"""Findings of the diagnosis: kinds of fault, and which of them the evidence cannot tell apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchcon.kinds import Kind, kinds
from benchcon.text import printable

KINDS: Mapping[str, Kind] = {name: kind for name, kind in kinds().items() if kind.found}
"""Every kind that the diagnosis can find, by its name."""


@dataclass(slots=True)
class BareFinding:
    """A finding that is not yet put into words: kind, channels and detail."""

    kind: str
    channels: tuple[str, ...]
    detail: Mapping[str, Any] = field(default_factory=dict)


Choices = list[list[BareFinding]]
"""Alternative sets of findings, each of which explains the same evidence; a single set is certain."""


@dataclass(frozen=True, slots=True)
class Either:
    """Says that a finding belongs to one of several explanations that fit equally well."""

    group: int
    """Number of the question; findings with the same one are alternatives, or parts of an alternative."""
    choice: int
    """Number of the explanation within the question, from 1; findings with the same one hold together."""
    choices: int
    """Number of explanations."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault that the evidence shows."""

    kind: str
    """One of `KINDS`."""
    parts: tuple[str, ...]
    """Names of the parts. Crossed parts form a ring: the wire of each arrives where the next one's belongs."""
    channels: tuple[str, ...]
    """The channels (``board.id``) where the fault is, in the same order."""
    detail: Mapping[str, Any] = field(default_factory=dict)
    """What the kind has in addition (``segments``, ``digits``, ``counts``, ``position`` and so on), as JSON values."""
    because: str = ""
    look_first: str = ""
    decide: str = ""
    patch: str = ""
    """Lines of a panel file that would correct it instead of the wiring; empty if none can."""
    either: Either | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """All kinds that the evidence cannot tell from `kind`, with `kind` first."""
        if self.kind == "open" and self.detail.get("on"):
            # A knob cannot be stuck open, because it has no released state.
            return ("open", "stuck") if self.detail.get("followed", True) else ("open", "stuck", "phase open")
        if self.kind == "dead" and self.detail.get("on") == "display":
            # A display cannot have a single lead reversed: it is in its socket or not.
            behind = {"driver dead": "driver", "chip bridged": "chip"}
            return ("dead", "open", *(kind for kind, key in behind.items() if self.detail.get(key)))
        if self.kind == "common open" and self.detail.get("chain"):
            return ("common open", "driver dead")
        if self.kind == "common open" and self.detail.get("connector") and not self.detail.get("from"):
            # A plug that is moved or turned round takes its own ground with it.
            return ("common open", "connector off", "plug shifted", "plug reversed")
        if self.kind == "common open" and self.detail.get("part"):
            return ("common open", "part dead")
        if self.kind == "chip dead" and self.detail.get("reads"):
            return ("chip dead",)
        return KINDS[self.kind].same

    @property
    def is_certain(self) -> bool:
        """Whether the evidence leaves no other explanation; “unexplained” is never certain."""
        return self.either is None and self.kind != "unexplained"

    def line(self) -> str:
        """Return the finding as one line of text."""
        what = " or ".join(self.kinds)
        sure = f" [{self.either.choice} of {self.either.choices} explanations]" if self.either else ""
        tail = f"; look first at {self.look_first}" if self.look_first else ""
        return printable(f"{', '.join(self.channels)}: {what}{sure}: {self.because}{tail}").replace("\n", " ")

    def as_json(self) -> dict[str, Any]:
        """Return the finding as JSON values."""
        data: dict[str, Any] = {
            "kind": self.kind,
            "kinds": list(self.kinds),
            "parts": list(self.parts),
            "channels": list(self.channels),
            "detail": dict(self.detail),
            "because": self.because,
            "look_first": self.look_first,
            "decide": self.decide,
            "patch": self.patch,
        }
        if self.either:
            data["either"] = {
                "group": self.either.group,
                "choice": self.either.choice,
                "choices": self.either.choices,
            }
        return data
