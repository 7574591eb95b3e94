"""``benchcon ports`` as a user runs it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from link.boards import PeerProcess

from benchcon.cli.main import main
from benchcon.link import known_ports
from benchcon.link.discovery import find_ports
from benchcon.rig.shining import running

Boards = Callable[..., PeerProcess]


def test_listing_opens_nothing(board: Boards, capsys: pytest.CaptureFixture[str]) -> None:
    desk = board(ident="lighting")
    assert main(["ports"]) == 0
    assert main(["ports", "--json"]) == 0
    out = capsys.readouterr().out
    listed = json.loads(out[out.index("[\n") if "[\n" in out else out.index("[]") :])
    assert [row["port"] for row in listed] == [found.port for found in find_ports(running())]
    assert desk.say("heard") == ""


def test_who_answers_on_a_named_port(board: Boards, capsys: pytest.CaptureFixture[str]) -> None:
    desk = board(ident="lighting")
    assert main(["ports", desk.port, "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["ident"], row["name"], row["rate"], row["channels"]) == ("lighting", "A desk", 115200, 5)
    assert main(["ports", desk.port]) == 0
    assert "lighting “A desk”, 5 channels, 115200" in capsys.readouterr().out
    assert desk.say("state") == {"dark": False, "deadman_ms": 0, "name": "A%20desk", "raw": []}
    assert known_ports.remembered() == []


def test_what_is_wrong_with_a_link_is_said_where_a_second_shows_it(
    board: Boards, capsys: pytest.CaptureFixture[str]
) -> None:
    sound, slow = board(ident="lighting"), board(ident="met", late_s=0.014)
    assert main(["ports", sound.port, slow.port, "--json"]) == 0
    first, second = json.loads(capsys.readouterr().out)
    # A computer that is busy delays both boards at once, which may be taken for the hub.
    assert {first["trouble"], second["trouble"]} <= {"", "timer", "host", "hub"}
    assert "ping" in sound.say("heard")
    for _ in range(10):  # a computer that is busy makes answers later than any timer would
        assert main(["ports", slow.port]) == 0
        out = capsys.readouterr().out
        assert "met “A desk”, 5 channels, 115200" in out
        if "\n    Answers wait: half of them 1" in out:
            break
    assert "set it to 1 ms" in " ".join(out.split())


def test_a_port_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "/dev/not-there"]) == 2
    out = capsys.readouterr().out
    assert "is not there: is it plugged in?" in out
    assert out.count("/dev/not-there") == 1


def test_a_port_without_a_board(
    board: Boards, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 2)
    desk = board(loader_s=1000)
    assert main(["ports", desk.port]) == 1
    assert "no answer" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("slip", "told"),
    [
        ("no space", "no space before '#'"),
        ("space not checked", "the check leaves out the space before '#'"),
        ("memory", "left over in the board's memory from another sketch"),
        ("width", "the version is '1'; it has 2 hex digits"),
        ("refused", "'hello' was refused (01 unknown word)"),
    ],
)
def test_a_hello_with_a_slip_is_explained_and_no_other_firmware_is_advised(
    slip: str, told: str, board: Boards, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 2)
    desk = board(slip=slip)
    assert main(["ports", desk.port]) == 1
    out = capsys.readouterr().out
    assert told in out
    assert "RX" not in out
    assert "flash" not in out


@pytest.mark.slow
def test_a_recording_of_a_board_that_never_says_who_it_is_is_no_success(
    board: Boards, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("benchcon.wire.host.HELLO_TRIES", 2)
    desk = board(slip="width")
    assert main(["record", desk.port, "-o", str(tmp_path / "a.capture"), "--seconds", "3"]) == 1
    err = capsys.readouterr().err
    assert "the version is '1'; it has 2 hex digits" in err
    assert "never said who it is" in err


def test_forgetting(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "--forget", "/dev/ttyUSB0"]) == 2
    assert "/dev/ttyUSB0 is not remembered" in capsys.readouterr().err
    known_ports.remember("/dev/ttyUSB0", "lighting", "2341:0043:85")
    assert main(["ports", "--forget", "lighting"]) == 0
    assert known_ports.remembered() == []
    assert main(["ports", "--forget", "lighting", "/dev/ttyUSB0"]) == 2
