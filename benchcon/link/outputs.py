"""What the outputs of one board are to show: what is wanted, what is on its way, what is held back. No I/O, no clock.

| an output | a value is wanted | may it go? | it is answered |
|---|---|---|---|
| still | on its way, or held | – | – |
| held | the new value takes the place of the old | on its way | – |
| on its way | waits behind it; only the last one wanted is kept | – | still, or on its way with what waited |

One value of an output is on its way at a time: a line that was lost and is repeated can so never undo a later one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

from benchcon.link import limits
from benchcon.link.limits import Allowance, Together
from benchcon.link.wishes import HeldBack, Output, Wish, WishDone
from benchcon.wire.items import Item, digits_in

REQUEST_BYTES = 58
"""Room for the settings of one request: a line of 79 less ``>01 set `` and the check, and a little."""
_RECORD_EVERY_US = 1_000_000
UNHEARD_US = 1_000_000
"""A board that does not answer keeps nobody waiting for longer than it takes to give a request up (four tries)."""
_more_ma = itemgetter(0)


class BoardOutputs:
    """The outputs of one board.

    `allowance` is what they may take together; `together` is the flash limit that they share with other boards.
    """

    def __init__(self, allowance: Allowance | None = None, together: Together | None = None) -> None:
        self.allowance = allowance or Allowance()
        self._together = together or Together()
        self.held_back: dict[str, int] = {}
        """How many values were held back, by reason."""
        self.stalled = False
        """The board left a request unanswered: nothing is lit until it answers again."""
        self._outputs: dict[str, Output] = {}
        self._stirring: dict[str, Output] = {}
        """Those of which something is wanted or to be reported, or that blink: all that `due` has to look at."""
        self._items: dict[str, Item] = {}
        self._done: list[WishDone] = []
        self._told: list[HeldBack] = []
        self._blinks: dict[str, bool] = {}
        """Which outputs began to blink, or ended that, since it was last told."""
        self._sums: dict[str, float] = {}
        """What lamps and displays take together, while `due` looks what may go; empty: not worked out yet."""
        self._taken: dict[str, dict[str, float]] = {"lamp": {}, "display": {}}
        """What each of them takes at most, as `_takes` last worked it out."""
        self._changed: dict[str, Output] = {}
        """Those that may take something else by now."""
        self._wink: Any = None
        """The token of a wink that waits its turn."""
        self._wink_sent = False
        self._wink_over_us = 0

    # --- what is known ---------------------------------------------------------------------------------------------

    def describe(self, items: Sequence[Item], now_us: int) -> None:
        """Take the board's description."""
        self._items = {item.id: item for item in items if item.is_channel}
        for channel, output in list(self._outputs.items()):
            fresh = Output(channel, self._items.get(channel))
            if output.sent is None and fresh.nature != output.nature:
                fresh.flash.fill(now_us)  # nobody knows what its flashes would have been by the new measure
                fresh.wanted, fresh.wishes = output.wanted, output.wishes
                self._outputs[channel] = fresh
                self._stirring[channel] = fresh
        self._all_changed()

    def stands(self, channel: str, value: int, now_us: int) -> None:
        """The board says (answer to ``read``) that this output has this value."""
        item = self._items.get(channel)
        if item is not None and item.is_output:
            output = self._output(channel)
            if output.sent is None:
                output.at = value
                self._changed[channel] = output
                self._move(output, value)
                self._there(output, now_us)
            output.lit = value or output.lit

    def all_off(self, why: str, now_us: int) -> None:
        """The board went ``dark`` or through a ``reset``: everything is off, and nothing is wanted any more."""
        self._all_changed()
        for output in self._outputs.values():
            output.at = 0
            output.undone = output.sent is not None
            self._blinking(output, False)
            self._move(output, 0)
            self._drop(output, None, why)

    def value(self, channel: str) -> int:
        """Return the value an output has, or 0."""
        output = self._outputs.get(channel)
        return output.at if output else 0

    def lit(self, channel: str) -> int:
        """Return the last value of an output that was not dark, or 0."""
        output = self._outputs.get(channel)
        return output.lit if output else 0

    def digits(self, channel: str) -> int | None:
        """Return how many digits a display has; None if it is none, or not known."""
        item = self._items.get(channel)
        return digits_in(item.detail) if item is not None and item.kind == "display" else None

    # --- what is wanted --------------------------------------------------------------------------------------------

    def want(self, values: Mapping[str, int], token: Any) -> None:
        """Have these outputs show these values; `token` comes back in a `WishDone`."""
        wish = Wish(token, values)
        for channel, value in values.items():
            output = self._output(channel)
            self._blinking(output, False)
            self._want(output, value)
            output.wishes.append(wish)

    def blink(self, channel: str, on: bool, full: int) -> None:
        """Let an output blink at 1 Hz, in step with all others, at its last value or at `full`; or end that, dark."""
        output = self._output(channel)
        if on:
            output.lit = output.lit or full
        if output.blinking and not on:
            self._want(output, 0)
        self._blinking(output, on)

    def want_wink(self, token: Any) -> None:
        """Have the board wink, as soon as that makes nothing flash too often. One that waits already is enough."""
        if self._wink is not None:
            self._done.append(WishDone(token, None, "wink"))
            self._count("wink")
        else:
            self._wink = token

    # --- what goes -------------------------------------------------------------------------------------------------

    def due(self, now_us: int) -> list[dict[str, int]]:
        """Return what may be set now, each dict one request, and count it as on its way."""
        if not self._stirring:
            return []
        waiting: list[tuple[float, Output]] = []
        """With how much more each would take than it does."""
        for output in self._those_stirring():
            if output.wanted is None and not output.blinking and not output.held_count:
                del self._stirring[output.id]
                continue
            if output.held_count:
                self._tell(output, now_us)
            if output.blinking:
                value = output.lit if (now_us // limits.BLINK_HALF_US) % 2 == 0 else 0
                if value != (output.at if output.sent is None else output.sent) or output.wanted is not None:
                    self._want(output, value)
            if output.wanted is not None and output.sent is None:
                waiting.append((self._share(output, output.wanted) - self._share(output, output.at), output))
        if not waiting:
            return []
        # What makes room goes before what needs room.
        waiting.sort(key=_more_ma)
        going = []
        self._sums = {}
        for more_ma, output in waiting:
            why = self._why_not(output, more_ma, now_us)
            if why:
                self._hold(output, why, now_us)
            else:
                self._go(output)
                if output.kind in self._sums:  # until it is answered, the larger of what was and what will be
                    self._sums[output.kind] += max(more_ma, 0.0)
                going.append(output)
        return self._requests(going)

    def wink_due(self, now_us: int) -> bool:
        """Return whether a wink is to go now, and count it as on its way."""
        if self._wink is None or self._wink_sent or now_us < self._wink_opens_us(now_us):
            return False
        self._wink_sent = True
        return True

    def deadline_us(self, now_us: int) -> int | None:
        """Return when to call `due` again at the latest, or None if only an answer can change anything."""
        if not self._stirring and self._wink is None:
            return None
        times = []
        for output in self._stirring.values():
            if output.held_count:
                times.append(output.tell_us)
            if output.blinking:
                times.append((now_us // limits.BLINK_HALF_US + 1) * limits.BLINK_HALF_US)
            if output.unheard_us is not None:
                times.append(output.unheard_us + UNHEARD_US)
            waits = output.wanted is not None and output.sent is None and not self._wink_sent
            if waits and output.held in ("flash", "wink"):
                times.append(max(output.flash.opens_us(), self._wink_over_us, self._together.opens_us(now_us)))
        if self._wink is not None and not self._wink_sent:
            times.append(self._wink_opens_us(now_us))
        return min(times, default=None)

    # --- what came of it -------------------------------------------------------------------------------------------

    def answered(self, channels: Iterable[str], outcome: Any, set_as_asked: bool, heard: bool, now_us: int) -> None:
        """A request of `due` has an outcome. `heard` is False if the board did not answer at all."""
        for channel in channels:
            output = self._outputs[channel]
            self._there(output, now_us)
            if output.sent is not None:
                if set_as_asked:
                    output.at = output.sent
                elif not heard:
                    # Nobody knows; for the current the larger of the two counts.
                    output.at = max(output.at, output.sent, key=lambda value: self._share(output, value))
                output.sent = None
                self._changed[channel] = output
                if output.undone and output.at and output.wanted is None:
                    self._want(output, 0)
                output.undone = False
            behind, output.behind = output.behind, []
            for wish in behind:
                self._settle(wish, channel, outcome, set_as_asked)
        self.stalled = not heard

    def heard(self) -> None:
        """The board answered something."""
        self.stalled = False

    def heard_nothing(self) -> None:
        """The board left a request unanswered."""
        self.stalled = True

    def allow(self, allowance: Allowance) -> None:
        """Set how much the outputs may draw together from now on."""
        self.allowance = allowance
        self._all_changed()

    def winked(self, outcome: Any, did: bool, now_us: int) -> None:
        """The wink of `wink_due` has an outcome; `did` is False if the board refused it."""
        token, self._wink, self._wink_sent = self._wink, None, False
        if did:
            self._wink_over_us = now_us + limits.WINK_US
            self._together.wink(self._wink_over_us)
            for output in self._outputs.values():
                output.flash.fill(self._wink_over_us)
        self._done.append(WishDone(token, outcome, ""))

    def drop_all(self, outcome: Any, now_us: int) -> None:
        """The port is lost or given up: nothing is wanted or on its way any more."""
        self.answered([o.id for o in self._outputs.values() if o.sent is not None], outcome, False, True, now_us)
        for output in self._outputs.values():
            self._blinking(output, False)
            self._drop(output, outcome, "")
        if self._wink is not None:
            self.winked(outcome, False, now_us)

    def take_done(self) -> list[WishDone]:
        """Return the wishes answered for since the last call."""
        done, self._done = self._done, []
        return done

    @property
    def untold(self) -> bool:
        """Whether `take_done`, `take_held` or `take_blinks` has something to report."""
        return bool(self._done or self._told or self._blinks)

    def take_held(self) -> list[HeldBack]:
        """Return what was held back since the last call, at most one a second and output."""
        told, self._told = self._told, []
        return told

    def take_blinks(self) -> dict[str, bool]:
        """Return which outputs began to blink (True), or ended that, since the last call."""
        blinks, self._blinks = self._blinks, {}
        return blinks

    # --- inside ----------------------------------------------------------------------------------------------------

    def _those_stirring(self) -> list[Output]:
        """In the order in which the outputs were first heard of, whatever was wanted first."""
        if len(self._stirring) == 1:
            return list(self._stirring.values())
        return [output for output in self._outputs.values() if output.id in self._stirring]

    def _output(self, channel: str) -> Output:
        output = self._outputs.get(channel)
        if output is None:
            output = self._outputs[channel] = Output(channel, self._items.get(channel))
            if self._wink_over_us:
                output.flash.fill(self._wink_over_us)
        return output

    def _blinking(self, output: Output, on: bool) -> None:
        if output.blinking != on:
            output.blinking = on
            self._stirring[output.id] = output
            self._blinks[output.id] = on

    def _want(self, output: Output, value: int) -> None:
        if output.wanted != value:
            output.held = ""
        output.wanted = value
        output.lit = value or output.lit
        self._stirring[output.id] = output

    def _share(self, output: Output, value: int) -> float:
        return self.allowance.share_ma(output.id, output.kind, value, output.dimmed)

    def _all_changed(self) -> None:
        self._taken = {"lamp": {}, "display": {}}
        self._changed = dict(self._outputs)

    def _takes(self, output: Output) -> float:
        """What an output takes at most: until a board has answered, the larger of what was and what will be."""
        return max(self._share(output, output.at), self._share(output, output.sent or 0))

    def _fits(self, candidate: Output, more_ma: float) -> bool:
        """Whether there is room for what `candidate` wants. `_sums` is made once for all that wait together."""
        if more_ma <= 0:
            return True
        if not self._sums:
            for output in self._changed.values():
                if output.kind in self._taken:
                    self._taken[output.kind][output.id] = self._takes(output)
            self._changed.clear()
            self._sums = {kind: sum(each.values()) for kind, each in self._taken.items()}
        lamps_ma, digits_ma = self._sums["lamp"], self._sums["display"]
        if candidate.kind == "lamp":
            lamps_ma += more_ma
        elif candidate.kind == "display":
            digits_ma += more_ma
        return self.allowance.fits(lamps_ma, digits_ma)

    def _why_not(self, output: Output, more_ma: float, now_us: int) -> str:
        height = output.height(output.wanted or 0)
        rises = output.flash.is_rise(height)
        if rises or more_ma > 0:
            if self.stalled:
                return "no answer"
            if self._wink_sent or now_us < self._wink_over_us:
                return "wink"
            if rises and not (output.flash.may(height, now_us) and self._together.may(now_us)):
                return "flash"
            if not self._fits(output, more_ma):
                return "current"
        return ""

    def _hold(self, output: Output, why: str, now_us: int) -> None:
        if output.held != why:
            output.held = why
            output.held_why = why
            output.held_count += 1
            self._count(why)
            self._tell(output, now_us)
        if why != "no answer" or not output.wishes:
            output.unheard_us = None
        elif output.unheard_us is None:
            output.unheard_us = now_us
        if why == "current" or (output.unheard_us is not None and now_us - output.unheard_us >= UNHEARD_US):
            for wish in output.wishes:
                if wish.left:  # one for several outputs is told once
                    self._done.append(WishDone(wish.token, None, why))
                wish.left.clear()
            output.wishes, output.unheard_us = [], None

    def _count(self, why: str) -> None:
        self.held_back[why] = self.held_back.get(why, 0) + 1

    def _tell(self, output: Output, now_us: int) -> None:
        if output.held_count and now_us >= output.tell_us:
            waits = output.on_wire(output.wanted) if output.held and output.wanted is not None else ""
            self._told.append(HeldBack(output.id, output.held_why, output.held_count, waits))
            output.held_count = 0
            output.tell_us = now_us + _RECORD_EVERY_US

    def _go(self, output: Output) -> None:
        value = output.wanted or 0
        output.held, output.unheard_us = "", None
        output.sent, output.wanted = value, None
        self._changed[output.id] = output
        output.behind, output.wishes = output.wishes, []
        self._move(output, value)

    def _move(self, output: Output, value: int) -> None:
        """An output is being sent to this value, or goes there by itself; both flash limits learn of it."""
        rose = output.flash.rising
        output.flash.go(output.height(value))
        if output.flash.rising and not rose:
            self._together.rise((self, output.id))
        elif rose and not output.flash.rising:
            self._together.fall((self, output.id))

    def _there(self, output: Output, now_us: int) -> None:
        output.flash.there(now_us)
        self._together.there((self, output.id), now_us)

    def _drop(self, output: Output, outcome: Any, why: str) -> None:
        output.wanted = None
        output.held, output.unheard_us = "", None
        wishes, output.wishes = output.wishes, []
        for wish in wishes:
            self._settle(wish, output.id, outcome, False, why)

    def _settle(self, wish: Wish, channel: str, outcome: Any, good: bool, why: str = "") -> None:
        if channel not in wish.left:
            return  # told already that it is held back
        wish.left.discard(channel)
        if wish.outcome is None or not good:
            wish.outcome = outcome
        if not wish.left:
            self._done.append(WishDone(wish.token, wish.outcome, "" if wish.outcome is not None else why))

    def _requests(self, going: list[Output]) -> list[dict[str, int]]:
        """Pack settings into requests; what the board may refuse goes alone, so that it takes nothing else with it."""
        if len(going) == 1:
            return [{going[0].id: going[0].sent or 0}]
        alone: list[dict[str, int]] = []
        packed: list[dict[str, int]] = []
        room = 0
        for output in going:
            value = output.sent or 0
            if not output.known or (output.kind == "lamp" and value > 1000):
                alone.append({output.id: value})
                continue
            needs = len(output.word(value)) + 1
            if needs > room:
                packed.append({})
                room = REQUEST_BYTES
            packed[-1][output.id] = value
            room -= needs
        return packed + alone

    def words(self, values: Mapping[str, int]) -> tuple[str, ...]:
        """Return the words of the request for one dict of `due`."""
        return ("set", *[self._outputs[channel].word(value) for channel, value in values.items()])

    def _wink_opens_us(self, now_us: int) -> int:
        return max(self._wink_over_us, self._quiet_us(), self._together.wink_opens_us(now_us))

    def _quiet_us(self) -> int:
        return max((output.flash.still_since_us + limits.WINDOW_US for output in self._outputs.values()), default=0)
