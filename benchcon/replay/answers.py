"""Comparing what boards answer when a capture is replayed with what they answered when it was recorded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from concurrent.futures import Future

from benchcon.link import say
from benchcon.replay.script import Requested
from benchcon.text import printable
from benchcon.wire.host import Outcome


def answers_of(asked: Iterable[tuple[Requested, Future[Outcome]]]) -> tuple[list[str], list[str]]:
    """Return the answers that differ from those recorded, and what the link's limits held back, one line each."""
    answers: dict[str, int] = {}
    held: dict[str, int] = {}
    for ask, future in asked:
        words = printable(" ".join(ask.words))
        outcome = future.result() if future.done() else None
        if outcome is not None and outcome.answer is not None and outcome.answer[:1] == ("held",):
            text = f"{printable(ask.board)}: '{words}' {say(outcome)}"
            held[text] = held.get(text, 0) + 1
            continue
        if ask.answer is None:
            continue
        now = outcome.answer if outcome is not None else None
        if _compared(ask.answer) != _compared(now):
            text = f"{printable(ask.board)}: '{words}' {_outcome(ask.answer)} then, {_outcome(now)} now"
            answers[text] = answers.get(text, 0) + 1
    return _counted(answers), _counted(held)


def _compared(answer: tuple[str, ...] | None) -> tuple[str, ...]:
    """Return what is compared of an answer: whether it came, and the code of a refusal; clocks do not count."""
    if not answer:
        return ("nothing",)
    return answer[:2] if answer[0] == "no" else ("done",)


def _outcome(answer: tuple[str, ...] | None) -> str:
    if not answer:
        return "had no answer"
    return f"was refused ({printable(' '.join(answer[1:]))})" if answer[0] == "no" else "was done"


def _counted(lines: Mapping[str, int]) -> list[str]:
    return [f"{text} ({count} times)" if count > 1 else text for text, count in lines.items()]
