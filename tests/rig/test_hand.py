"""The hand's client: clear words for everything that can go wrong. What it does is tested with the boards."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.errors import Trouble
from benchcon.rig.hand import Hand


@contextmanager
def board(*answers: bytes) -> Iterator[str]:
    """A control connection that gives these answers, one a request, over one connection each."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        for answer in answers:
            try:
                made, _ = listener.accept()
            except OSError:
                return
            with made:
                made.recv(1000)
                made.sendall(answer)
                made.recv(1000)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"tcp:127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.close()
        thread.join(5)


@pytest.mark.parametrize(
    "word", ["", "tcp", "tcp:", "tcp:host", "tcp:host:port", "unix:", "/dev/ttyUSB0", "tcp:h:99999"]
)
def test_what_is_no_control_word_is_said(word: str) -> None:
    with pytest.raises(Trouble, match="is not a HAND"):
        Hand(word)


def test_a_board_that_is_not_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        control = f"tcp:127.0.0.1:{gone.getsockname()[1]}"
    with pytest.raises(Trouble, match=r"cannot be reached .*is it still running"):
        Hand(control).lit()
    with pytest.raises(Trouble, match=r"cannot be reached .*is it still running"):
        Hand("unix:/nowhere/desk.hand").lit()


def test_a_board_that_does_not_answer() -> None:
    with board(b"") as control, Hand(control, timeout_s=0.1) as hand:
        with pytest.raises(Trouble, match=r"does not answer within 0\.1 s"):
            hand.lit()


def test_after_a_lost_connection_the_next_request_makes_another() -> None:
    with board(b"half an ans", b"ok l1=1000\n") as control:
        hand = Hand(control, timeout_s=0.2)
        with pytest.raises(Trouble):
            hand.lit()
        assert hand.lit() == {"l1": 1000}
        hand.close()


def test_a_refusal_is_said_in_the_boards_words_made_printable() -> None:
    with board(b"no there is no part 'x\x1b[2J'\n") as control, Hand(control) as hand:
        with pytest.raises(Trouble) as error:
            hand.press("x")
    assert str(error.value) == "there is no part 'x\\x1B[2J' (press x)"


@given(st.binary(max_size=80).filter(lambda data: b"\n" not in data))
def test_any_answer_whatever_is_an_answer_or_trouble(answer: bytes) -> None:
    hand = Hand("tcp:127.0.0.1:1")
    ours, theirs = socket.socketpair()
    with ours, theirs:
        hand._socket = ours
        theirs.sendall(answer + b"\n")
        try:
            hand.lit()
        except Trouble as error:
            said = str(error)
        else:
            said = ""
    assert "\x1b" not in said
    assert "\n" not in said
