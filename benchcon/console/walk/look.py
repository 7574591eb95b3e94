"""What the person sees of the outputs, put together key by key until Enter accepts it."""

from __future__ import annotations

from benchcon.diagnosis.evidence import Seen
from benchcon.walk.interfaces import FaceAnswer
from benchcon.walk.plan import ALL_TO_BE_LIT, Step, lit_but


class LookTaken:
    """One look at the panel. Begin a new one with each step."""

    def __init__(self, step: Step | None = None) -> None:
        self.own = step.parts[0] if step is not None and step.do in ("lamp", "display") else ""
        """The lamp or display that the step is about."""
        self.display = step is not None and step.do == "display"
        several = step is not None and (step.supply or step.do in ALL_TO_BE_LIT)
        self.several = step if several else None
        """A look at several outputs together: what is pointed at is lit; where all should be, it is dark."""
        self.lamps: dict[str, Seen] = {}
        """Every lamp that is lit."""
        self.displays: dict[str, bytes] = {}
        """Displays whose picture was put right, or that show something though they should not."""
        self.last = ""
        """The lamp that was pointed at last."""
        self.dim = self.flickering = False
        """The display's own looks."""

    @property
    def changed(self) -> bool:
        """Whether anything was said that Enter would take."""
        return bool(self.lamps or self.displays or self.dim or self.flickering)

    def point(self, lamp: str) -> None:
        """This lamp is lit; or it is not, after all."""
        if self.lamps.pop(lamp, None) is None:
            self.lamps[lamp] = Seen()
            self.last = lamp
        else:
            self.last = next(reversed(self.lamps), "")

    @property
    def lamp(self) -> str:
        """The lamp that dim, colour and flickering are said of: the one pointed at last, else the one asked about."""
        if self.several is not None:
            return "" if self.several.supply else self.last
        return "" if self.display else self.last or self.own

    def looks(self, how: str) -> None:
        """`lamp`, or the display at hand, is ``dim`` or ``flickering`` (said twice: it is not), or of this colour."""
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
        """A display shows this picture, where `expected` should stand."""
        if picture == expected:
            self.displays.pop(display, None)
        else:
            self.displays[display] = picture

    def words(self, labels: dict[str, str]) -> str:
        """What was said so far, in words; empty: nothing."""
        dark = " dark" if self.several is not None and self.several.do in ALL_TO_BE_LIT else ""
        said = [f"{labels.get(name, name)}{_how(seen) or dark}" for name, seen in self.lamps.items()]
        said += [f"{labels.get(name, name)} shows something else" for name in self.displays]
        said += [word for word, on in (("dim", self.dim), ("flickering", self.flickering)) if on]
        return ", ".join(said)

    def answer(self, number: int, picture: bytes) -> FaceAnswer:
        """The answer to step `number`; `picture` is what the display at hand should show."""
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
    told = ", ".join(filter(None, words))
    return f" ({told})" if told else ""
