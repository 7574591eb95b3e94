"""What the person says they see, collected key by key until Enter accepts it."""

from __future__ import annotations

from benchcon.diagnosis.evidence import Seen
from benchcon.walk.interfaces import FaceAnswer
from benchcon.walk.plan import ALL_TO_BE_LIT, Step, lit_but


class LookTaken:
    """One look at the panel; make a new one for each step."""

    def __init__(self, step: Step | None = None) -> None:
        self.own = step.parts[0] if step is not None and step.do in ("lamp", "display") else ""
        """Name of the lamp or display that the step is about; else empty."""
        self.display = step is not None and step.do == "display"
        several = step is not None and (step.supply or step.do in ALL_TO_BE_LIT)
        self.several = step if several else None
        """The step, if it is a look at several outputs. What is pointed at is lit or, if all should be, dark."""
        self.lamps: dict[str, Seen] = {}
        """Every lamp that is lit."""
        self.displays: dict[str, bytes] = {}
        """Displays whose picture was corrected, or that show something although they should not, with segments."""
        self.last = ""
        """Name of the lamp that was last pointed at."""
        self.dim = self.flickering = False
        """Whether the display looks dim; whether it flickers."""

    @property
    def changed(self) -> bool:
        """Whether the person has said anything that Enter would accept."""
        return bool(self.lamps or self.displays or self.dim or self.flickering)

    def point(self, lamp: str) -> None:
        """Note that this lamp is lit, or if it was noted already, that it is not."""
        if self.lamps.pop(lamp, None) is None:
            self.lamps[lamp] = Seen()
            self.last = lamp
        else:
            self.last = next(reversed(self.lamps), "")

    @property
    def lamp(self) -> str:
        """Name of the lamp that `looks` describes: the one last pointed at, else the one asked about."""
        if self.several is not None:
            return "" if self.several.supply else self.last
        return "" if self.display else self.last or self.own

    def looks(self, how: str) -> None:
        """Note that `lamp`, or the current display, is ``dim``, ``flickering`` or of a colour; or undo that."""
        if self.display:
            self.dim ^= how == "dim"
            self.flickering ^= how == "flickering"
        elif name := self.lamp:
            old = self.lamps.get(name, Seen())
            if how == "dim":
                self.lamps[name] = Seen("full" if old.level == "dim" else "dim", old.colour, old.flickering)
            elif how == "flickering":
                self.lamps[name] = Seen(old.level, old.colour, not old.flickering)
            else:
                self.lamps[name] = Seen(old.level, how, old.flickering)

    def shows(self, display: str, picture: bytes, expected: bytes) -> None:
        """Note that a display shows `picture` in place of `expected`."""
        if picture == expected:
            self.displays.pop(display, None)
        else:
            self.displays[display] = picture

    def words(self, labels: dict[str, str]) -> str:
        """Return in words what was said so far; empty if nothing."""
        dark = " dark" if self.several is not None and self.several.do in ALL_TO_BE_LIT else ""
        said = [f"{labels.get(name, name)}{_how(seen) or dark}" for name, seen in self.lamps.items()]
        said += [f"{labels.get(name, name)} shows something else" for name in self.displays]
        said += [word for word, on in (("dim", self.dim), ("flickering", self.flickering)) if on]
        return ", ".join(said)

    def answer(self, number: int, picture: bytes) -> FaceAnswer:
        """Return the answer to step `number`; `picture` is what the current display should show."""
        if not self.changed:
            return FaceAnswer("same", number)
        if self.several is not None:
            looks = {name: seen for name, seen in self.lamps.items() if _how(seen)}
            return FaceAnswer("otherwise", number, lit_but(self.several, self.lamps) | looks)
        displays = dict(self.displays)
        if self.display:
            displays.setdefault(self.own, picture)
        level = "dim" if self.dim else "full"
        return FaceAnswer("otherwise", number, dict(self.lamps), displays, level, self.flickering)


def _how(seen: Seen) -> str:
    words = [seen.level if seen.level != "full" else "", seen.colour, "flickering" if seen.flickering else ""]
    text = ", ".join(filter(None, words))
    return f" ({text})" if text else ""
