"""Any intents over any losses: everything asked is finally answered or given up, the window is kept, dark goes out at
once, and what stands in the end is what was asked last. A state machine drives host side and board side."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from wire.lossy_line import LossyLine

from benchcon.wire.host import DARK_ROOM


def channels(words: tuple[str, ...]) -> set[str]:
    return {word.partition("=")[0] for word in words[1:]}


class Lossy(RuleBasedStateMachine):
    """Any intents, any losses. The board's own view says whether the window was kept and what was done."""

    @initialize(buffer=st.sampled_from([48, 64, 128, 255]), seed=st.integers(0, 2**20), work_ms=st.integers(0, 8))
    def begin(self, buffer: int, seed: int, work_ms: int) -> None:
        self.line = LossyLine(buffer, seed, work_us=work_ms * 1_000)
        self.asked: dict[int, tuple[str, ...]] = {}

    def ask(self, words: tuple[str, ...], urgent: bool = False) -> None:
        self.asked[self.line.host.ask(words, self.line.now_us, urgent=urgent)] = words
        self.line.pump()

    @rule(channel=st.sampled_from(["l1", "l2"]), level=st.integers(0, 1000), urgent=st.booleans())
    def set_one(self, channel: str, level: int, urgent: bool) -> None:
        self.ask(("set", f"{channel}={level:03X}"), urgent)

    @rule(level=st.integers(0, 1000))
    def set_both(self, level: int) -> None:
        self.ask(("set", f"l1={level:03X}", f"l2={level:03X}"))

    @rule(words=st.sampled_from([("item", "04"), ("read", "all"), ("alive", "03E8"), ("raw", "sw1=1"), ("zzz",)]))
    def something_else(self, words: tuple[str, ...]) -> None:
        self.ask(words)

    @rule()
    def light(self) -> None:
        self.ask(("light",))

    @rule()
    def dark(self) -> None:
        fresh = not any(ticket for ticket, words in self.asked.items() if self.is_open(ticket) and words == ("dark",))
        self.asked[self.line.host.dark(self.line.now_us)] = ("dark",)
        data = self.line.pump()
        if fresh:
            assert b" dark #" in data, "dark waits for nothing"
            assert data.index(b"\n") < data.index(b" dark #"), "and comes after a line end"

    @rule(ms=st.integers(1, 600))
    def time_goes_by(self, ms: int) -> None:
        self.line.run(ms * 1_000)

    @rule(loss=st.sampled_from([0.0, 0.1, 0.5, 1.0]))
    def the_line_changes(self, loss: float) -> None:
        self.line.loss = loss

    @rule(value=st.integers(0, 1))
    def a_hand(self, value: int) -> None:
        self.line.board.change({"sw1": value}, self.line.now_us)

    def is_open(self, ticket: int) -> bool:
        return ticket not in self.line.outcomes

    @invariant()
    def the_window_is_kept(self) -> None:
        assert self.line.overrun == 0
        darks = DARK_ROOM if any(words == ("dark",) and self.is_open(t) for t, words in self.asked.items()) else 0
        assert self.line.under_way <= self.line.buffer - DARK_ROOM + darks

    def teardown(self) -> None:
        if not hasattr(self, "line"):
            return
        line = self.line
        line.loss = 0.0
        line.settle(list(self.asked))
        line.run(3_000_000)
        assert line.overrun == 0
        assert line.host.unanswered_bytes == 0
        # What stands: follow the requests in the order asked. One given up may have been done or not.
        lamps: dict[str, set[int]] = {"l1": {0}, "l2": {0}}
        dark: set[bool] = {False}
        for ticket in sorted(self.asked):
            outcome = line.outcomes[ticket]
            word, *settings_ = outcome.words
            assert word == self.asked[ticket][0]
            assert channels(self.asked[ticket]) <= channels(outcome.words), "taken up by one that does not cover it"
            refused = outcome.refused or (outcome.gave_up and not outcome.tries)
            if word == "set" and not refused:
                for setting in settings_:
                    channel, _, value = setting.partition("=")
                    maybe = lamps[channel] if outcome.gave_up else set()
                    lamps[channel] = maybe | {int(value, 16)}
            elif word in ("dark", "light") and not refused:
                dark = (dark if outcome.gave_up else set()) | {word == "dark"}
                if word == "dark":
                    lamps = {channel: (lamps[channel] if outcome.gave_up else set()) | {0} for channel in lamps}
        assert line.board.dark in dark
        for channel, may in lamps.items():
            assert line.board.values[channel] in may, channel


class TestLossy(Lossy.TestCase):  # type: ignore[misc, name-defined]
    settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


@pytest.mark.slow
class TestLossyForLong(Lossy.TestCase):  # type: ignore[misc, name-defined]
    settings = settings(max_examples=300, stateful_step_count=40, deadline=None)
