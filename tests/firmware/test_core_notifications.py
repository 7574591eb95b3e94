"""Notifications and answers of the C core in virtual time: nothing lost below the line's rate, an exact count above."""

from __future__ import annotations

import binascii
import random
import re
from collections.abc import Iterator
from itertools import pairwise

import pytest
from firmware.virtual import Board, Said, board, check_of, needs_compiler

pytestmark = needs_compiler


@pytest.fixture(scope="module")
def desk() -> Iterator[Board]:
    with board("desk") as running:
        yield running


@pytest.fixture
def fresh(desk: Board) -> Board:
    desk.command("baud", 0)
    for id_ in ("sw_ap", "sw_rw", "b_tst", "b_uni"):
        desk.command("made", id_, 0)
    desk.command("reset", "reset")
    desk.settle()
    desk.run(40)
    return desk


def numbered(said: list[Said]) -> list[Said]:
    """The notifications among these lines; their running numbers have no gap, and their clocks never step back."""
    notifications = [line for line in said if line.notification]
    numbers = [int(line.words[0][1:], 16) for line in notifications]
    assert numbers == [(numbers[0] + n) & 0xFFFF for n in range(len(numbers))]
    settled = [line.clock_us for line in notifications if line.words[2] != "edge"]
    assert settled == sorted(settled)
    return notifications


def shake(running: Board, ids: tuple[str, ...], changes: int, gap_us: int, seed: int) -> tuple[list[Said], int]:
    """First-edge contacts change now and then, never within their hold-off; what was said, and how many changes."""
    rng, made = random.Random(seed), dict.fromkeys(ids, 0)
    for n in range(changes):
        id_ = ids[n % len(ids)]
        made[id_] ^= 1
        running.command("made", id_, made[id_])
        running.command("run", gap_us + rng.randrange(400))
    running.command("run", 3_000_000)
    return running.take(), changes


def test_nothing_is_lost_below_the_rate_of_the_line(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    said, changes = shake(fresh, ("b_tst", "b_uni"), 400, 6000, 1)  # 30 bytes each 6 ms; the line takes 2.6 ms for them
    notifications = numbered(said)
    told = [word for line in notifications if line.words[2] == "is" for word in line.words[3:]]
    assert told == [f"{('b_tst', 'b_uni')[n % 2]}={(n // 2 + 1) % 2}" for n in range(changes)]
    assert [line for line in notifications if line.words[2] == "lost"] == []


@pytest.mark.parametrize("baud", [2400, 600, -1])
def test_above_it_the_count_of_what_was_dropped_is_exact(fresh: Board, baud: int) -> None:
    fresh.ask("alive 2710")
    fresh.command("baud", baud)
    for n in range(300):
        fresh.command("made", ("b_tst", "b_uni")[n % 2], (n // 2 + 1) % 2)
        fresh.command("run", 6_000)
    fresh.command("baud", 0)
    fresh.command("run", 200_000)
    fresh.command("made", "sw_ap", 1)  # whatever was lost last is told before the next notification
    fresh.command("run", 11_000_000)
    notifications = numbered(fresh.take())
    told = sum(line.words[2] == "is" and line.words[3].startswith("b_") for line in notifications)
    lost = sum(int(line.words[3], 16) for line in notifications if line.words[2] == "lost")
    assert lost > 0
    assert told + lost == 300
    alive = [line.words for line in notifications if line.words[2] == "alive"]
    assert int(alive[-1][6], 16) == lost  # the counter in the heartbeat says the same


def test_a_sign_of_life_finds_room_however_full_the_board_is(fresh: Board) -> None:
    fresh.command("baud", 9600)
    ids = ("b_tst", "b_uni")
    for n in range(1200):
        fresh.command("made", ids[n % 2], (n // 2 + 1) % 2)
        fresh.command("run", 6_000)
    assert len([line for line in numbered(fresh.take()) if line.words[2] == "alive"]) >= 4


def test_raw_edges_told_and_lost_add_up(fresh: Board) -> None:
    fresh.ask("raw sw_ap=1 sw_rw=1")
    fresh.ask("alive 2710")
    fresh.command("baud", 9600)
    rng, edges = random.Random(5), 0
    made = {"sw_ap": 0, "sw_rw": 0}
    for _ in range(1500):
        id_ = rng.choice(("sw_ap", "sw_rw"))
        made[id_] ^= 1
        fresh.command("made", id_, made[id_])
        fresh.command("run", 500)  # each is seen by a scan; none settles
        edges += 1
    fresh.command("baud", 0)
    fresh.command("run", 100_000)
    for _ in range(2):  # one more edge, so that what was lost last is told
        made["sw_ap"] ^= 1
        fresh.command("made", "sw_ap", made["sw_ap"])
        fresh.command("run", 1000)
        edges += 1
    fresh.command("run", 100_000)
    said = [line for line in fresh.take() if line.notification]
    assert [int(line.words[0][1:], 16) for line in said] == list(
        range(int(said[0].words[0][1:], 16), int(said[0].words[0][1:], 16) + len(said))
    )
    told = sum(len(line.words) - 3 for line in said if line.words[2] == "edge")
    lost = sum(int(line.words[3], 16) for line in said if line.words[2] == "lost")
    settled = sum(len(line.words) - 3 for line in said if line.words[2] == "is")
    assert lost > 0
    assert told + lost + settled == edges + settled


def test_a_change_is_on_the_wire_within_five_ms(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    for n in range(50):
        fresh.command("made", "b_tst", (n + 1) % 2)
        (said,) = fresh.notifications(12.3 + n / 7, "is")
        assert 0 <= said.at_us - said.clock_us <= 5_000


def test_answers_go_before_notifications(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    for id_ in ("b_tst", "b_uni", "sw_ap", "sw_rw"):
        fresh.command("made", id_, 1)
    fresh.command("run", 10_900)  # a notification is going out, more wait
    body = ">05 hello"
    fresh.send(f"{body} {check_of(body)}\n".encode())
    began = int(fresh.command("time")[0])
    (answer,) = [line for line in fresh.run(40) if line.notification is None]
    assert answer.at_us - began <= 7_100  # one line of 80 bytes takes 6.9 ms


def test_a_host_that_asks_without_a_pause_overflows_no_notification(fresh: Board) -> None:
    """Answers alone would fill the line: when many notifications wait, the two take turns."""
    fresh.command("baud", 115_200)
    body = ">05 item 04"
    request = f"{body} {check_of(body)}\n".encode()
    unanswered, said, changes = 0, [], 0
    for ms in range(3000):
        while unanswered < (0x80 - 16) // len(request):
            fresh.send(request)
            unanswered += 1
        if ms % 20 == 0:
            fresh.command("made", "b_tst", (changes + 1) % 2)
            changes += 1
        heard = fresh.run(1)
        unanswered -= sum(line.notification is None for line in heard)
        said += heard
    said += fresh.run(300)
    notifications = numbered(said)
    assert sum(line.words[2] == "is" for line in notifications) == changes
    assert [line for line in notifications if line.words[2] == "lost"] == []
    assert sum(line.notification is None for line in said) > 300


def test_signs_of_life_keep_their_period(fresh: Board) -> None:
    fresh.ask("alive 0064", ms=1)
    times = [line.clock_us for line in fresh.run(2000) if line.notification]
    assert len(times) == 19 or len(times) == 20
    for earlier, later in pairwise(times):
        assert later - earlier == pytest.approx(100_000, abs=1_500)


def test_the_worst_turn_is_told(fresh: Board) -> None:
    fresh.command("turns", 700)
    fresh.run(2100)
    fresh.command("turns", 50)
    last = [line for line in fresh.run(1000) if line.notification and line.words[2] == "alive"][-1]
    assert 650 <= int(last.words[7], 16) <= 1500


def test_the_clock_wraps_and_life_goes_on(fresh: Board) -> None:
    """After 71.6 minutes: counted in the heartbeat, and no time across it is wrong."""
    fresh.command("clock", 2**32 - 6_000)
    fresh.run(1)  # past what the jump itself made due
    fresh.ask("raw sw_rw=1", ms=1)
    fresh.command("made", "sw_rw", 1)
    fresh.command("made", "b_tst", 1)
    said = fresh.run(40)
    notifications = {line.notification: line.clock_us for line in said if line.notification}
    assert 2**32 - 5_000 < notifications["edge sw_rw=0"] < 2**32 - 3_000
    assert 2**32 - 5_000 < notifications["is b_tst=1"] < 2**32 - 3_000
    assert 5_000 < notifications["is sw_rw=1"] < 9_000  # 10 ms after the edge, on the other side
    body = ">07 ping 0012ABCD 00000000"
    fresh.send(f"{body} {check_of(body)}\n".encode())
    (ping,) = [line for line in fresh.run(10) if line.notification is None]
    assert all(int(word, 16) < 60_000 for word in ping.words[2:])
    alive = [line.words for line in fresh.run(1100) if line.notification and line.words[2] == "alive"]
    assert alive[0][4] == "0001"


def test_ping_stamps_the_line_end_and_the_first_byte_out(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    rng = random.Random(2)
    for _ in range(40):
        fresh.command("run", rng.randrange(5000))
        body = ">07 ping 0012ABCD 00000000"
        request = f"{body} {check_of(body)}\n".encode()
        fresh.send(request[:-1])
        fresh.command("run", 100)
        came = int(fresh.command("time")[0])
        fresh.send(request[-1:])
        (answer,) = [line for line in fresh.run(20) if line.notification is None]
        assert len(answer.body) == len(body)  # so that the time on the wire is the same both ways
        received, out = (int(word, 16) for word in answer.words[2:])
        assert received == came
        assert out == answer.at_us


def test_a_ping_waits_until_the_line_is_idle(fresh: Board) -> None:
    fresh.command("baud", 115_200)
    text = "".join(
        f">{tag:02X} {words} {check_of(f'>{tag:02X} {words}')}\n"
        for tag, words in ((1, "item 04"), (2, "ping 00000000 00000000"))
    )
    fresh.send(text.encode())
    item, ping = (line for line in fresh.run(40) if line.notification is None)
    assert item.words[1] == "item"
    assert int(ping.words[3], 16) == ping.at_us
    # after every byte of the first, check and line end included
    assert ping.at_us - item.at_us >= (len(item.body) + 7) * 10e6 / 115_200 - 100


def test_boot_numbers_count_resets_and_the_cause_is_told(fresh: Board) -> None:
    fresh.command("blank")
    for number, cause in enumerate(("power", "reset", "watchdog", "brownout", "unknown", *["reset"] * 70), 1):
        fresh.command("reset", cause)
        first = fresh.run(5)[0]
        assert first.notification == f"boot {number:04X} {cause} 01"
        assert first.words[0] == "!0000"


def test_ident_and_name_outlive_a_reset(fresh: Board) -> None:
    assert fresh.ask("ident met_2", ms=60).body == "<01 ident met_2"
    assert fresh.ask("name A%20%C3%A4%20long%20name", ms=60).words[1] == "name"
    fresh.command("reset", "power")
    fresh.settle()
    assert fresh.ask("hello").words[-1] == "met_2"
    assert fresh.ask("item 00").body == "<01 item 00 board ident=met_2 name=A%20%C3%A4%20long%20name"
    fresh.command("blank")
    fresh.command("reset", "power")
    fresh.settle()
    assert fresh.ask("item 00").body == "<01 item 00 board ident=desk name=Ostrey%20desk"


def kept(ident: bytes, name: bytes) -> bytes:
    """A store as the board keeps it: 64 bytes of boot numbers, ident and name, each with its check behind it.

    The check is CRC-16/IBM-3740's polynomial from B0A4h (core/store.c); worked out by the standard library.
    """
    texts = (ident.ljust(16, b"\0"), name.ljust(24, b"\0"))
    return bytes(64) + b"".join(text + binascii.crc_hqx(text, 0xB0A4).to_bytes(2, "little") for text in texts)


def called(fresh: Board, store: bytes) -> tuple[str, str]:
    """Ident and name as `hello` and `item 00` tell them after a reset with this in the store."""
    fresh.command("blank", store.hex())
    fresh.command("reset", "power")
    (boot,) = (said.notification for said in fresh.run(20) if said.notification and said.words[2] == "boot")
    hello = fresh.ask("hello")
    # line-protocol.md, section 4: hello VERSION ITEMS RECEIVE BOOT IDENT.
    match = re.fullmatch(r"<01 hello 01 [0-9A-F]{2} [0-9A-F]{4} ([0-9A-F]{4}) ([a-z][a-z0-9_]{0,15})", hello.body)
    assert match, hello.body
    assert boot == f"boot {match[1]} power 01"
    item = re.fullmatch(r"<01 item 00 board ident=(\S+) name=([!-<>-~]{1,24})", fresh.ask("item 00").body)
    assert item, "item 00"
    assert item[1] == match[2]
    return match[2], item[2]


MAP_SAYS = ("desk", "Ostrey%20desk")


@pytest.mark.parametrize(
    "store",
    [
        *(b"\0", b"\xff", b"\x55\xaa", b"a", b"desk=1 ", bytes(range(256))[:108]),
        # As an earlier firmware kept it, without a check: nothing says that it is ours.
        bytes(64) + b"tower".ljust(16, b"\0") + b"Tower%20desk".ljust(28, b"\0"),
        *(random.Random(seed).randbytes(108) for seed in range(20)),
    ],
)
def test_a_store_that_another_sketch_used_is_never_told(fresh: Board, store: bytes) -> None:
    assert called(fresh, store) == MAP_SAYS


def test_what_is_kept_is_told_and_nothing_that_is_spoilt(fresh: Board) -> None:
    good = kept(b"tower_7", b"Mets%20desk")
    assert called(fresh, good) == ("tower_7", "Mets%20desk")
    for at in range(64, 108):
        bad = bytearray(good)
        bad[at] ^= 0x20
        # Behind the end of a text nothing is read: ident 64 to 71, its check at 80; name 82 to 93, its check at 106.
        ident = "desk" if at < 72 or 80 <= at < 82 else "tower_7"
        name = "Ostrey%20desk" if 82 <= at < 94 or at >= 106 else "Mets%20desk"
        assert called(fresh, bytes(bad)) == (ident, name)
    # The check is right and the form is not: a letter too many, a space, an equals sign, half a per cent.
    assert called(fresh, kept(b"Tower", b"a=b")) == MAP_SAYS
    assert called(fresh, kept(b"to wer", b"a b")) == MAP_SAYS
    assert called(fresh, kept(b"7tower", b"50%")) == MAP_SAYS
    assert called(fresh, kept(b"", b"")) == MAP_SAYS
    assert called(fresh, kept(b"t" * 16, b"n" * 24)) == ("t" * 16, "n" * 24)


def test_a_write_that_is_broken_off_leaves_what_the_panel_map_says(fresh: Board) -> None:
    fresh.command("blank", kept(b"tower_7", b"Mets").hex())
    fresh.command("reset", "power")
    fresh.settle()
    fresh.command("turns", 1000)  # a byte a millisecond
    try:
        body = ">01 ident met_2"
        fresh.send(f"{body} {check_of(body)}\n".encode())
        fresh.run(8)
    finally:
        fresh.command("turns", 50)
    fresh.command("reset", "power")
    fresh.settle()
    assert fresh.ask("hello").words[-1] in ("desk", "tower_7")


def test_every_line_of_a_description_fits_and_is_whole(desk: Board) -> None:
    desk.command("blank")
    desk.command("reset", "power")
    desk.settle()
    count = int(desk.ask("hello").words[3], 16)
    kinds = []
    for item in range(count):
        words = desk.ask(f"item {item:02X}").words  # `Board` has looked at length and check
        kinds.append(words[3])
        assert all("=" in word for word in words[5 if item >= 4 else 4 :])
    assert (
        kinds
        == ["board", "model", "firmware", "clock"]
        + ["contact"] * 12
        + ["encoder"]
        + ["pot"] * 2
        + ["lamp"] * 8
        + ["display"] * 3
    )
