"""The outputs of one board: which values are wanted, on their way, or held back. No I/O, no clock.

| an output that is | when a value is wanted | when it may go | when it is answered |
|---|---|---|---|
| idle | on its way, or held | – | – |
| held | the new value replaces the old | on its way | – |
| on its way | the value waits; only the last one wanted is kept | – | idle, or on its way with the value that waited |

Only one value of an output is on its way at a time, so that a line which was lost and is repeated cannot undo a later
one.
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
"""Room for the settings of one request: a line of 79 bytes less ``>01 set ``, the check and a reserve."""
_RECORD_EVERY_US = 1_000_000
UNHEARD_US = 1_000_000
"""A wish is reported as held after this long without an answer: the time that it takes to give a request up."""
_more_ma = itemgetter(0)


class BoardOutputs:
    """The outputs of one board.

    `allowance` is the current that they may draw; `together` is the flash limit that they share with other boards.
    """

    def __init__(self, allowance: Allowance | None = None, together: Together | None = None) -> None:
        self.allowance = allowance or Allowance()
        self._together = together or Together()
        self.held_back: dict[str, int] = {}
        """How many values were held back, by reason."""
        self.stalled = False
        """Whether the board left a request unanswered; nothing is lit until it answers again."""
        self._outputs: dict[str, Output] = {}
        self._active: dict[str, Output] = {}
        """The outputs that `due` has to look at: a value is wanted, something is to be reported, or they blink."""
        self._items: dict[str, Item] = {}
        self._outdated: set[str] = set()
        """Outputs that the description makes another kind of once what is on its way to them is answered."""
        self._done: list[WishDone] = []
        self._held: list[HeldBack] = []
        self._blinks: dict[str, bool] = {}
        """Outputs that began to blink (True) or stopped (False) since the last report."""
        self._drawn_ma = {"lamp": 0.0, "display": 0.0}
        """What all lamps and all displays draw at most: the sums of `Output.draws_ma`."""
        self._wink: Any = None
        """The token of a wink that waits or is on its way."""
        self._wink_sent = False
        self._wink_over_us = 0

    # --- what is known ---------------------------------------------------------------------------------------------

    def describe(self, items: Sequence[Item], now_us: int) -> None:
        """Take the board's description, which says what its channels are."""
        self._items = {item.id: item for item in items if item.is_channel}
        self._outdated.clear()
        for output in list(self._outputs.values()):
            self._as_described(output, now_us)
        self._weigh_all()

    def stands(self, channel: str, value: int, now_us: int) -> None:
        """Take the value that the board gives for an output in its answer to ``read``."""
        item = self._items.get(channel)
        if item is not None and item.is_output:
            output = self._output(channel)
            if output.sent is None:
                output.at = value
                self._weigh(output)
                self._move(output, value)
                self._there(output, now_us)
            output.lit = value or output.lit

    def all_off(self, why: str, now_us: int) -> None:
        """Note that everything is off and nothing is wanted any more; `why` is as in `HELD_WHYS`."""
        for output in self._outputs.values():
            output.at = 0
            output.undone = output.sent is not None
            self._blinking(output, False)
            self._move(output, 0)
            self._drop(output, None, why)
        self._weigh_all()
        if self._wink is not None and not self._wink_sent:
            self._done.append(WishDone(self._wink, None, why))
            self._wink = None

    def value(self, channel: str) -> int:
        """Return the value that an output has, on the wire; 0 if not known."""
        output = self._outputs.get(channel)
        return output.at if output else 0

    def lit(self, channel: str) -> int:
        """Return the last value of an output that was not 0; 0 if there was none."""
        output = self._outputs.get(channel)
        return output.lit if output else 0

    def digits(self, channel: str) -> int | None:
        """Return how many digits a display has; None if `channel` is not known to be a display."""
        item = self._items.get(channel)
        return digits_in(item.detail) if item is not None and item.kind == "display" else None

    # --- what is wanted --------------------------------------------------------------------------------------------

    def want(self, values: Mapping[str, int], token: Any) -> None:
        """Set outputs to these values (channel id → value on the wire) when possible; see `take_done` for `token`."""
        wish = Wish(token, values)
        for channel, value in values.items():
            output = self._output(channel)
            self._blinking(output, False)
            self._want(output, value)
            output.wishes.append(wish)

    def blink(self, channel: str, on: bool, full: int) -> None:
        """Let an output blink at 1 Hz, in step with all others, at its last value or else `full`; or end that, off."""
        output = self._output(channel)
        if on:
            output.lit = output.lit or full
        if output.blinking and not on:
            self._want(output, 0)
        self._blinking(output, on)

    def want_wink(self, token: Any) -> None:
        """Have the board wink as soon as the flash limits allow; refused as held if another wink still waits."""
        if self._wink is not None:
            self._done.append(WishDone(token, None, "wink"))
            self._count("wink")
        else:
            self._wink = token

    # --- what goes -------------------------------------------------------------------------------------------------

    def due(self, now_us: int) -> list[dict[str, int]]:
        """Return the values that may be sent now, one dict per request, and count them as on their way."""
        if not self._active:
            return []
        waiting: list[tuple[float, Output]] = []
        """(how many mA more each would draw, the output)."""
        for output in self._active_outputs():
            if output.wanted is None and not output.blinking and not output.held_count:
                del self._active[output.id]
                continue
            if output.held_count:
                self._tell(output, now_us)
            if output.blinking:
                value = output.lit if (now_us // limits.BLINK_HALF_US) % 2 == 0 else 0
                if value != (output.at if output.sent is None else output.sent) or output.wanted is not None:
                    self._want(output, value)
            if output.wanted is not None and output.sent is None:
                waiting.append((self._share(output, output.wanted) - output.draws_ma, output))
        if not waiting:
            return []
        # Values that make room go before those that need room.
        waiting.sort(key=_more_ma)
        going = []
        for more_ma, output in waiting:
            why = self._why_not(output, more_ma, now_us)
            if why:
                self._hold(output, why, now_us)
            else:
                self._go(output)
                if more_ma > 0:  # until it is answered, the larger of what was and what will be
                    output.draws_ma += more_ma
                    self._drawn_ma[output.kind] += more_ma
                going.append(output)
        return self._requests(going)

    def wink_due(self, now_us: int) -> bool:
        """Return whether to send a wink now, and count it as on its way if so."""
        if self._wink is None or self._wink_sent or now_us < self._wink_opens_us(now_us):
            return False
        self._wink_sent = True
        return True

    def deadline_us(self, now_us: int) -> int | None:
        """Return when to call `due` again at the latest, or None if only an answer can change anything."""
        if not self._active and self._wink is None:
            return None
        times = []
        for output in self._active.values():
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
        """Take the outcome of a request that `due` returned, for the outputs that it set.

        `set_as_asked`: the board did it. `heard`: it answered at all.
        """
        for channel in channels:
            output = self._outputs[channel]
            self._there(output, now_us)
            if output.sent is not None:
                if set_as_asked:
                    output.at = output.sent
                elif not heard:
                    # Nobody knows which value it has; the one that draws more current is assumed.
                    output.at = max(output.at, output.sent, key=lambda value: self._share(output, value))
                output.sent = None
                self._weigh(output)
                if output.undone and output.at and output.wanted is None:
                    self._want(output, 0)
                output.undone = False
            behind, output.behind = output.behind, []
            for wish in behind:
                self._settle(wish, channel, outcome, set_as_asked)
            if channel in self._outdated:
                self._outdated.discard(channel)
                self._as_described(output, now_us)
                self._weigh_all()
        self.stalled = not heard

    def heard(self) -> None:
        """Note that the board answered something."""
        self.stalled = False

    def heard_nothing(self) -> None:
        """Note that the board left a request unanswered."""
        self.stalled = True

    def allow(self, allowance: Allowance) -> None:
        """Set how much current the outputs may draw from now on."""
        self.allowance = allowance
        self._weigh_all()

    def winked(self, outcome: Any, did: bool, now_us: int) -> None:
        """Take the outcome of the wink that `wink_due` asked for; `did` is False if the board refused it."""
        token, self._wink, self._wink_sent = self._wink, None, False
        if did:
            self._wink_over_us = now_us + limits.WINK_US
            self._together.wink(self._wink_over_us)
            for output in self._outputs.values():
                output.flash.fill(self._wink_over_us)
        if token is not None:  # else it was dropped while it was on its way
            self._done.append(WishDone(token, outcome, ""))

    def drop_all(self, outcome: Any, now_us: int) -> None:
        """Note that the port is lost or given up: nothing is wanted or on its way any more."""
        self.answered([o.id for o in self._outputs.values() if o.sent is not None], outcome, False, True, now_us)
        for output in self._outputs.values():
            self._blinking(output, False)
            self._drop(output, outcome, "")
        if self._wink is not None:
            self.winked(outcome, self._wink_sent, now_us)

    def take_done(self) -> list[WishDone]:
        """Return the wishes that were done since the last call."""
        done, self._done = self._done, []
        return done

    @property
    def has_reports(self) -> bool:
        """Whether `take_done`, `take_held` or `take_blinks` has something to report."""
        return bool(self._done or self._held or self._blinks)

    def take_held(self) -> list[HeldBack]:
        """Return the outputs held back since the last call, each at most once a second."""
        held, self._held = self._held, []
        return held

    def take_blinks(self) -> dict[str, bool]:
        """Return the outputs that began to blink (True) or stopped (False) since the last call."""
        blinks, self._blinks = self._blinks, {}
        return blinks

    # --- inside ----------------------------------------------------------------------------------------------------

    def _active_outputs(self) -> list[Output]:
        """Return the outputs that `due` looks at, in the order in which outputs were first used."""
        if len(self._active) == 1:
            return list(self._active.values())
        return [output for output in self._outputs.values() if output.id in self._active]

    def _output(self, channel: str) -> Output:
        output = self._outputs.get(channel)
        if output is None:
            output = self._outputs[channel] = Output(channel, self._items.get(channel))
            if self._wink_over_us:
                output.flash.fill(self._wink_over_us)
        return output

    def _as_described(self, output: Output, now_us: int) -> None:
        """Make an output what the description says that it is, now or when what is on its way to it is answered."""
        fresh = Output(output.id, self._items.get(output.id))
        if fresh.nature == output.nature:
            return
        if output.sent is not None:
            self._outdated.add(output.id)
            return
        self._blinking(output, False)
        fresh.flash.fill(now_us)  # its flashes so far were not counted by what it turns out to be
        fresh.at, fresh.wanted, fresh.wishes = output.at, output.wanted, output.wishes
        self._outputs[output.id] = fresh
        self._active[output.id] = fresh

    def _blinking(self, output: Output, on: bool) -> None:
        if output.blinking != on:
            output.blinking = on
            self._active[output.id] = output
            self._blinks[output.id] = on

    def _want(self, output: Output, value: int) -> None:
        if output.wanted != value:
            output.held = ""
        output.wanted = value
        output.lit = value or output.lit
        self._active[output.id] = output

    def _share(self, output: Output, value: int) -> float:
        return self.allowance.share_ma(output.id, output.kind, value, output.dimmed)

    def _weigh(self, output: Output) -> None:
        """Work out how much an output may draw: until the board has answered, the larger of old and new value."""
        draws_ma = max(self._share(output, output.at), self._share(output, output.sent or 0))
        if draws_ma != output.draws_ma:
            self._drawn_ma[output.kind] += draws_ma - output.draws_ma
            output.draws_ma = draws_ma

    def _weigh_all(self) -> None:
        self._drawn_ma = {"lamp": 0.0, "display": 0.0}
        for output in self._outputs.values():
            output.draws_ma = 0.0
            self._weigh(output)

    def _fits(self, candidate: Output, more_ma: float) -> bool:
        """Return whether there is current for `candidate` to draw `more_ma` more, which is above 0."""
        drawn_ma = {**self._drawn_ma}
        drawn_ma[candidate.kind] += more_ma
        return self.allowance.fits(drawn_ma["lamp"], drawn_ma["display"])

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
            if more_ma > 0 and not self._fits(output, more_ma):
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
                if wish.left:  # a wish for several outputs is reported once
                    self._done.append(WishDone(wish.token, None, why))
                wish.left.clear()
            output.wishes, output.unheard_us = [], None

    def _count(self, why: str) -> None:
        self.held_back[why] = self.held_back.get(why, 0) + 1

    def _tell(self, output: Output, now_us: int) -> None:
        if output.held_count and now_us >= output.tell_us:
            waits = output.on_wire(output.wanted) if output.held and output.wanted is not None else ""
            self._held.append(HeldBack(output.id, output.held_why, output.held_count, waits))
            output.held_count = 0
            output.tell_us = now_us + _RECORD_EVERY_US

    def _go(self, output: Output) -> None:
        value = output.wanted or 0
        output.held, output.unheard_us = "", None
        output.sent, output.wanted = value, None
        output.behind, output.wishes = output.wishes, []
        self._move(output, value)

    def _move(self, output: Output, value: int) -> None:
        """Report to both flash limits that an output is being sent to this value, or goes there by itself."""
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
            return  # it was already reported as held back
        wish.left.discard(channel)
        if wish.outcome is None or not good:
            wish.outcome = outcome
        if not wish.left:
            self._done.append(WishDone(wish.token, wish.outcome, "" if wish.outcome is not None else why))

    def _requests(self, going: list[Output]) -> list[dict[str, int]]:
        """Pack settings into requests; one that the board may refuse goes alone, so that it takes no other with it."""
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
        """Return the words of the request that sets `values`, one of the dicts that `due` returned."""
        return ("set", *[self._outputs[channel].word(value) for channel, value in values.items()])

    def _wink_opens_us(self, now_us: int) -> int:
        return max(self._wink_over_us, self._quiet_us(), self._together.wink_opens_us(now_us))

    def _quiet_us(self) -> int:
        return max((output.flash.still_since_us + limits.WINDOW_US for output in self._outputs.values()), default=0)
