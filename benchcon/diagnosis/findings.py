"""What the diagnosis finds: kinds of fault, classes that evidence cannot tell apart, and one finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchcon.kinds import Kind, kinds
from benchcon.text import printable

DIODE_TEST = (
    "A meter whose diode test gives less than 3 V shows no blue, white or bright green LED, however good it is (common "
    "practice; the forward voltage is in the LED's data sheet): for those take 5 V through 1 kilohm"
)
"""What a diode test cannot tell."""

KINDS: Mapping[str, Kind] = {name: kind for name, kind in kinds().items() if kind.found}
"""Every kind that the diagnosis can name, by the name that findings carry."""


@dataclass(slots=True)
class BareFinding:
    """A finding before it is put into words: kind and channels."""

    kind: str
    channels: tuple[str, ...]
    detail: Mapping[str, Any] = field(default_factory=dict)


Choices = list[list[BareFinding]]
"""Sets of findings, any one of which explains the same evidence; one set: it is sure."""


@dataclass(frozen=True, slots=True)
class Either:
    """A finding that is one of several explanations that fit equally well."""

    group: int
    """Findings with the same number belong to the same question."""
    choice: int
    """Findings with the same number here stand or fall together; 1 the first."""
    choices: int
    """How many explanations there are."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault that the evidence speaks for."""

    kind: str
    """One of `KINDS`."""
    parts: tuple[str, ...]
    """Names on the panel. Crossed: in a ring, the wire of each arrives where the next one's belongs."""
    channels: tuple[str, ...]
    """``board.id``, the channels where the fault lies, in the same order."""
    detail: Mapping[str, Any] = field(default_factory=dict)
    """What the kind needs besides: ``segments``, ``digits``, ``counts``, ``position``, ``colour`` and so on; JSON
    values."""
    because: str = ""
    look_first: str = ""
    decide: str = ""
    patch: str = ""
    """Lines of a panel file that would mend it as well; empty: only a soldering iron will."""
    either: Either | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """The documented class: everything that the evidence cannot tell from `kind`, `kind` first."""
        if self.kind == "open" and self.detail.get("on"):
            # A knob has no released state that it could be stuck in.
            return ("open", "stuck") if self.detail.get("followed", True) else ("open", "stuck", "phase open")
        if self.kind == "dead" and self.detail.get("on") == "display":
            # A display is in its socket or not; no single lead of it can be turned round.
            behind = {"driver dead": "driver", "chip bridged": "chip"}
            return ("dead", "open", *(kind for kind, key in behind.items() if self.detail.get(key)))
        if self.kind == "common open" and self.detail.get("chain"):
            return ("common open", "driver dead")
        if self.kind == "common open" and self.detail.get("connector") and not self.detail.get("from"):
            # Moved or turned round, it takes its own ground with it.
            return ("common open", "connector off", "plug shifted", "plug reversed")
        if self.kind == "common open" and self.detail.get("part"):
            return ("common open", "part dead")
        if self.kind == "chip dead" and self.detail.get("reads"):
            return ("chip dead",)
        return KINDS[self.kind].same

    def line(self) -> str:
        """The finding on one line."""
        what = " or ".join(self.kinds)
        sure = f" [{self.either.choice} of {self.either.choices} explanations]" if self.either else ""
        tail = f"; look first at {self.look_first}" if self.look_first else ""
        return printable(f"{', '.join(self.channels)}: {what}{sure}: {self.because}{tail}").replace("\n", " ")

    def as_json(self) -> dict[str, Any]:
        """Return the finding as plain JSON values."""
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
