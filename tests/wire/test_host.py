"""The host side against the board side, over a line that may lose and spoil: everything asked is finally answered or
given up, the window is kept, and what stands in the end is what was asked last."""

from __future__ import annotations

import pytest
from wire.lossy_line import LossyLine

from benchcon.wire import codec
from benchcon.wire.board import MOST_NOTIFICATIONS
from benchcon.wire.events import Answered, Boot, Gap
from benchcon.wire.host import DARK_ROOM, HostSide
from benchcon.wire.records import LINE_UP, Batch


def lines(data: bytes) -> list[bytes]:
    return [line for line in data.split(b"\n") if line]


def words_sent(line: LossyLine) -> list[str]:
    return [" ".join(codec.parse(sent).words) for _, data in line.sent for sent in lines(data)]


# --- bring-up ----------------------------------------------------------------------------------


def test_bring_up_learns_the_board_and_its_values() -> None:
    line = LossyLine(known=False)
    line.board.change({"sw1": 1, "p1": 0x1FF}, 0)
    line.host.bring_up(0)
    line.run(2_000_000)
    assert line.host.stage == "ready"
    assert (line.host.ident, line.host.buffer, line.host.boot) == ("reference", 128, 1)
    assert [item.id for item in line.host.items if item.is_channel] == list(line.board.channels)
    read = [event for event in line.events if isinstance(event, Answered) and event.words[0] == "read"]
    told = dict(word.split("=") for event in read for word in event.words[4:])
    assert {channel: int(value, 16) for channel, value in told.items()} == line.board.values


def test_bring_up_gets_through_a_boot_loader_that_is_deaf_for_three_seconds() -> None:
    line = LossyLine(known=False)
    line.dead = True
    line.host.bring_up(0)
    line.run(3_000_000)
    assert line.host.stage == "calling"
    assert 11 <= len(words_sent(line)) <= 13, "each 250 ms"
    line.dead = False
    line.run(2_000_000)
    assert line.host.stage == "ready"


def test_nobody_there_is_known_after_five_seconds_and_asking_ends() -> None:
    line = LossyLine(known=False)
    line.dead = True
    line.host.bring_up(0)
    line.run(5_100_000)
    assert line.host.stage == "mute"
    before = len(line.sent)
    line.run(10_000_000)
    assert len(line.sent) == before
    assert line.host.deadline_us() is None
    line.dead = False
    line.host.bring_up(line.now_us)
    line.run(2_000_000)
    assert line.host.stage == "ready"


@pytest.mark.parametrize("seed", range(6))
def test_bring_up_over_a_bad_line(seed: int) -> None:
    line = LossyLine(known=False, seed=seed)
    line.loss = 0.2
    line.host.bring_up(0)
    for _ in range(60):
        line.run(500_000)
        if line.host.stage == "ready":
            break
    assert line.host.stage == "ready"
    assert line.host.items == list(line.board.items)
    assert line.overrun == 0


def test_an_item_that_never_comes_does_not_hold_up_the_rest() -> None:
    line = LossyLine(known=False)
    through = line._through
    line._through = lambda sent: None if b" item 05 " in sent else through(sent)  # type: ignore[method-assign]
    line.host.bring_up(0)
    line.run(5_000_000)
    assert line.host.stage == "ready"
    assert [item.index for item in line.host.items] == [index for index in range(14) if index != 5]
    assert words_sent(line).count("item 05") == 8, "four times, and once more"


def test_a_board_that_speaks_another_version_is_left_alone() -> None:
    host = HostSide(0)
    host.bring_up(0)
    (hello,) = lines(host.to_send(0))
    words = ("hello", "02", "0B", "0080", "0007", "future")
    host.heard([Answered(1_000, 1, codec.parse(hello).tag, words, None, None)], 1_000)
    assert (host.stage, host.version) == ("mute", 2)
    assert host.to_send(2_000) == b""


def test_a_reset_in_mid_session_is_brought_up_again() -> None:
    line = LossyLine(known=False)
    line.host.bring_up(0)
    line.run(2_000_000)
    line.board.reset(line.now_us, "brownout")
    line.run(2_000_000)
    assert line.host.stage == "ready"
    assert line.host.boot == 2
    assert [event.cause for event in line.events if isinstance(event, Boot)] == ["power", "brownout"]


# --- repair ----------------------------------------------------------------------------------


def ready() -> LossyLine:
    line = LossyLine(known=False)
    line.host.bring_up(0)
    line.run(2_000_000)
    assert line.host.stage == "ready"
    line.sent.clear()
    return line


def test_after_a_hole_everything_is_read_again_page_by_page() -> None:
    line = ready()
    line.dead = True
    line.board.change({"sw1": 1}, line.now_us)
    line.run(10_000)
    line.dead = False
    line.board.change({"sw2": 1}, line.now_us)
    line.run(500_000)
    assert words_sent(line) == ["read all", "read all 0B"]
    assert line.host.stage == "ready"
    assert any(isinstance(event, Gap) for event in line.events)


def test_a_hole_while_reading_begins_the_reading_anew() -> None:
    line = ready()
    host = line.host
    host.heard([Gap(line.now_us, 1, 1)], line.now_us)
    (first,) = lines(host.to_send(line.now_us))
    host.heard([Gap(line.now_us, 1, 1)], line.now_us)
    page = ("read", "0007", "00000000", "0B", "sw1=0")
    host.heard([Answered(0, 1, codec.parse(first).tag, page, None, None)], line.now_us)
    (again,) = lines(host.to_send(line.now_us))
    assert codec.parse(again).words == ("read", "all")


def test_what_the_board_itself_had_to_drop_is_read_again_too() -> None:
    line = ready()
    for change in range(MOST_NOTIFICATIONS + 10):
        line.board.change({"sw1": change % 2}, line.now_us)
    line.board.take()
    line.board.change({"sw1": 1, "sw2": 1}, line.now_us)
    line.run(500_000)
    assert "read all" in words_sent(line)


# --- asking ----------------------------------------------------------------------------------


def test_an_unanswered_request_is_repeated_with_its_tag_and_given_up_after_the_fourth_time() -> None:
    line = LossyLine()
    line.dead = True
    ticket = line.host.ask(("set", "l1=1F4"), 0)
    line.run(2_000_000)
    assert [at_us for at_us, _ in line.sent] == [0, 250_000, 500_000, 750_000]
    assert len({data for _, data in line.sent}) == 1
    outcome = line.outcomes[ticket]
    assert (outcome.gave_up, outcome.answer, outcome.refused, outcome.tries) == (True, None, False, 4)


def test_a_refusal_is_handed_on() -> None:
    line = LossyLine()
    ticket = line.host.ask(("set", "nosuch=1F4"), 0)
    line.run(100_000)
    outcome = line.outcomes[ticket]
    assert outcome.refused
    assert outcome.answer is not None
    assert outcome.answer[:2] == ("no", "03")
    assert not outcome.gave_up


def test_a_busy_board_is_asked_again() -> None:
    line = LossyLine()
    line.board.busy = 2
    ticket = line.host.ask(("set", "l1=1F4"), 0)
    line.run(1_000_000)
    assert not line.outcomes[ticket].refused
    assert line.board.values["l1"] == 500
    line.board.busy = 100
    ticket = line.host.ask(("set", "l1=000"), line.now_us)
    line.run(3_000_000)
    assert line.outcomes[ticket].refused, "busy for ever is a refusal in the end"


def test_settings_that_wait_are_taken_up_by_newer_ones() -> None:
    line = LossyLine()
    tickets = [line.host.ask(("set", f"l1={level:03X}"), 0) for level in range(100)]
    line.run(1_000_000)
    assert line.board.values["l1"] == 99
    assert len(line.done) <= 3
    assert all(line.outcomes[ticket].answer is not None for ticket in tickets)


def test_a_setting_of_more_channels_takes_up_all_that_it_covers_and_no_other() -> None:
    line = LossyLine(buffer=60)
    line.host.ask(("set", "d2=7E307E307E307E30"), 0)
    for words in (("set", "l1=001"), ("set", "l2=002"), ("set", "d1=0003"), ("set", "l1=004", "l2=005")):
        line.host.ask(words, 0)
    line.run(1_000_000)
    assert [codec.parse(sent.strip()).words[1:] for _, sent in line.done] == [
        ("d2=7E307E307E307E30",),
        ("d1=0003",),
        ("l1=004", "l2=005"),
    ]


def test_an_urgent_request_goes_first_but_never_before_what_it_would_undo() -> None:
    line = LossyLine(buffer=60)
    host = line.host
    host.ask(("set", "d2=7E307E307E307E30"), 0)
    for words in (("item", "00"), ("set", "l1=001", "l2=001"), ("item", "01")):
        host.ask(words, 0)
    host.ask(("ping", "00000000", "00000000"), 0, urgent=True)
    host.ask(("set", "l1=002"), 0, urgent=True)
    line.run(1_000_000)
    done = [codec.parse(sent.strip()).words for _, sent in line.done]
    assert done[0][0] == "ping"
    assert done.index(("set", "l1=002")) > done.index(("set", "l1=001", "l2=001"))
    assert line.board.values["l1"] == 2


def test_what_is_no_line_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="not a line"):
        HostSide(0).ask(("set", "l1=\x1b[2J"), 0)


def test_too_many_waiting_requests_give_up_the_oldest_and_count_it() -> None:
    host = HostSide(0)
    tickets = [host.ask(("item", f"{count % 256:02X}"), 0) for count in range(4_100)]
    outcomes = {outcome.ticket: outcome for outcome in host.heard((), 0)}
    assert sorted(outcomes) == tickets[:4]
    assert all(outcome.gave_up and outcome.tries == 0 for outcome in outcomes.values())
    assert host.dropped == 4


def test_a_late_answer_after_giving_up_harms_nobody() -> None:
    host = HostSide(0, 128)
    ticket = host.ask(("set", "l1=1F4"), 0)
    (sent,) = lines(host.to_send(0))
    for ms in range(250, 1_251, 250):
        host.to_send(ms * 1_000)
    (outcome,) = host.heard((), 1_250_000)
    assert (outcome.ticket, outcome.gave_up) == (ticket, True)
    late = Answered(1_300_000, 1, codec.parse(sent).tag, ("set", "00000000"), None, None)
    assert host.heard([late], 1_300_000) == []


# --- window and dark ----------------------------------------------------------------------------------


def test_the_window_is_full_and_never_over_full() -> None:
    line = LossyLine(buffer=96)
    tickets = [line.host.ask(("item", f"{index:02X}"), 0) for index in range(14)]
    first = line.pump()
    room = 96 - DARK_ROOM
    assert room - len(lines(first)[0]) - 1 < len(first) <= room
    line.settle(tickets)
    assert line.overrun == 0


def test_dark_goes_out_in_a_full_window_at_once_after_a_line_end() -> None:
    line = LossyLine(buffer=96)
    for index in range(14):
        line.host.ask(("item", f"{index:02X}"), 0)
    full = line.pump()
    ticket = line.host.dark(0)
    data = line.pump()
    assert data.startswith(b"\n>")
    assert codec.parse(data.strip()).words == ("dark",)
    assert len(data) == DARK_ROOM
    assert len(full) + len(data) <= 96
    line.settle([ticket])
    assert line.board.dark
    assert line.overrun == 0


def test_hammering_dark_sends_one_at_a_time_and_answers_all() -> None:
    line = LossyLine(buffer=96)
    for index in range(14):
        line.host.ask(("item", f"{index:02X}"), 0)
    line.pump()
    tickets = []
    for _ in range(20):
        tickets.append(line.host.dark(line.now_us))
        line.run(1_000)
    line.settle(tickets)
    assert line.overrun == 0
    assert all(line.outcomes[ticket].answer is not None for ticket in tickets)


def test_dark_is_tried_several_times_within_half_a_second() -> None:
    line = LossyLine()
    line.dead = True
    line.host.dark(0)
    line.run(500_000)
    assert len(line.sent) >= 4
    line.dead = False
    line.run(300_000)
    assert line.board.dark


def test_nothing_lights_up_after_dark() -> None:
    """A setting or a light whose sending was lost before the dark is not repeated after it."""
    line = LossyLine()
    line.dead = True
    set_, light = line.host.ask(("set", "l1=3E8"), 0), line.host.ask(("light",), 0)
    line.pump()
    line.dead = False
    dark = line.host.dark(line.now_us)
    line.settle([set_, light, dark])
    line.run(3_000_000)
    assert line.board.dark
    assert line.board.values["l1"] == 0
    assert line.outcomes[set_].gave_up
    assert line.outcomes[light].gave_up


def test_light_waits_for_a_dark_without_answer_so_that_its_repeat_cannot_undo_it() -> None:
    line = LossyLine()
    line.dead = True
    dark = line.host.dark(0)
    line.pump()
    light = line.host.ask(("light",), 0)
    line.run(60_000)
    line.dead = False
    set_ = line.host.ask(("set", "l1=3E8"), line.now_us)
    line.settle([dark, light, set_])
    line.run(3_000_000)
    assert not line.board.dark
    assert line.board.values["l1"] == 1_000


def test_a_newer_setting_is_not_undone_by_the_repeat_of_an_older_one() -> None:
    line = LossyLine()
    line.dead = True
    old = line.host.ask(("set", "l1=3E8", "l2=3E8"), 0)
    line.pump()
    line.dead = False
    new = line.host.ask(("set", "l1=001"), 0)
    line.settle([old, new])
    assert line.board.values["l1"] == 1
    assert line.board.values["l2"] == 1_000


def test_a_line_longer_than_the_window_goes_alone() -> None:
    line = LossyLine(buffer=40)
    tickets = [
        line.host.ask(("set", "l1=001"), 0),
        line.host.ask(("set", "d2=7E307E307E307E30"), 0),
        line.host.ask(("set", "l2=002"), 0),
    ]
    line.settle(tickets)
    assert (line.board.values["l1"], line.board.values["l2"]) == (1, 2)
    assert line.overrun == 0
    assert all(data.count(b"\n") == 1 for _, data in line.sent)


def test_what_is_heard_of_others_is_no_answer() -> None:
    line = LossyLine()
    ticket = line.host.ask(("set", "l1=1F4"), 0)
    line.pump()
    stray = codec.answer(0x77, ("set", "00000000"))
    assert line.host.heard(line.observer.feed(Batch(1, 1, LINE_UP, [stray])), 1) == []
    line.settle([ticket])


def test_a_copy_that_a_slow_board_may_still_have_counts_until_it_must_have_answered() -> None:
    host = HostSide(0, 64)
    host.ask(("set", "l1=001"), 0)
    (sent,) = lines(host.to_send(0))
    assert host.to_send(250_000) == sent + b"\n", "repeated, and the answer to the first comes right then"
    host.heard([Answered(251_000, 1, codec.parse(sent).tag, ("set", "00000000"), None, None)], 251_000)
    for channel in ("l1", "l2"):
        host.ask(("set", f"{channel}=002"), 251_000)
    assert len(lines(host.to_send(251_000))) == 1, "64 bytes hold three such lines, and room for dark is kept"
    deadline_us = host.deadline_us()
    assert deadline_us == 300_000
    assert len(lines(host.to_send(deadline_us))) == 1
