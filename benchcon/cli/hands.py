"""Simulated hands given to a command, and waiting until all boards of a panel answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchcon.panel.model import Panel
    from benchcon.rig.hand import Hand
    from benchcon.session import LiveSession

READY_S = 15.0
"""How long boards may take to answer: five seconds for a boot loader, and a margin."""


def hands_of(controls: Sequence[str]) -> dict[str, Hand]:
    """Return the simulated hands at these addresses, by the board whose controls they work. Raises `Trouble`."""
    from benchcon.errors import Trouble
    from benchcon.rig.hand import Hand

    hands: dict[str, Hand] = {}
    for control in controls:
        hand = Hand(control)
        words = hand.ask("hello")
        board = words[2] if len(words) > 2 else ""
        if board in hands:
            raise Trouble(f"two hands were given for the board '{board}'; give one")
        hands[board] = hand
    return hands


def port_of(board: str, hand: Hand) -> str:
    """Return the port of the board that a hand works. Raises `Trouble` if the hand does not report it."""
    from benchcon.errors import Trouble

    try:
        return hand.port()
    except Trouble:
        raise Trouble(f"the hand of '{board}' does not report its board's port; name the PORT as well") from None


def meet(session: LiveSession, panel: Panel) -> None:
    """Wait until every board of the panel is linked and described. Raises `Trouble` naming those that do not answer."""
    import time

    from benchcon.errors import Trouble
    from benchcon.walk.channel_changes import missing_boards

    assert session.bench is not None
    until = time.monotonic() + READY_S
    while missing := missing_boards(session, panel):
        ports = session.bench.ports()
        settled = bool(ports) and all(port.decided for port in ports)
        # A board that has just answered is live before its description is whole.
        if time.monotonic() > until or (settled and not _half_known(session)):
            break
        session.bench.wait(_never, 0.02)
    if missing and (missing := missing_boards(session, panel)):
        raise Trouble(_nobody_answers(session, missing))


def _nobody_answers(session: LiveSession, missing: list[str]) -> str:
    """Return the message that these boards do not answer, with the reason if known, such as who has the port open."""

    assert session.bench is not None
    why = "; ".join(port.text for port in session.bench.ports() if port.failed and port.text)
    return f"no board answers as {', '.join(missing)}{f': {why}' if why else ''}; see 'benchcon ports'"


def _never(ports: object) -> bool:
    return False


def _half_known(session: LiveSession) -> bool:
    with session.lock:
        return any(not board.known for board in session.state.boards.values() if board.link == "linked")


def ask_to(text: str) -> bool:
    """Ask the person at the terminal to move something; return whether it was done (False at the end of input)."""
    try:
        answer = input(f"Please {text}, then press Enter (n: skip it): ")
    except EOFError:
        return False
    return answer.strip().lower() not in ("n", "no")
