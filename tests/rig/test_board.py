"""A whole simulated board in virtual time, spoken to as a host would: what each fault looks like at the protocol."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rig.panels import TEXT, desk
from rig.virtual import Host

from benchcon.panel.file import loads
from benchcon.rig.control import Client
from benchcon.rig.wiring import wiring
from benchcon.wire.items import item_of

SECOND = 1_000_000


def test_a_board_begins_with_boot_and_goes_on_with_signs_of_life() -> None:
    host = Host()
    host.run(3100)
    assert [line.words[0] for line in host.lines] == ["boot", "alive", "alive", "alive"]
    assert host.lines[0].words == ("boot", "0001", "power", "01")
    assert [line.number for line in host.lines] == [0, 1, 2, 3]


def test_it_describes_every_channel_in_lines_that_fit() -> None:
    host = Host()
    answer = host.ask("hello")
    assert answer[:2] == ("hello", "01")
    assert answer[5] == "desk"
    items = [item_of(host.ask("item", f"{index:02X}")) for index in range(int(answer[2], 16))]
    assert [item.id for item in items if item is not None and item.id] == list(desk().kinds)


def test_a_press_is_told_and_a_lamp_is_lit() -> None:
    host = Host()
    assert host.hand("press key") == "ok"
    host.run(50)
    assert host.notifications("is") == [("is", "key=1")]
    assert host.ask("set", "l1=1F4")[0] == "set"
    assert host.lit() == {"l1": 500, "l2": 0, "l3": 0}


def test_dark_puts_out_all_and_holds_it() -> None:
    host = Host()
    host.ask("set", "l1=3E8", "num=7F7F7F")
    assert host.hand("shown num") == "ok num=7F7F7F"
    host.ask("dark")
    assert host.lit() == {"l1": 0, "l2": 0, "l3": 0}
    assert host.hand("shown num") == "ok num=000000"
    assert host.ask("set", "l1=3E8")[:2] == ("no", "06")


def test_a_dark_switch_of_the_panel_file_darkens_its_board() -> None:
    text = TEXT.replace("[controls.key]", "[controls.key]\ndarkens = true", 1)
    host = Host(plan=wiring(loads(text), "desk"))
    host.ask("set", "l1=3E8", "num=7F7F7F")
    host.hand("press key")
    host.run(50)
    assert host.notifications("dark") == [("dark", "local")]
    assert host.lit() == {"l1": 0, "l2": 0, "l3": 0}
    assert host.ask("light")[:2] == ("no", "06")
    host.hand("release key")
    host.run(50)
    assert host.ask("set", "l1=3E8")[:2] == ("no", "06")
    assert host.ask("light")[0] == "light"
    assert host.ask("set", "l1=3E8")[0] == "set"
    assert host.lit()["l1"] == 1000


def test_the_dead_man_puts_out_all() -> None:
    host = Host()
    host.ask("set", "l1=3E8")
    host.ask("deadman", "0384")
    host.run(800)
    assert host.lit()["l1"] == 1000
    host.run(120)
    assert host.lit()["l1"] == 0
    assert host.notifications("dark") == [("dark", "deadman")]


def test_wink_is_twice_a_second_for_three_seconds_then_as_before() -> None:
    host = Host()
    host.ask("set", "l1=3E8")
    host.ask("wink", ms=0)
    seen = []
    for _ in range(70):
        host.run(50)
        seen.append((host.lit()["l1"], host.lit()["l2"]))
    assert seen[-1] == (1000, 0)
    assert sum(after[1] > before[1] for before, after in pairwise(seen)) == 5  # and the first, before we looked
    # Source: WCAG 2, success criterion 2.3.1: no more than three flashes in any one second.
    flashes = dict(word.split("=") for word in host.hand("flashes").split()[1:])
    assert 1 <= int(flashes["l2"]) <= 3


def test_ident_and_name_outlive_a_reset_and_a_pulled_cable() -> None:
    host = Host()
    host.ask("ident", "other")
    host.ask("name", "New%20name")
    host.hand("reset brownout")
    host.run(10)
    assert host.notifications("boot")[-1] == ("boot", "0002", "brownout", "01")
    assert host.ask("hello")[5] == "other"
    host.hand("unplug")
    assert host.ask("hello") == ()
    host.hand("replug")
    host.run(10)
    assert host.notifications("boot")[-1] == ("boot", "0003", "power", "01")
    assert "name=New%20name" in host.ask("item", "00")


def test_a_reset_puts_out_all() -> None:
    host = Host()
    host.ask("set", "l1=3E8")
    host.hand("reset")
    assert host.lit()["l1"] == 0


def test_without_supply_nothing_is_lit_and_the_board_says_so() -> None:
    host = Host("always_on l2")
    host.ask("set", "l1=3E8")
    assert host.lit() == {"l1": 1000, "l2": 1000, "l3": 0}
    host.hand("supply 0")
    assert host.lit() == {"l1": 0, "l2": 0, "l3": 0}
    host.run(1000)
    assert host.notifications("alive")[-1][6] == "0001"
    host.hand("supply 5000")
    assert host.lit()["l1"] == 1000
    assert host.ask("read", "l1")[4] == "l1=3E8"


def test_raw_edges_share_a_line_and_their_times_are_those_of_the_bounce() -> None:
    host = Host("chattering key edges=300us,1.2ms,200us,100us")
    host.ask("raw", "key=1")
    host.hand("press key")
    host.run(50)
    assert host.notifications("edge") == [("edge", "key=0", "012C", "04B0", "00C8", "0064")]
    # A longer bounce takes several lines, and no edge is lost.
    long = Host("chattering key edges=" + ",".join(["100us"] * 20))
    long.ask("raw", "key=1")
    long.hand("press key")
    long.run(50)
    assert sum(len(words) - 1 for words in long.notifications("edge")) == 21


def test_a_clock_off_by_5000_ppm_gains_five_milliseconds_a_second() -> None:
    # Source: ceramic resonators, ±0.5 % (data sheets, from memory).
    host = Host("clock off=5000ppm")
    host.run(10_000)
    true_us, clock_us = map(int, host.hand("time").split()[1:])
    assert clock_us - true_us == pytest.approx(50_000, abs=2)


def test_a_clock_that_begins_to_run_wrong_does_not_jump() -> None:
    host = Host()
    host.run(100_000)
    before = int(host.hand("time").split()[2])
    host.hand("fault clock off=-5000ppm")
    assert int(host.hand("time").split()[2]) == before
    host.run(1000)
    assert int(host.hand("time").split()[2]) - before == pytest.approx(995_000, abs=2)


def test_labels_with_control_codes_come_as_words_and_are_gone_when_cleared() -> None:
    host = Host("labels")
    answer = host.ask("item", "04")
    item = item_of(answer)
    assert item is not None
    assert item.detail["label"].startswith("\x1b[2J")
    assert b"\x1b" not in host.raw
    host.hand("clear")
    item = item_of(host.ask("item", "04"))
    assert item is not None
    assert item.detail["label"] == "Key"


def test_a_board_with_the_ident_of_another() -> None:
    assert Host("ident ident=twin").ask("hello")[5] == "twin"


def test_a_slow_boot_loader_is_silent_or_says_nothing_sensible() -> None:
    silent = Host("slow_boot lasting=3s")
    silent.run(2900)
    assert silent.raw == b""
    assert silent.ask("hello") == ()
    silent.run(200)
    assert silent.ask("hello")[0] == "hello"
    babbling = Host("slow_boot lasting=3s says=garbage")
    babbling.run(2900)
    assert len(babbling.raw) > 100
    assert babbling.lines == []
    babbling.run(200)
    assert babbling.ask("hello")[0] == "hello"


def test_a_reset_loop() -> None:
    host = Host("reset_loop every=500ms")
    host.run(2600)
    boots = host.notifications("boot")
    assert 5 <= len(boots) <= 7
    assert boots[-1][2] == "watchdog"


def test_a_reset_in_mid_session_comes_when_it_was_asked_for() -> None:
    host = Host("board_reset after=1s cause=watchdog")
    host.run(900)
    assert len(host.notifications("boot")) == 1
    host.run(200)
    assert host.notifications("boot")[1:] == [("boot", "0002", "watchdog", "01")]
    host.run(5000)
    assert len(host.notifications("boot")) == 2


def test_opening_resets() -> None:
    host = Host("opening_resets")
    host.run(500)
    host.board.opened(host.now_us, 115_200)
    host.run(100)
    assert [words[2] for words in host.notifications("boot")] == ["power", "reset"]


def test_a_stall_reads_nothing_and_silent_says_nothing() -> None:
    host = Host("stall after=1s for=2s")
    host.run(1500)
    assert not host.board.reads
    host.run(2000)
    assert host.board.reads
    assert len(host.notifications("alive")) == 3
    silent = Host("stall silent=yes after=1500ms for=2s")
    silent.run(4600)
    assert [line.number for line in silent.lines] == [0, 1, 4]


def test_garbage_and_an_endless_line_hide_no_board_for_ever() -> None:
    host = Host("garbage rate=50Hz for=3s")
    host.run(3000)
    assert host.bad > 0
    endless = Host("endless_line rate=1000Hz for=3s after=100ms")
    endless.run(3000)
    assert len(endless.raw.splitlines()[-1]) > 2000
    for each in (host, endless):
        each.run(2000)
        each.ask("hello")
        assert each.ask("hello")[0] == "hello"


def test_a_weak_supply_sags_under_load_and_resets_the_board() -> None:
    # Ohm's law: three lamps of 10 mA at 20 ohm take 600 mV from 5 V.
    host = Host("weak_supply resistance=20ohm limit=4.3V")
    host.ask("set", "l1=3E8", "l2=3E8", "l3=3E8")
    host.run(1000)
    assert int(host.notifications("alive")[-1][6], 16) == 4400
    assert len(host.notifications("boot")) == 1
    host.hand("clear")
    host.hand("fault weak_supply resistance=30ohm limit=4.3V")
    host.run(50)
    assert host.notifications("boot")[-1][2] == "brownout"
    assert host.lit() == {"l1": 0, "l2": 0, "l3": 0}


def test_a_weak_supply_that_is_switched_off_does_not_reset_the_board() -> None:
    """What feeds the outputs is off, and the board itself has another: no load is left that could pull it down."""
    host = Host("weak_supply resistance=30ohm limit=4.3V")
    host.hand("supply 0")
    host.ask("set", "l1=3E8", "l2=3E8", "l3=3E8")
    host.run(1000)
    assert len(host.notifications("boot")) == 1


def test_a_flickering_lamp_goes_out_for_moments_not_too_often() -> None:
    host = Host("flickering l1 gap=100ms")
    host.ask("set", "l1=3E8", "l2=3E8")
    seen = []
    for _ in range(400):
        host.run(25)
        seen.append(host.lit())
    gaps = sum(before["l1"] > after["l1"] for before, after in pairwise(seen))
    assert 5 <= gaps <= 20
    assert all(each["l2"] == 1000 for each in seen)
    assert "l1=1000:green:flickering" in host.hand("seen") or "l1=0:green:flickering" in host.hand("seen")
    assert "l2=1000:amber:steady" in host.hand("seen")
    # Source: WCAG 2, success criterion 2.3.1.
    assert "l1=3" in host.hand("flashes") or "l1=2" in host.hand("flashes")


def test_a_loose_wire_drops_out_now_and_then() -> None:
    host = Host("loose key every=1s gap=30ms")
    host.hand("press key")
    host.run(30_000)
    told = [words[1] for words in host.notifications("is")]
    assert told[0] == "key=1"
    assert 20 < len(told) < 120
    assert set(told) == {"key=0", "key=1"}


def test_a_storm_is_many_changes_a_second() -> None:
    host = Host("storm rate=500Hz")
    host.run(2000)
    changes = sum(len(words) - 1 for words in host.notifications("is"))
    assert 900 < changes <= 1000


def test_faults_can_come_and_go_while_the_board_runs() -> None:
    host = Host()
    host.hand("press key")
    host.run(50)
    assert host.hand("fault open key") == "ok 1"
    assert host.hand("fault stuck left value=1 for=200ms") == "ok 2"
    assert host.hand("faults") == "ok 1 open key | 2 stuck left value=1 for=200ms"
    host.run(100)
    assert host.notifications("is")[1:] == [("is", "key=0", "left=1")]
    host.run(200)
    assert host.notifications("is")[-1] == ("is", "left=0")
    assert host.hand("clear 1") == "ok"
    host.run(50)
    assert host.notifications("is")[-1] == ("is", "key=1")
    assert host.hand("clear 1") == "no there is no fault 1"


def test_the_same_seed_gives_the_same_bytes_at_the_same_times() -> None:
    def night(seed: int) -> bytes:
        host = Host("chattering key", "flip share=1%25", "loose left every=200ms", "garbage rate=20Hz", seed=seed)
        host.ask("raw", "key=1")
        for _ in range(10):
            host.hand("press key")
            host.run(100)
            host.hand("release key")
            host.run(100)
        return host.raw

    assert night(7) == night(7)
    assert night(7) != night(8)


def test_a_switch_that_is_not_wired_yet_reads_nothing() -> None:
    text = TEXT.replace(
        'channel = { id = "desk.left", pin = "D3" }', 'channel = { id = "desk.left", pin = "D3" }\nwired = false'
    )
    host = Host(plan=wiring(loads(text, "desk.toml"), "desk"))
    host.hand("press left")
    host.run(100)
    assert host.notifications("is") == []


def test_first_edge_acts_at_once_and_then_holds_off() -> None:
    text = TEXT.replace('kind = "button"', 'kind = "button"\nact_on = "first edge"')
    host = Host("chattering key edges=2ms,2ms", plan=wiring(loads(text, "desk.toml"), "desk"))
    host.ask("raw", "key=1")
    at_us = host.now_us
    host.hand("press key")
    host.run(100)
    told = [line for line in host.lines if line.words[0] == "is"]
    assert [line.words for line in told] == [("is", "key=1")]
    assert told[0].clock - at_us <= 1000


@settings(max_examples=60)
@given(
    st.lists(
        st.binary(max_size=120) | st.sampled_from([b"lit\n", b"press key\n", b"fault storm\n", b"moved 0 50\n"]),
        max_size=12,
    )
)
def test_any_bytes_whatever_leave_the_hand_and_the_board_working(pieces: list[bytes]) -> None:
    host = Host()
    answers: list[bytes] = []
    client = Client(host.board, answers.append)
    for piece in pieces:
        client.feed(piece, host.now_us)
        host.run(10)
    client.feed(b"\nclear\nhello\n", host.now_us)
    host.run(100)
    lines = b"".join(answers).splitlines()
    assert all(line[:2] in (b"ok", b"no") for line in lines)
    assert lines[-1] == b"ok hand 1 desk"
    assert client.waiting == 0
    assert host.ask("hello")[0] == "hello"


def test_the_hand_counts_the_words_that_it_wants() -> None:
    host = Host()
    assert host.hand("press") == "no 'press' takes 1 word after it"
    assert host.hand("put key") == "no 'put' takes 2 words after it"
    assert host.hand("hello you") == "no 'hello' takes 0 words after it"


def test_what_a_potentiometer_can_be_put_to_is_said() -> None:
    host = Host()
    assert host.hand("put dial banana") == "no 'banana' is not a whole number or a share such as 50%"
    assert host.hand("put dial x%") == "no 'x%' is not a share such as 50%"


def test_a_selector_stands_where_it_is_put_and_faults_come_and_go_beside_it() -> None:
    """A switch whose board makes out its position itself: one channel, several positions (panel file, section 5)."""
    text = TEXT + ('[controls.mode]\nkind = "switch"\npositions = ["a", "b", "c"]\nchannel = { id = "desk.mode" }\n')
    host = Host("open key", plan=wiring(loads(text), "desk"))
    assert host.hand("press left") == "ok"
    assert host.hand("put mode 2") == "ok"
    host.run(200)
    assert ("is", "mode=2") in host.notifications("is")
    assert host.hand("fault reversed mode").startswith("ok")
    host.run(50)
    assert host.notifications("is")[-1] == ("is", "mode=0")


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["press", "release", "put", "turn", "fault", "clear", "reset", "shown", "moved", "replug"]),
            st.sampled_from(["key", "rotary", "dial", "knob", "l1", "num", "1", "-1", "50%", "value=1", "", "9" * 30]),
            st.sampled_from(["", "3", "-3", "1e9", "nan%", "left", "x" * 200]),
        ),
        max_size=15,
    )
)
def test_any_words_whatever_get_an_answer(requests: list[tuple[str, str, str]]) -> None:
    host = Host()
    for words in requests:
        answer = host.hand(" ".join(filter(None, words)))
        assert answer.split()[0] in ("ok", "no")
        assert "\n" not in answer
    assert host.hand("hello") == "ok hand 1 desk"


@given(st.lists(st.binary(max_size=200), max_size=10))
def test_any_bytes_on_the_line_leave_the_board_working(pieces: list[bytes]) -> None:
    host = Host()
    for piece in pieces:
        host.board.feed(piece, host.now_us)
        host.run(1)
    host.board.feed(b"\n", host.now_us)
    assert host.ask("hello")[0] == "hello"
