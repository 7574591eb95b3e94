"""What `benchcon firmware` would say of a panel, for `benchcon check`."""

from __future__ import annotations

from benchcon.firmware.chips import CHIPS
from benchcon.firmware.plan import Refused, plan
from benchcon.panel.model import Board, Panel
from benchcon.panel.reader import PanelRemark
from benchcon.panel.rules import channels_of


def inspect_boards(panel: Panel) -> tuple[list[PanelRemark], list[str]]:
    """Return advice about each board of `panel`, and the names of those that firmware cannot be built for as it stands.

    A board without a known chip, or whose pins nobody has written down, is somebody else's: nothing is built for it.
    """
    found: list[PanelRemark] = []
    refused: list[str] = []
    for board in panel.boards:
        if board.chip not in CHIPS or not _has_pins(panel, board):
            continue
        try:
            found += plan(panel, board.name)[1]
        except Refused as why:
            refused.append(board.name)
            found += [
                each._replace(text=f"firmware cannot be built: {each.text}", grave=False) for each in why.findings
            ]
    return found, refused


def _has_pins(panel: Panel, board: Board) -> bool:
    channels = (channel for part in panel.parts for channel in channels_of(part) if channel.board == board.name)
    return any(channel.wire.pin for channel in channels) or any(chain.data for chain in board.chains)
