"""Switches the light level of the whole panel between day and night, which multiplies every lamp's trim."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchcon.console.name_by_hand import take_panel
from benchcon.errors import Trouble
from benchcon.panel.lightness import DAY, NIGHT, at_level, looks_permille, sent_permille
from benchcon.units import percent
from benchcon.view.why_not import NOTHING_TO_LIGHT

if TYPE_CHECKING:
    from benchcon.console.bench_app import BenchApp

LACKS = 'the panel file has no night level; add one under [panel], such as night = "40 %"'


def switch_level(app: BenchApp) -> str:
    """Switch the panel from its day to its night level, or back; return a message that says so.

    Lit lamps keep their lightness relative to each other. Raises `Trouble` if there is no night level, or in a replay.
    """
    session = app.session
    if session.bench is None:
        raise Trouble(NOTHING_TO_LIGHT)
    if not session.panel.night_permille:
        raise Trouble(LACKS)
    before = {lamp.name: lamp for lamp in session.panel.lamps}
    level = DAY if session.light_level == NIGHT else NIGHT
    panel = at_level(session.panel, level)
    session.light_level = level
    take_panel(app, panel)
    boards = app.model.boards
    wanted: dict[int, dict[str, int | bytes]] = {}
    blinking: list[tuple[int, str]] = []
    with session.lock:
        for lamp in panel.lamps:
            board = boards.get(lamp.channel.board)
            channel = board.channels.get(lamp.channel.id) if board is not None and board.link == "linked" else None
            if board is None or channel is None or board.dark:
                continue
            if channel.blinking:
                blinking.append((board.source, lamp.channel.id))
            elif channel.value:
                looks = looks_permille(before[lamp.name], channel.value)
                wanted.setdefault(board.source, {})[lamp.channel.id] = sent_permille(lamp, looks)
    for source, values in wanted.items():
        session.bench.set_many(source, values)
    for source, id_ in blinking:
        session.bench.blink(source, id_, True)  # blink at the new level
    permille = panel.night_permille if level == NIGHT else panel.day_permille
    message = f"{level.capitalize()} level: all lamps at {percent(permille)} of their light"
    session.bench.note("word", message)
    return message
