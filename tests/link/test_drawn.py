"""What the outputs of a board draw is a running sum; it stays what a fresh sum gives, and within the allowance."""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from benchcon.link.limits import Allowance
from benchcon.link.outputs import BoardOutputs
from benchcon.wire.items import items

CHANNELS = ("a", "b", "c", "d")
Described = tuple[str, Mapping[str, str]]
KINDS: tuple[Described | None, ...] = (
    ("lamp", {}),
    ("lamp", {"dim": "1"}),
    ("display", {"digits": "1"}),
    ("display", {"digits": "3"}),
    ("contact", {}),
    None,
)
VALUES = (0, 0, 1, 20, 255, 333, 500, 1000, 4000, 0x7F7F7F)
LIMITS_MA = st.sampled_from([5.0, 12.3, 25.0, 100.0])
SLACK_MA = 1e-5


def allowance(lamps_ma: float, displays_ma: float, total_ma: float, lamp_ma: float, segment_ma: float) -> Allowance:
    """An allowance under which each output draws something else, in fractions that no float holds exactly."""
    return Allowance(
        lamps_ma,
        displays_ma,
        total_ma,
        lambda channel: lamp_ma + CHANNELS.index(channel) / 3,
        lambda channel: segment_ma + CHANNELS.index(channel) / 7,
    )


class DrawnCurrent(RuleBasedStateMachine):
    """A board that does what it is told, refuses it, or leaves open which; `may_be` has the values it may show."""

    def __init__(self) -> None:
        super().__init__()
        self.outputs = BoardOutputs()
        self.now_us = 0
        self.described: dict[str, Described] = {}
        self.on_its_way: list[dict[str, int]] = []
        self.may_be: dict[str, set[int]] = {channel: {0} for channel in CHANNELS}

    def summed_ma(self) -> dict[str, float]:
        """The sums, worked out again from all outputs."""
        sums = {"lamp": 0.0, "display": 0.0}
        for each in self.outputs._outputs.values():
            if each.kind in sums:
                values = (each.at, each.sent or 0)
                share_ma = self.outputs.allowance.share_ma
                sums[each.kind] += max(share_ma(each.id, each.kind, value, each.dimmed) for value in values)
        return sums

    def drawn_ma(self) -> dict[str, float]:
        """What the board itself may draw at most at this moment, as the thing that it says it is."""
        sums = {"lamp": 0.0, "display": 0.0}
        for channel, values in self.may_be.items():
            kind, detail = self.described.get(channel, ("", {}))
            if kind in sums:
                share_ma, dimmed = self.outputs.allowance.share_ma, detail.get("dim") == "1"
                sums[kind] += max(share_ma(channel, kind, value, dimmed) for value in values)
        return sums

    @initialize(kinds=st.tuples(*[st.sampled_from(KINDS)] * len(CHANNELS)))
    def know(self, kinds: tuple[Described | None, ...]) -> None:
        self.described = {channel: kind for channel, kind in zip(CHANNELS, kinds, strict=True) if kind}
        self.describe(CHANNELS[0], kinds[0])
        self.now_us = 10_000_000  # what is new may light only after a while

    @rule(channel=st.sampled_from(CHANNELS), kind=st.sampled_from(KINDS))
    def describe(self, channel: str, kind: Described | None) -> None:
        self.described.pop(channel, None)
        if kind:
            self.described[channel] = kind
        channels = [(kind, channel, detail) for channel, (kind, detail) in self.described.items()]
        self.outputs.describe(items(("board", "", {"ident": "b"}), *channels), self.now_us)
        self.read()

    @rule()
    def read(self) -> None:
        for channel, values in self.may_be.items():
            if len(values) == 1:
                self.outputs.stands(channel, *values, self.now_us)

    @rule(
        limits_ma=st.tuples(LIMITS_MA, LIMITS_MA, LIMITS_MA),
        lamp_ma=st.sampled_from([0.1, 5.0, 7.7]),
        segment_ma=st.sampled_from([0.1, 1.3, 5.0]),
    )
    def allow(self, limits_ma: tuple[float, float, float], lamp_ma: float, segment_ma: float) -> None:
        self.outputs.allow(allowance(*limits_ma, lamp_ma, segment_ma))

    @rule(values=st.dictionaries(st.sampled_from(CHANNELS), st.sampled_from(VALUES), min_size=1))
    def want(self, values: dict[str, int]) -> None:
        self.outputs.want(values, "token")

    @rule(channel=st.sampled_from(CHANNELS), on=st.booleans())
    def blink(self, channel: str, on: bool) -> None:
        self.outputs.blink(channel, on, 1000)

    @rule(passed_us=st.sampled_from([0, 600_000, 5_000_000]))
    def due(self, passed_us: int) -> None:
        self.now_us += passed_us
        before_ma = self.drawn_ma()
        for values in self.outputs.due(self.now_us):
            self.on_its_way.append(values)
            for channel, value in values.items():
                self.may_be[channel].add(value)
        # A board may be over a limit that was lowered since; nothing that draws more is let go then.
        after_ma, limits_ma = self.drawn_ma(), self.outputs.allowance
        for kind, most_ma in (("lamp", limits_ma.lamps_ma), ("display", limits_ma.displays_ma)):
            assert after_ma[kind] <= max(before_ma[kind], most_ma) + SLACK_MA
        if after_ma != before_ma:
            assert sum(after_ma.values()) <= limits_ma.total_ma + SLACK_MA

    @precondition(lambda self: self.on_its_way)
    @rule(which=st.integers(0, 10), outcome=st.sampled_from(["done", "refused", "unheard"]))
    def answered(self, which: int, outcome: str) -> None:
        values = self.on_its_way.pop(which % len(self.on_its_way))
        for channel, value in values.items():
            if outcome == "done":
                self.may_be[channel] = {value}
            elif outcome == "refused":
                self.may_be[channel] = self.may_be[channel] - {value} or {value}
        self.outputs.answered(list(values), outcome, outcome == "done", outcome != "unheard", self.now_us)

    @rule(why=st.sampled_from(["dark", "reset"]))
    def all_off(self, why: str) -> None:
        self.outputs.all_off(why, self.now_us)
        for channel in CHANNELS:
            self.may_be[channel] = {0, *(values[channel] for values in self.on_its_way if channel in values)}

    @rule()
    def lost(self) -> None:
        """The port is lost, and when the board is found again its dead-man has made it dark."""
        self.outputs.drop_all("lost", self.now_us)
        self.on_its_way.clear()
        self.all_off("dark")

    @rule()
    def wink(self) -> None:
        self.outputs.heard()
        self.outputs.want_wink("wink")
        if self.outputs.wink_due(self.now_us):
            self.outputs.winked("done", True, self.now_us)

    @invariant()
    def sums_are_what_a_fresh_sum_gives(self) -> None:
        summed_ma = self.summed_ma()
        assert self.outputs._drawn_ma.keys() == summed_ma.keys()
        for kind, ma in summed_ma.items():
            assert abs(self.outputs._drawn_ma[kind] - ma) < SLACK_MA


TestDrawnCurrent = DrawnCurrent.TestCase
TestDrawnCurrent.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


def test_a_display_that_was_taken_for_a_lamp_while_a_value_was_on_its_way_is_weighed_as_a_display() -> None:
    """Other firmware was described while the board's answer was awaited: the output stayed a lamp of 10 mA."""
    outputs = BoardOutputs(Allowance(50.0, 50.0, 50.0))
    outputs.describe(items(("lamp", "a", {})), 0)
    outputs.want({"a": 1000}, "lamp")
    assert outputs.due(0) == [{"a": 1000}]
    outputs.describe(items(("display", "a", {"digits": "3"})), 1)
    outputs.answered(["a"], "refused", False, True, 2)
    outputs.want({"a": 0x7F7F7F}, "21 segments of 5 mA")
    assert outputs.due(10_000_000) == []
    assert outputs.held_back == {"current": 1}
    outputs.want({"a": 0x7F}, "7 segments of 5 mA")
    assert outputs.due(10_000_000) == [{"a": 0x7F}]
    assert outputs.words({"a": 0x7F}) == ("set", "a=00007F")
