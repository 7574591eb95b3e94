"""Running the rules in order, and the results."""

from __future__ import annotations

import contextlib
import inspect
import re
import time
from collections.abc import Callable, Collection, Iterator
from typing import Any, NamedTuple

from benchcon.conform import rules_ask, rules_dark, rules_hand, rules_line, rules_time
from benchcon.conform.board import Malformed, NotRun, RuleBroken, Subject
from benchcon.conform.wireside import WireSide
from benchcon.errors import Trouble
from benchcon.junit import Case, Failure, Suite, document
from benchcon.rig.hand import Hand
from benchcon.text import printable

FIRST = (rules_line.hello, rules_line.items)
"""The rules without which no other can be run."""

RULES: tuple[Callable[..., None], ...] = (
    *FIRST,
    rules_ask.needed,
    rules_line.ident,
    rules_line.line_ends,
    rules_line.spacing,
    rules_line.check,
    rules_line.oversize,
    rules_line.noise,
    rules_line.text,
    rules_line.by_hand,
    rules_line.unknown_words,
    rules_ask.tags,
    rules_ask.tag_zero,
    rules_ask.order,
    rules_ask.idempotent,
    rules_ask.refusals,
    rules_ask.read,
    rules_ask.set_outputs,
    rules_hand.undimmed,
    rules_ask.raw,
    rules_time.ping_stamps,
    rules_time.answer_time,
    rules_time.clock,
    rules_time.wrap,
    rules_time.alive_time,
    rules_time.numbers,
    rules_time.repair,
    rules_time.window,
    rules_time.load,
    rules_dark.dark,
    rules_dark.dark_at_once,
    rules_dark.dark_full_window,
    rules_hand.dark_lit,
    rules_hand.local_dark,
    rules_dark.deadman,
    rules_dark.deadman_off,
    rules_dark.wink,
    rules_hand.changes,
    rules_hand.notification_time,
    rules_hand.boot,
    rules_hand.reset_outputs,
    rules_hand.reset_dark,
    rules_hand.reset_deadman,
    rules_hand.reset_heartbeat,
    rules_hand.reset_raw,
    rules_line.boot_form,
    rules_line.inputs_only,
    rules_line.notifications,
    rules_line.odd_lines,
)
"""All rules in the order in which they are run; the first two find out what the others need."""


class RuleResult(NamedTuple):
    """The result of one rule: `outcome` is ``passed``, ``failed`` or ``not run``; `text` says why."""

    rule: str
    outcome: str
    text: str
    seconds: float


class Report(NamedTuple):
    """The results of all rules on one port."""

    port: str
    ident: str
    results: list[RuleResult]

    @property
    def failed(self) -> list[RuleResult]:
        """The rules that the board broke."""
        return [result for result in self.results if result.outcome == "failed"]

    def as_json(self) -> dict[str, Any]:
        """Return the report as `benchcon conform --json` prints it."""
        return {
            "port": self.port,
            "ident": self.ident,
            "passed": sum(result.outcome == "passed" for result in self.results),
            "failed": len(self.failed),
            "not_run": sum(result.outcome == "not run" for result in self.results),
            "rules": [result._asdict() for result in self.results],
        }

    def as_junit(self) -> bytes:
        """Return the report as JUnit XML, one test case per rule."""
        cases = [
            Case(
                "benchcon.conform",
                result.rule,
                result.seconds,
                Failure(result.text) if result.outcome == "failed" else None,
                result.text if result.outcome == "not run" else "",
            )
            for result in self.results
        ]
        name = f"conform {self.ident or self.port}"
        return document([Suite(name, cases)], name)


def rule_name(rule: Callable[..., None]) -> str:
    """Return a rule's name in the document, with its case if it has several: ``dark (in a full window)``."""
    found = re.match(r"\*\*([a-z-]+)\*\*(?: \(([^)]*)\))?", inspect.getdoc(rule) or "")
    if found is None:
        raise Trouble(f"the rule {rule.__name__} does not say its name")
    return found[1] + (f" ({found[2]})" if found[2] else "")


def chosen(names: Collection[str]) -> list[str]:
    """Return the names of all rules that `names` select: a whole name, ``grammar (spaces)``, or a family.

    ``grammar`` selects every ``grammar (…)``, and ``dark`` both ``dark`` and ``dark (in a full window)``. Raises
    `Trouble` for an unknown name.
    """
    there = list(dict.fromkeys(map(rule_name, RULES)))
    families = {name: name.partition(" (")[0] for name in there}
    unknown = set(names) - {*there, *families.values()}
    if unknown:
        known = ", ".join(dict.fromkeys([*families.values(), *there]))
        raise Trouble(f"unknown rule '{printable(min(unknown))}'; known: {known}")
    return [name for name in there if name in names or families[name] in names]


def play(
    line: WireSide, *, hand: Hand | None = None, patience_s: float = 0.0, only: Collection[str] = ()
) -> Iterator[RuleResult]:
    """Run every rule, and yield each result as it comes.

    `patience_s` is how long the rule about the clock's wrap may wait for that. If the board does not even answer
    `hello` or describe itself, nothing else is run. `only` names the rules to run besides those two (empty: all), as
    `chosen` returns them. Raises `Trouble` if the port is lost.
    """
    chosen(only)
    board = Subject(line)
    # Opening a port resets many boards; listen first, as the document asks.
    line.pump(0.3)
    line.odd.clear()
    line.send(b"\n")
    whole = False
    try:
        for number, rule in enumerate(RULES):
            # Malformed lines are always reported; otherwise a rule that was not run because of one would look harmless.
            if only and number > 1 and rule_name(rule) not in only and not (rule is rules_line.odd_lines and line.odd):
                continue
            began = time.monotonic()
            outcome, text = _outcome(board, rule, hand, patience_s)
            yield RuleResult(rule_name(rule), outcome, text, time.monotonic() - began)
            if outcome == "failed" and rule in FIRST:
                whole = True
                return
            if rule is not RULES[0]:
                with contextlib.suppress(RuleBroken, NotRun):
                    board.settle()
        board.leave(whole=True)
        whole = True
    finally:
        if not whole:
            with contextlib.suppress(Trouble):
                board.leave(whole=False)


def _outcome(board: Subject, rule: Callable[..., None], hand: Hand | None, patience_s: float) -> tuple[str, str]:
    """Run one rule, and return outcome and text."""
    names = inspect.signature(rule).parameters
    extra: dict[str, Any] = {"hand": hand} if "hand" in names else {}
    if "patience_s" in names:
        extra["patience_s"] = patience_s
    if "hand" in names and hand is None:
        return "not run", "needs a hand on the board: --hand HAND, which simulated and emulated boards have"
    try:
        rule(board, **extra)
    except RuleBroken as failed:
        return "failed", str(failed)
    except Malformed as why:
        return ("failed" if rule in FIRST else "not run"), str(why)
    except NotRun as why:
        return "not run", str(why)
    except IndexError:
        return "failed", "an answer had fewer words than the document requires"
    except (ValueError, LookupError) as error:
        # A word of the wrong form where the rule relied on a number: the board's fault, not the rule's.
        return "failed", f"an answer was not of the form in the document ({printable(str(error))})"
    return "passed", ""
