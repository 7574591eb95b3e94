"""What the console says for a moment: seen each time it is said, however often things were said before."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from console.in_terminal import Terminal
from link.boards import PeerProcess


@pytest.fixture
def board() -> Iterator[PeerProcess]:
    peer = PeerProcess()
    yield peer
    peer.close()


def test_dark_is_confirmed_in_words_each_time(board: PeerProcess, tmp_path: Path) -> None:
    env = {"BENCHCON_HOME": str(tmp_path), "BENCHCON_LOCKS": str(tmp_path)}
    with Terminal("-m", "benchcon", "console", board.port, env=env, columns=140, rows=45) as terminal:
        terminal.see("● desk", "off")
        for _ in range(4):
            terminal.press("F9")
            terminal.see("Dark, confirmed by every board")
            assert board.say("state")["dark"]
            terminal.press("F12")
            terminal.see("Dark has ended.")
            terminal.until(lambda: "Dark, confirmed" not in terminal.text(), "the end of the notice")
        terminal.press("q")
        assert terminal.ended() == 0
