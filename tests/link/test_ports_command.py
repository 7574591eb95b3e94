"""``benchcon ports`` as a user runs it."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from link.boards import PeerProcess

from benchcon.cli.main import main
from benchcon.link import remember
from benchcon.link.found import find_ports

Boards = Callable[..., PeerProcess]


def test_listing_opens_nothing(board: Boards, capsys: pytest.CaptureFixture[str]) -> None:
    desk = board(ident="lighting")
    assert main(["ports"]) == 0
    assert main(["ports", "--json"]) == 0
    out = capsys.readouterr().out
    listed = json.loads(out[out.index("[\n") if "[\n" in out else out.index("[]") :])
    assert [row["port"] for row in listed] == [found.port for found in find_ports()]
    assert desk.say("heard") == ""


def test_who_answers_on_a_named_port(board: Boards, capsys: pytest.CaptureFixture[str]) -> None:
    desk = board(ident="lighting")
    assert main(["ports", desk.port, "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert (row["ident"], row["name"], row["rate"], row["channels"]) == ("lighting", "A desk", 115200, 5)
    assert main(["ports", desk.port]) == 0
    assert "lighting “A desk”, 5 channels, 115200" in capsys.readouterr().out
    assert desk.say("state") == {"dark": False, "deadman_ms": 0, "name": "A%20desk"}
    assert remember.agreed() == []


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


def test_forgetting(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "--forget", "/dev/ttyUSB0"]) == 2
    assert "nothing was agreed to for /dev/ttyUSB0" in capsys.readouterr().err
    remember.remember("/dev/ttyUSB0", "lighting", "2341:0043:85")
    assert main(["ports", "--forget", "lighting"]) == 0
    assert remember.agreed() == []
    assert main(["ports", "--forget", "lighting", "/dev/ttyUSB0"]) == 2
