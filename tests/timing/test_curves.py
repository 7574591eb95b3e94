"""How a link has been: the figures of its curves, and verdicts that forget what was mended."""

from __future__ import annotations

from timing.simulated_links import SimulatedLinks

from benchcon.state import BenchState
from benchcon.timing.curves import LinkCurves
from benchcon.timing.recent import RecentLinks
from benchcon.wire import events as ev


def alive(at_us: int, bad: int = 0, supply: int = 5000) -> ev.Alive:
    return ev.Alive(at_us, 1, at_us, 7, 0, bad, 0, 400, supply, False, False)


def test_a_curve_has_the_worst_of_each_stretch_and_knows_what_it_does_not_know() -> None:
    curves = LinkCurves()
    happened: list[ev.Event] = [
        alive(second * 1_000_000, bad=max(second - 7, 0), supply=5000 - 100 * (second == 4)) for second in range(10)
    ]
    for at_us, took_us in ((2_100_000, 3_000), (2_200_000, 9_000), (5_000_000, 4_000)):
        request = ev.Asked(at_us - took_us, 1, 5, ("ping",))
        happened.append(ev.Answered(at_us, 1, 5, ("ping",), request, took_us))
    happened.append(ev.Odd(6_500_000, 1, b"!0", "torn"))
    for event in sorted(happened, key=lambda event: event.at_us):
        curves.take(event)
    found = curves.curves(1, 9_500_000, 12)
    assert found["trip"].values == [None, None, None, None, 9.0, None, None, 4.0, None, None, None, None]
    assert found["trip"].last == 4.0
    assert found["bad"].values == [None, None, 0, 0, 0, 0, 0, 0, 1, 0, 1, 1]
    assert found["supply"].values[6] == 4.9
    assert found["supply"].last == 5.0
    assert found["heartbeat"].values == [None] * 3 + [1000.0] * 9
    assert curves.curves(2, 9_500_000, 3)["trip"].values == [None] * 3


def test_a_heartbeat_that_is_overdue_shows_before_it_comes() -> None:
    curves = LinkCurves()
    for second in range(5):
        curves.take(alive(second * 1_000_000))
    assert curves.curves(1, 4_900_000, 5)["heartbeat"].last == 1000.0
    assert curves.curves(1, 8_000_000, 5)["heartbeat"].last == 4000.0


def test_what_was_mended_is_forgotten_and_what_is_still_wrong_is_not() -> None:
    state = BenchState()
    recent = RecentLinks(state, span_us=60_000_000)
    said = []
    shift = 0
    for trouble in ("down", "", "", ""):
        for batch in SimulatedLinks(trouble, 5).stream():
            for event in state.feed(batch._replace(at_us=batch.at_us + shift)):
                recent.take(event)
        shift = state.at_us + 1
        said.append([one.trouble for one in recent.verdicts() if one.source == 1])
    assert said[0] == ["down"]
    assert said[2:] == [[], []]
