"""Parts for channels that no panel file names, so that a board which was just plugged in can be used at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from benchcon.panel.model import Board, Channel, Control, Display, Lamp, Panel, Part, Wire
from benchcon.state.bench import BenchState
from benchcon.state.board import BoardState
from benchcon.state.channel import ChannelState
from benchcon.wire.items import Item, counts_per_detent, digits_in, positions_in, top_in

if TYPE_CHECKING:
    from benchcon.panel.draft import Said

Signature = tuple[object, ...]


def signature(state: BenchState) -> Signature:
    """Return a value that changes whenever the result of `completed` may change."""
    return tuple(
        (
            board.source,
            board.link == "linked",
            board.duplicate,
            board.ident,
            board.name,
            len(board.channels),
            sum(1 for each in board.channels.values() if each.kind),
        )
        for board in state.boards.values()
    )


def completed(panel: Panel, state: BenchState) -> Panel:
    """Return `panel` with a part for every channel that has none, named by its board and id, without a place."""
    boards = list(panel.boards)
    used = {(channel.board, channel.id) for part in panel.parts for channel in part.channels}
    found: list[Part] = []
    for _, board in sorted(state.boards.items()):  # in the order of the ports, not in that of the answers
        if board.duplicate:
            continue  # the parts of this name belong to the other board
        name = name_on(panel.boards, board)
        if name is None:
            if not board.channels:
                continue
            name = board.called
            boards.append(Board(name, ident=board.ident))
        labels = Counter(_label(channel).casefold() for channel in board.channels.values())
        for channel in board.channels.values():
            if (name, channel.id) not in used:
                part = part_of(name, channel, alone=labels[_label(channel).casefold()] == 1)
                if part is not None:
                    found.append(part)
    if not found and len(boards) == len(panel.boards):
        return panel
    return replace(
        panel,
        boards=tuple(boards),
        controls=(*panel.controls, *(part for part in found if isinstance(part, Control))),
        lamps=(*panel.lamps, *(part for part in found if isinstance(part, Lamp))),
        displays=(*panel.displays, *(part for part in found if isinstance(part, Display))),
    )


def said_of(boards: Iterable[BoardState]) -> list[Said]:
    """Return what `boards` have said about themselves, as `panel.draft` takes it; without those that said nothing.

    Model, chip and firmware are included, because firmware is generated for a chip.
    """
    said: list[Said] = []
    for board in boards:
        items = [
            Item(index, channel.kind, channel.id, dict(channel.detail))
            for index, channel in enumerate(board.channels.values())
            if channel.kind
        ]
        about = [
            Item(0, "model", "", {"text": board.model, "chip": board.chip}),
            Item(0, "firmware", "", {"text": board.firmware}),
        ]
        if items:
            said.append((board.port, board.ident, board.name, [*about, *items]))
    return said


def name_on(boards: Iterable[Board], board: BoardState) -> str | None:
    """Return the name that `board` has on a panel with these `boards`; None if it is not on it."""
    return next((each.name for each in boards if each.own_ident in (board.ident, board.name)), None)


def _label(channel: ChannelState) -> str:
    return channel.detail.get("label") or channel.id


def part_of(board: str, channel: ChannelState, alone: bool = True) -> Part | None:
    """Return a part for one channel, as far as its board has described it; None for an unknown kind.

    If it is not `alone` with its label (a switch and its lamp often share one), the channel's id is added to that.
    """
    name = f"{board}.{channel.id}"
    label = _label(channel) if alone else f"{_label(channel)} {channel.id}"
    wired = (Channel(board, channel.id, Wire(pin=channel.detail.get("pin", ""))),)
    if channel.kind == "lamp":
        return Lamp(name, label, wired[0], colour=channel.detail.get("colour", "white"))
    if channel.kind == "display":
        return Display(name, label, wired[0], digits=digits_in(channel.detail))
    if channel.kind == "contact":
        return Control(name, label, "switch", wired, ("open", "made"), ((0,), (1,)))
    if channel.kind == "selector":
        count = positions_in(channel.detail)
        return Control(name, label, "switch", wired, tuple(map(str, range(count))), tuple((n,) for n in range(count)))
    if channel.kind == "encoder":
        return Control(name, label, "encoder", wired, detent_counts=counts_per_detent(channel.detail))
    if channel.kind == "pot":
        return Control(name, label, "pot", wired, high_count=top_in(channel.detail))
    return None
