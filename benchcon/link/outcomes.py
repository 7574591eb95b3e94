"""What an intent results in, and how to say it to a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from benchcon.text import printable

if TYPE_CHECKING:
    from benchcon.wire.host import Outcome

HELD_WHYS = {
    "flash": "held back: more than three flashes a second, alone or in turn with others",
    "current": "held back: over the board's current budget; it lights when there is room",
    "wink": "held back: the board is winking",
    "no answer": "held back: the board does not answer; it lights when it does",
    "no link": "not sent: no such board is linked",
    "not read": "not sent: the board is still being read; try again in a moment",
    "listen only": "not sent: this bench only listens",
    "duplicate": "not sent: another board has the same ident; give this one a new ident first",
    "dark": "dropped: the board went dark",
    "dark unanswered": "not sent: dark was asked for, and the board has not answered that",
    "reset": "dropped: the board was reset",
    "lost": "dropped: the port was lost",
    "other board": "dropped: another board answers on that port now",
    "closed": "not sent: the bench is closed",
}


def held(why: str, words: tuple[str, ...] = ()) -> Outcome:
    """Return the outcome of a request that the link did not send: ``answer`` is ``("held", why)``, see `HELD_WHYS`."""
    from benchcon.wire.host import Outcome

    return Outcome(0, words, ("held", why), True, 0, False, 0)


def say(outcome: Outcome) -> str:
    """Return what went wrong with an intent as one line for a person; empty if the board did what was asked."""
    if outcome.gave_up or outcome.answer is None:
        return f"no answer to '{' '.join(outcome.words)}'"
    word, *rest = outcome.answer
    if word == "held":
        return HELD_WHYS.get(rest[0], rest[0])
    if outcome.refused:
        return printable(f"refused: {' '.join(rest[1:]) or 'code ' + ' '.join(rest[:1])}")
    return ""


class DarkResult(NamedTuple):
    """The result of asking for dark, or for the end of dark: numbers of boards."""

    confirmed: tuple[int, ...]
    unconfirmed: tuple[int, ...]
    """Linked boards that did not confirm in time: the user should pull the plug."""
    absent: tuple[int, ...]
    """Known boards whose port is lost or released, so that nothing is known about them."""

    @property
    def sure(self) -> bool:
        """Whether every linked board confirmed."""
        return not self.unconfirmed
