"""What the diagnosis finds: kinds of fault, classes that evidence cannot tell apart, and one finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchcon.text import printable


class FindingKind(NamedTuple):
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

KINDS: dict[str, FindingKind] = {
    # buttons and switches
    "open": FindingKind(("open", "stuck released"), _OPEN),
    "stuck": FindingKind(
        ("stuck", "shorted to ground"),
        "supply off, take the wire off the part: if the ohmmeter still shows under 1 ohm from the board's pin to the "
        "common, the "
        "wire or the board is shorted; if not, the contact is welded or jammed",
    ),
    "inverted": FindingKind(
        ("inverted", "turned round"),
        "supply off, ohmmeter across the part's terminals in both positions: closed at rest says that the wire is on "
        "the normally "
        "closed terminal or the part is mounted the other way round; open at rest says that the level in the panel "
        "file is wrong",
    ),
    "chattering": FindingKind(
        ("chattering", "loose"),
        "wiggle the loom while the contact is made: drop-outs that follow the loom say a loose wire or solder joint; "
        "drop-outs only "
        "when the part itself is worked say worn or dirty contacts",
    ),
    "crossed": FindingKind(("crossed",), ""),
    "shorted": FindingKind(
        ("shorted", "bridged"),
        "supply off, unplug the connector: under 1 ohm between the two pins on the board's side says a solder bridge "
        "on the board; on "
        "the loom's side, that the wires or the parts' terminals touch",
    ),
    "ghost": FindingKind(
        ("ghost",),
        "",
    ),
    # selectors that the board itself makes out
    "positions crossed": FindingKind(("positions crossed",), ""),
    "position missing": FindingKind(
        ("position missing", "open"),
        "supply off, ohmmeter from the board's pin for that position to the common, in that position",
    ),
    # encoders
    "reversed": FindingKind(("reversed", "turned round"), ""),
    "skipping": FindingKind(
        ("skipping", "chattering"),
        "scope or raw edges on both contacts while turning slowly: missing edges say worn contacts, extra ones "
        "bounce beyond the "
        "board's filter",
    ),
    "other counts": FindingKind(("other counts",), ""),
    "phase open": FindingKind(
        ("phase open",),
        "supply off, ohmmeter from each of the encoder's two pins to the common while turning click by click: the "
        "one that never "
        "closes is open",
    ),
    # potentiometers
    "short of range": FindingKind(
        ("short of range",),
        "supply on, voltmeter at both ends of the track: 0 V and the full supply say the travel is short; less says "
        "the feed is",
    ),
    "other range": FindingKind(("other range",), ""),
    "noisy": FindingKind(
        ("noisy", "loose"),
        "voltmeter or scope from wiper to ground with the shaft still: jumps there say a worn track or a loose "
        "wiper; steady there says "
        "the wire to the board or its ground is bad",
    ),
    # lamps
    "dead": FindingKind(
        ("dead", "open", "turned round"),
        "supply off, meter set to diode test, across the lamp in both directions: a faint glow or about 2 V in the "
        f"right direction says the wire is open; only the other way, that the lamp is turned round; neither, that it "
        f"has failed. {DIODE_TEST}",
    ),
    "always on": FindingKind(
        ("always on", "shorted to supply"),
        "supply off, take the lamp's wire off the board's pin, supply on: if it still burns, the wire touches supply "
        "or ground; if it is out, the driver has failed; supply off before you put it back",
    ),
    "lit together": FindingKind(
        ("lit together", "bridged"),
        "supply off, unplug the connector: under 1 ohm between the two pins on the board's side says a bridge on the "
        "board, on the "
        "loom's side that the wires touch",
    ),
    "dim": FindingKind(
        ("dim", "resistor too large"),
        "ohmmeter across the series resistor, supply off, and its colour code; with the lamp lit, volts across it by "
        "its ohms give the "
        "current",
    ),
    "wrong colour": FindingKind(("wrong colour",), ""),
    "flickering": FindingKind(
        ("flickering", "loose"),
        "wiggle the loom with the lamp lit, by its insulation; steady only when held says a loose wire or a cold joint",
    ),
    # displays
    "segment dead": FindingKind(
        ("segment dead", "segment open"),
        "supply off, meter set to diode test, across the segment: glow or about 2 V says the wire is open, none that "
        f"the segment has failed. {DIODE_TEST}",
    ),
    "segment stuck": FindingKind(
        ("segment stuck", "segment shorted"),
        "supply off, take the segment's wire off the driver, supply on: still lit says a short in the wiring or "
        "display; supply off before you put it back",
    ),
    "segments swapped": FindingKind(("segments swapped",), ""),
    "segments together": FindingKind(
        ("segments together", "segments bridged"), "ohmmeter between the two segment wires, supply off"
    ),
    "digits swapped": FindingKind(("digits swapped",), ""),
    "digit dead": FindingKind(
        ("digit dead", "digit open"), "ohmmeter along the wire to the digit's common, supply off"
    ),
    # whole displays
    "ribbon shifted": FindingKind(
        ("ribbon shifted",), "supply off, and look: a pin of the header is free beside the plug"
    ),
    "ribbon reversed": FindingKind(
        ("ribbon reversed",), "supply off, ohmmeter from the driver's SEG A to the module's A, and to its decimal point"
    ),
    "upside down": FindingKind(("upside down",), "look at the points: they belong at the bottom right of each digit"),
    "common anode": FindingKind(
        ("common anode", "always on"),
        "the module's data sheet; or supply off, meter set to diode test, black on a common and red on a segment: it "
        f"glows if its cathodes are common; the other way round, if its anodes are. {DIODE_TEST}",
    ),
    # what comes and goes
    "misses": FindingKind(
        ("misses", "loose"),
        "supply off, ohmmeter across the part's own terminals while it is worked ten times: if it fails to close there "
        "too, the part is worn; if not, it is a wire or a solder joint",
    ),
    "crosstalk": FindingKind(
        ("crosstalk",),
        "scope on the input while the other contact is worked: a pulse that goes when the two wires are held apart, or "
        "with a pull-up of 1 kilohm, is coupled from wire to wire",
    ),
    "logarithmic": FindingKind(
        ("logarithmic",),
        "the letter on the part: A and B mean one thing here, another there; "
        "supply off, ohmmeter from one end to the wiper in mid-travel: half of the whole says linear",
    ),
    "dead spot": FindingKind(
        ("dead spot",), "supply off, ohmmeter from the wiper to one end while it is turned slowly: open circuit there"
    ),
    "scratchy": FindingKind(
        ("scratchy", "loose"),
        "supply off, ohmmeter from the wiper to one end while it is turned slowly: a needle that jumps all the way "
        "says a worn or dirty track; that jumps when the wires are moved, a loose one",
    ),
    "shared resistor": FindingKind(
        ("shared resistor",),
        "voltmeter across each one's resistor with all of them lit: one that drops nothing, or is "
        "not there, says that they share another's",
    ),
    # anything
    "common open": FindingKind(
        ("common open", "connector off"),
        "supply off, ohmmeter from the board's common to the common at the parts: under 1 ohm says that the "
        "connector is "
        "off or the single wires are broken; open circuit says that the common wire is",
    ),
    "ground crossed": FindingKind(
        ("ground crossed",),
        "supply off, unplug it, ohmmeter from the plug's ground pin to the common of the parts: open circuit, and "
        "under 1 ohm from the one signal pin that works, says that these two wires are changed round",
    ),
    "plug shifted": FindingKind(("plug shifted",), "supply off, and look: a pin of the header is free beside the plug"),
    "plug reversed": FindingKind(
        ("plug reversed", "ribbon mirrored"),
        "supply off, and look where pin 1 of the plug sits; if it sits right, the plug was pressed on mirrored: "
        "ohmmeter from pin 1 of one end of the ribbon to pin 1 of the other",
    ),
    "floating": FindingKind(
        ("floating", "pull-up missing"),
        "supply on, voltmeter from the board's pin to ground with the contact open: steady near 5 V says that the "
        "pull-up is there and something else disturbs; less, or wandering, that it is missing, or not switched on by "
        "the firmware",
    ),
    # one cause of many
    "chip dead": FindingKind(
        ("chip dead", "common open"),
        "supply on, voltmeter between the chip's own supply pins, at the legs: without the full supply it is the feed; "
        "with it, supply off, ohmmeter from leg to leg along its data, clock and load wires; if they are whole, "
        "another chip of its kind in its socket",
    ),
    "chips in another order": FindingKind(
        ("chips in another order",), "supply off, ohmmeter along the data wire from chip to chip, from the board on"
    ),
    "chip bridged": FindingKind(
        ("chip bridged",), "supply off, ohmmeter between the data input and the data output of the chip"
    ),
    "chain shifted": FindingKind(
        ("chain shifted",),
        "the firmware first: it reads or loads once too often or too seldom, or at the wrong edge of the clock; then, "
        "supply on, a scope on the clock at the chip: a pulse more than eight for each chip is ringing or noise",
    ),
    "chip pins reversed": FindingKind(
        ("chip pins reversed", "ribbon mirrored"),
        "supply off, ohmmeter from the chip's pin A (QA) to the wire that should be there, and from H (QH)",
    ),
    "matrix line off": FindingKind(
        ("matrix line off",), "supply off, ohmmeter from the board's pin of this line along to each of its contacts"
    ),
    "matrix lines crossed": FindingKind(
        ("matrix lines crossed",), "supply off, ohmmeter from the board's pin of either line to its contacts"
    ),
    "diodes backwards": FindingKind(
        ("diodes backwards", "connector off"),
        "supply off, meter set to diode test, from a column to a row with its key held, both ways round: about 0.6 V "
        "the wrong way only says that the diodes are turned round; neither way, that the plug or a wire is off",
    ),
    "looms interchanged": FindingKind(
        ("looms interchanged",), "supply off, and look: the two plugs are alike; change them round and mark them"
    ),
    "level inverted": FindingKind(
        ("level inverted",),
        "voltmeter from an input to ground, its contact open, then made: 5 V that goes to 0 V says active low, the "
        "other way round active high: say so in the panel file",
    ),
    "follows": FindingKind(
        ("follows",), "ohmmeter between the two wires both ways round, supply off: a diode's drop one way only"
    ),
    "unexplained": FindingKind(("unexplained",), ""),
    # supplies
    "fed past the switch": FindingKind(
        ("fed past the switch", "switch bridged"),
        "supply off, ohmmeter across the switch's terminals, opened: under 1 ohm says that the switch is welded or "
        "bridged; open there says that what is lit has its plus, or its minus, from elsewhere",
    ),
    "not fed": FindingKind(
        ("not fed", "switch open"),
        "supply on, voltmeter behind the switch, closed: without the full supply it is the switch, its fuse or its "
        "wire; with it, the wire from there to the drivers",
    ),
    # whole boards
    "board reset": FindingKind(
        ("board reset",),
        "supply on, voltmeter between the board's 5 V and ground while it lights: under 4.5 V says that the supply, "
        "its cable or its hub is too weak; steady 5 V, that the firmware hangs or something pulls at RESET",
    ),
    "port lost": FindingKind(
        ("port lost",), "another cable, straight into the computer: if it stays, it was cable or hub"
    ),
    "board silent": FindingKind(("board silent",), ""),
    "went dark": FindingKind(("went dark",), ""),
    "supply lost": FindingKind(
        ("supply lost",), "supply on, voltmeter at the drivers' supply pins while the loom is moved and while it lights"
    ),
    "line damaged": FindingKind(
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
