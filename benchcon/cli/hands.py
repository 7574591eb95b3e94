"""Hands given to a command: simulated ones, and the user's."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from benchcon.rig.hand import Hand


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


def ports_of(given: Sequence[str], hands: Mapping[str, Hand]) -> list[str]:
    """Return the ports that were `given`, or else those of the boards that the hands work.

    Raises `Trouble` if a hand does not report its board's port.
    """
    from benchcon.errors import Trouble

    if given:
        return list(given)
    ports = []
    for board, hand in hands.items():
        try:
            ports.append(hand.port())
        except Trouble:
            raise Trouble(f"the hand of '{board}' does not report its board's port; name the PORT as well") from None
    return ports


def ask_to(text: str) -> bool:
    """Ask the person at the terminal to move something; return whether it was done (False at the end of input)."""
    try:
        answer = input(f"Please {text}, then press Enter (n: skip it): ")
    except EOFError:
        return False
    return answer.strip().lower() not in ("n", "no")
