"""What a stranger sends: any bytes, and well-formed lines that make no sense."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from benchcon.link import Pace, foreign, say
from benchcon.link.conversation import Talk
from benchcon.link.hub import Hub
from benchcon.state import BenchState
from benchcon.text import printable
from benchcon.wire.codec import answer, notification
from benchcon.wire.records import Batch


class NoPort:
    """Stands where a connection stands; takes everything."""

    def __init__(self) -> None:
        self.rate = 115200
        self.waiting = False
        self.sent = b""

    def send(self, data: bytes) -> bool:
        self.sent += data
        return True


word = st.one_of(
    st.sampled_from(["hello", "item", "read", "set", "dark", "boot", "alive", "is", "lost", "no", "ping", "deadman"]),
    st.from_regex(r"[a-z][a-z0-9_]{0,7}", fullmatch=True),
    st.from_regex(r"[a-z][a-z0-9_]{0,7}=[0-9A-FZ]{0,17}", fullmatch=True),
    st.from_regex(r"[0-9A-F]{1,8}", fullmatch=True),
    st.sampled_from(["00", "01", "FF", "FFFF", "0080", "00000000", "lamp", "l1=3E8", "dim=1", "%1B%5B2J", "digits=F"]),
)
hello = st.builds(
    lambda items, buffer, boot, ident: ("hello", "01", f"{items:02X}", f"{buffer:04X}", f"{boot:04X}", ident),
    st.integers(0, 3),
    st.integers(0, 0xFFFF),
    st.integers(0, 3),
    st.sampled_from(["lighting", "met", "%1B%5B2J"]),
)
item = st.builds(
    lambda index, kind, rest: ("item", f"{index:02X}", kind, *rest),
    st.integers(0, 3),
    st.sampled_from(["lamp", "display", "contact", "board", "odd"]),
    st.lists(word, max_size=3),
)
words = st.one_of(hello, item, st.lists(word, min_size=1, max_size=6).map(tuple))


def _line(tag: int, number: int, is_notification: bool, said: tuple[str, ...]) -> bytes:
    try:
        return (notification(number, number * 1000, said) if is_notification else answer(tag, said)) + b"\n"
    except ValueError:
        return b"\n"


line = st.builds(_line, st.integers(0, 40), st.integers(0, 0xFFFF), st.booleans(), words)
sent = st.lists(st.one_of(line, line, line, st.binary(max_size=100)), max_size=40)
ASKED = ["set", "blink", "wink", "dark", "light", "raw", "ident", "other", "rate"]


@settings(max_examples=150, deadline=None)
@given(sent, st.lists(st.sampled_from(ASKED), max_size=10))
def test_a_stranger_breaks_nothing(said: list[bytes], asked: list[str]) -> None:
    hub = Hub(None, 2000, False, Pace(), False, lambda: None)
    state = BenchState()
    stream: list[Batch] = []

    def listen(batches: list[Batch]) -> None:
        stream.extend(batches)
        for batch in batches:
            state.feed(batch)

    hub.stream.subscribe(listen)
    connection: Any = NoPort()
    talk = Talk(hub, connection, 1)
    came: list[Any] = []
    wanted = 0
    talk.bring_up()
    for turn, data in enumerate(said):
        talk._heard(data, hub.now_us())
        if talk.host.stage == "ready" and not talk.live:
            talk.go_live()
        if turn < len(asked):
            wanted += 1
            {
                "set": lambda: talk.want({"l1": 1000, "d1": 0x7F}, came.append),
                "blink": lambda: (talk.blink("l1", True, 1000), came.append(None)),
                "wink": lambda: talk.wink(came.append),
                "dark": lambda: talk.dark(came.append),
                "light": lambda: talk.request(("light",), came.append),
                "raw": lambda: talk.request(("raw", "sw1=1"), came.append),
                "ident": lambda: talk.request(("ident", "met"), came.append),
                "other": lambda source=turn + 2: (talk.is_lent(source, hub.outputs(source, "")), came.append(None)),
                "rate": lambda: (talk.fresh_ear(), came.append(None)),
            }[asked[turn]]()
        talk.pump()
    talk.end("hung up")
    assert len(came) == wanted  # nobody who asked is left waiting
    assert [batch.at_us for batch in stream] == sorted(batch.at_us for batch in stream)
    assert not any(body.startswith((b"fault", b"dismissed")) for batch in stream for body in batch.bodies)
    assert hub._together.may(hub.now_us() + 10_000_000)  # nor is a rise counted as still on its way
    hub.loop.close()


def test_what_was_wanted_is_dropped_when_another_board_answers_on_the_port() -> None:
    hub = Hub(None, 2000, False, Pace(), False, lambda: None)
    connection: Any = NoPort()
    talk = Talk(hub, connection, 1)
    talk.live = True
    came: list[Any] = []
    for level in (1000, 0):
        talk.want({"l1": level}, came.append)  # the first is on its way, the second waits for its answer
    talk.wink(came.append)  # waits for the lamp
    talk.is_lent(2, hub.outputs(2, ""))
    assert [say(outcome) for outcome in came] == ["dropped: another board answers on that port now"] * 3
    tag = connection.sent.split(b"set")[0][-3:-1]
    talk._heard(answer(int(tag, 16), ("set", "00000001")) + b"\n", hub.now_us())  # late: raised a KeyError
    talk.want({"l1": 1000}, came.append)
    assert connection.sent.count(b"set l1=3E8") == 2  # what was on its way to the other board holds nothing back
    talk.end("hung up")
    hub.loop.close()


def test_what_was_asked_is_answered_although_another_rate_is_tried_meanwhile() -> None:
    hub = Hub(None, 2000, False, Pace(), False, lambda: None)
    connection: Any = NoPort()
    talk = Talk(hub, connection, 1)
    came: list[Any] = []
    for number in range(3):  # the last ones wait for room in the board's buffer
        talk.ask(("ping", f"{number:08X}", "00000000"), came.append)
    talk.dark(came.append)
    talk.fresh_ear()  # whoever waited for these would have waited for ever
    assert [say(outcome) for outcome in came] == [
        "no answer to 'ping 00000001 00000000'",
        "no answer to 'ping 00000002 00000000'",
        "no answer to 'ping 00000000 00000000'",
        "no answer to 'dark'",
    ]
    talk.want({"l1": 1000}, came.append)
    assert "dark was asked for" in say(came[-1])  # dark is wanted still, of whoever answers at the other rate
    talk.end("hung up")
    hub.loop.close()


def test_a_wink_that_waits_goes_with_everything_else_when_the_bench_goes_dark() -> None:
    hub = Hub(None, 2000, False, Pace(), False, lambda: None)
    connection: Any = NoPort()
    talk = Talk(hub, connection, 1)
    came: list[Any] = []
    talk.wink(came.append)
    talk.live = True
    talk.want({"l1": 1000}, lambda outcome: None)
    talk.wink(came.append)
    talk.dark(lambda outcome: None)
    talk.pump()
    said = ["not sent: the board is still being read; try again in a moment", "dropped: the board went dark"]
    assert [say(outcome) for outcome in came] == said
    assert b"wink" not in connection.sent
    talk.end("hung up")
    hub.loop.close()


@given(st.dictionaries(st.sampled_from(foreign.RATES), st.binary(max_size=200), min_size=1))
def test_a_foreign_protocol_is_told_in_one_harmless_line(heard: dict[int, bytes]) -> None:
    text = foreign.explain(heard)
    assert printable(text) == text
    assert "Likely" in text
    assert len(text) < 600


def test_the_likely_cause_is_named() -> None:
    assert "another firmware" in foreign.explain({115200: b"Temperature 21.5\r\nTemperature 21.6\r\n"})
    assert "inverted or open line" in foreign.explain({115200: b"\x00\x00\x00\xff\x00\x00"})
    assert "unusual rate" in foreign.explain({115200: bytes(range(128, 200)), 9600: bytes(range(100, 220))})
    assert "another network service" in foreign.explain({0: bytes(range(128, 200))})
    assert foreign.best_rate({115200: b"\xf3\x80\x12", 9600: b"boot v1\r\n", 57600: b"\xff\xfe"}) == 9600
    assert 1200 not in foreign.RATES
