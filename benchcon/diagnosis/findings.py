"""What the diagnosis finds: kinds of fault, classes that evidence cannot tell apart, and one finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchcon.text import printable


class Kind(NamedTuple):
    """One kind of fault, in the trade's words."""

    same: tuple[str, ...]
    """What the evidence cannot tell from it; the kind itself first. One name: it stands alone."""
    decide: str
    """The measurement that decides between them; empty where there is nothing to decide."""


_OPEN = (
    "supply off, ohmmeter from the board's pin to the common while the contact is made by hand: under 1 ohm says "
    "that wire and "
    "contact are whole and the board's input is at fault; open circuit there but under 1 ohm across the part's own "
    "terminals says "
    "the wire is broken; open across the terminals too says the contact never makes"
)

DIODE_TEST = (
    "A meter whose diode test gives less than 3 V shows no blue, white or bright green LED, however good it is (common "
    "practice; the forward voltage is in the LED's data sheet): for those take 5 V through 1 kilohm"
)
"""What a diode test cannot tell."""

KINDS: dict[str, Kind] = {
    # buttons and switches
    "open": Kind(("open", "stuck released"), _OPEN),
    "stuck": Kind(
        ("stuck", "shorted to ground"),
        "supply off, take the wire off the part: if the ohmmeter still shows under 1 ohm from the board's pin to the "
        "common, the "
        "wire or the board is shorted; if not, the contact is welded or jammed",
    ),
    "inverted": Kind(
        ("inverted", "turned round"),
        "supply off, ohmmeter across the part's terminals in both positions: closed at rest says that the wire is on "
        "the normally "
        "closed terminal or the part is mounted the other way round; open at rest says that the level in the panel "
        "file is wrong",
    ),
    "chattering": Kind(
        ("chattering", "loose"),
        "wiggle the loom while the contact is made: drop-outs that follow the loom say a loose wire or solder joint; "
        "drop-outs only "
        "when the part itself is worked say worn or dirty contacts",
    ),
    "crossed": Kind(("crossed",), ""),
    "shorted": Kind(
        ("shorted", "bridged"),
        "supply off, unplug the connector: under 1 ohm between the two pins on the board's side says a solder bridge "
        "on the board; on "
        "the loom's side, that the wires or the parts' terminals touch",
    ),
    "ghost": Kind(
        ("ghost",),
        "",
    ),
    # selectors that the board itself makes out
    "positions crossed": Kind(("positions crossed",), ""),
    "position missing": Kind(
        ("position missing", "open"),
        "supply off, ohmmeter from the board's pin for that position to the common, in that position",
    ),
    # encoders
    "reversed": Kind(("reversed", "turned round"), ""),
    "skipping": Kind(
        ("skipping", "chattering"),
        "scope or raw edges on both contacts while turning slowly: missing edges say worn contacts, extra ones "
        "bounce beyond the "
        "board's filter",
    ),
    "other counts": Kind(("other counts",), ""),
    "phase open": Kind(
        ("phase open",),
        "supply off, ohmmeter from each of the encoder's two pins to the common while turning click by click: the "
        "one that never "
        "closes is open",
    ),
    # potentiometers
    "short of range": Kind(
        ("short of range",),
        "supply on, voltmeter at both ends of the track: 0 V and the full supply say the travel is short; less says "
        "the feed is",
    ),
    "other range": Kind(("other range",), ""),
    "noisy": Kind(
        ("noisy", "loose"),
        "voltmeter or scope from wiper to ground with the shaft still: jumps there say a worn track or a loose "
        "wiper; steady there says "
        "the wire to the board or its ground is bad",
    ),
    # lamps
    "dead": Kind(
        ("dead", "open", "turned round"),
        "supply off, meter set to diode test, across the lamp in both directions: a faint glow or about 2 V in the "
        f"right direction says the wire is open; only the other way, that the lamp is turned round; neither, that it "
        f"has failed. {DIODE_TEST}",
    ),
    "always on": Kind(
        ("always on", "shorted to supply"),
        "supply off, take the lamp's wire off the board's pin, supply on: if it still burns, the wire touches supply "
        "or ground; if it is out, the driver has failed; supply off before you put it back",
    ),
    "lit together": Kind(
        ("lit together", "bridged"),
        "supply off, unplug the connector: under 1 ohm between the two pins on the board's side says a bridge on the "
        "board, on the "
        "loom's side that the wires touch",
    ),
    "dim": Kind(
        ("dim", "resistor too large"),
        "ohmmeter across the series resistor, supply off, and its colour code; with the lamp lit, volts across it by "
        "its ohms give the "
        "current",
    ),
    "wrong colour": Kind(("wrong colour",), ""),
    "flickering": Kind(
        ("flickering", "loose"),
        "wiggle the loom with the lamp lit, by its insulation; steady only when held says a loose wire or a cold joint",
    ),
    # displays
    "segment dead": Kind(
        ("segment dead", "segment open"),
        "supply off, meter set to diode test, across the segment: glow or about 2 V says the wire is open, none that "
        f"the segment has failed. {DIODE_TEST}",
    ),
    "segment stuck": Kind(
        ("segment stuck", "segment shorted"),
        "supply off, take the segment's wire off the driver, supply on: still lit says a short in the wiring or "
        "display; supply off before you put it back",
    ),
    "segments swapped": Kind(("segments swapped",), ""),
    "segments together": Kind(
        ("segments together", "segments bridged"), "ohmmeter between the two segment wires, supply off"
    ),
    "places swapped": Kind(("places swapped",), ""),
    "place dead": Kind(("place dead", "place open"), "ohmmeter along the wire to the place's common, supply off"),
    # anything
    "common open": Kind(
        ("common open", "connector off"),
        "supply off, ohmmeter from the board's common to the common at the parts: under 1 ohm says that the "
        "connector is "
        "off or the single wires are broken; open circuit says that the common wire is",
    ),
    "ground crossed": Kind(
        ("ground crossed",),
        "supply off, unplug it, ohmmeter from the plug's ground pin to the common of the parts: open circuit, and "
        "under 1 ohm from the one signal pin that works, says that these two wires are changed round",
    ),
    "plug shifted": Kind(("plug shifted",), "supply off, and look: a pin of the header is free beside the plug"),
    "plug reversed": Kind(
        ("plug reversed", "ribbon mirrored"),
        "supply off, and look where pin 1 of the plug sits; if it sits right, the plug was pressed on mirrored: "
        "ohmmeter from pin 1 of one end of the ribbon to pin 1 of the other",
    ),
    "floating": Kind(
        ("floating", "pull-up missing"),
        "supply on, voltmeter from the board's pin to ground with the contact open: steady near 5 V says that the "
        "pull-up is there and something else disturbs; less, or wandering, that it is missing, or not switched on by "
        "the firmware",
    ),
    # one cause of many
    "chip dead": Kind(
        ("chip dead", "common open"),
        "supply on, voltmeter between the chip's own supply pins, at the legs: without the full supply it is the feed; "
        "with it, supply off, ohmmeter from leg to leg along its data, clock and load wires; if they are whole, "
        "another chip of its kind in its socket",
    ),
    "chips in another order": Kind(
        ("chips in another order",), "supply off, ohmmeter along the data wire from chip to chip, from the board on"
    ),
    "chip bridged": Kind(
        ("chip bridged",), "supply off, ohmmeter between the data input and the data output of the chip"
    ),
    "chain shifted": Kind(
        ("chain shifted",),
        "the firmware first: it reads or loads once too often or too seldom, or at the wrong edge of the clock; then, "
        "supply on, a scope on the clock at the chip: a pulse more than eight for each chip is ringing or noise",
    ),
    "chip pins reversed": Kind(
        ("chip pins reversed", "ribbon mirrored"),
        "supply off, ohmmeter from the chip's pin A (QA) to the wire that should be there, and from H (QH)",
    ),
    "matrix line off": Kind(
        ("matrix line off",), "supply off, ohmmeter from the board's pin of this line along to each of its contacts"
    ),
    "matrix lines crossed": Kind(
        ("matrix lines crossed",), "supply off, ohmmeter from the board's pin of either line to its contacts"
    ),
    "diodes backwards": Kind(
        ("diodes backwards", "connector off"),
        "supply off, meter set to diode test, from a column to a row with its key held, both ways round: about 0.6 V "
        "the wrong way only says that the diodes are turned round; neither way, that the plug or a wire is off",
    ),
    "looms interchanged": Kind(
        ("looms interchanged",), "supply off, and look: the two plugs are alike; change them round and mark them"
    ),
    "level inverted": Kind(
        ("level inverted",),
        "voltmeter from an input to ground, its contact open, then made: 5 V that goes to 0 V says active low, the "
        "other way round active high: say so in the panel file",
    ),
    "follows": Kind(
        ("follows",), "ohmmeter between the two wires both ways round, supply off: a diode's drop one way only"
    ),
    "unexplained": Kind(("unexplained",), ""),
    # whole boards
    "board reset": Kind(
        ("board reset",),
        "supply on, voltmeter between the board's 5 V and ground while it lights: under 4.5 V says that the supply, "
        "its cable or its hub is too weak; steady 5 V, that the firmware hangs or something pulls at RESET",
    ),
    "port lost": Kind(("port lost",), "another cable, straight into the computer: if it stays, it was cable or hub"),
    "board silent": Kind(("board silent",), ""),
    "went dark": Kind(("went dark",), ""),
    "supply lost": Kind(
        ("supply lost",), "supply on, voltmeter at the drivers' supply pins while the loom is moved and while it lights"
    ),
    "line damaged": Kind(
        ("line damaged",), "another cable, straight into the computer; then a lower baud rate: fewer bad lines say line"
    ),
}
"""Every kind, by the name that findings carry."""


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
    """What the kind needs besides: ``segments``, ``places``, ``counts``, ``position``, ``colour`` and so on; JSON
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
        if self.kind == "dead" and self.detail.get("on") == "digits":
            return ("dead", "open")  # a display is in its socket or not; no single lead of it can be turned round
        if self.kind == "common open" and self.detail.get("chain"):
            return ("common open", "driver dead")
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
