"""Rules that need a hand on the board: a reset, and inputs that move. Simulated and emulated boards have one."""

from __future__ import annotations

from benchcon.conform.board import Broken, NotPlayed, Subject
from benchcon.hand import Hand

_NO_HAND = "needs a hand on the board: --hand CONTROL, for simulated and emulated boards"


def changes(board: Subject, hand: Hand | None) -> None:
    """**numbers** (changes): each contact pressed and released is told as `is`, once each, and reads the same."""
    if hand is None:
        raise NotPlayed(_NO_HAND)
    contacts = [channel for channel in board.channels if channel.kind == "contact"]
    if not contacts:
        raise NotPlayed("the board has no contacts")
    for channel in contacts[:8]:
        before = board.values(channel.id)[channel.id]
        told: list[str] = []
        for act in (hand.press, hand.release):
            since = len(board.line.news)
            act(channel.id)
            board.line.pump(0.15)
            told += [
                word.partition("=")[2]
                for news in board.line.news[since:]
                if news.words[0] == "is"
                for word in news.words[1:]
                if word.partition("=")[0] == channel.id
            ]
        if before == "0" and told != ["1", "0"]:
            raise Broken(f"'{channel.id}' pressed and released was told as {told}, not as 1 and 0")


def boot(board: Subject, hand: Hand | None) -> None:
    """**boot**: after a reset the first line is `boot`, numbered 0000; outputs off, not dark, dead-man off."""
    if hand is None:
        raise NotPlayed(_NO_HAND)
    if board.outputs:
        channel = board.outputs[0]
        board.done("set", f"{channel.id}={channel.on}")
    board.done("dark")
    old = int(board.alive().words[1], 16)
    since = len(board.line.news)
    hand.reset()
    news = board.line.await_news("boot", 8.0, since)
    if news is None:
        raise Broken("no 'boot' came within eight seconds after a reset")
    if news.number != 0 or [said.words[0] for said in board.line.news[since:]].index("boot") != 0:
        raise Broken("'boot' is the first news after a reset, with number 0000")
    if len(news.words) != 4 or int(news.words[1], 16) != (old + 1) % 0x10000:
        raise Broken(f"the boot number was {old:04X}, and after the reset it is {' '.join(news.words[1:2])}")
    flags = int(board.alive().words[7], 16)
    if flags & 3:
        raise Broken(f"after a reset a board is neither dark nor is its dead-man armed; flags are {flags:02X}")
    for channel_id, value in board.values().items():
        if any(channel.id == channel_id and value != channel.off for channel in board.outputs):
            raise Broken(f"after a reset '{channel_id}' reads {value}; outputs are off")
