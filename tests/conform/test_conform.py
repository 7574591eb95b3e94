"""The rules hold on a right board, and each wrong one is reported by the name of the rule it breaks."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from conform.bench_board import ITEMS, BenchBoard, board_near_wrap, each_line, reworded, right_board
from junitparser import JUnitXml

from benchcon.conform import Report, RuleResult, WireSide, chosen, play
from benchcon.conform.play import RULES, rule_name
from benchcon.errors import Trouble
from benchcon.protocol_files import protocols_dir
from benchcon.wire import codec
from benchcon.wire.board import BoardSide
from benchcon.wire.items import Item, items

# --- boards with one mistake in how they do a word -------------------------------------------------------------------


class _Wrong(BoardSide):
    """A board like the right one; what is wrong is in the class that inherits this."""

    @classmethod
    def make(cls, now_us: int) -> BoardSide:
        return cls("tester", "Test board", ITEMS, now_us=now_us, boot=7)


class _NoLatch(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        super()._take_line(body, now_us)
        self.dark = False


class _LightRestores(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        word = codec.parse(body).words[0]
        if word == "dark":
            self.before = dict(self.values)
        super()._take_line(body, now_us)
        if word == "light" and hasattr(self, "before"):
            self.values.update(self.before)


class _DarkForgetsDisplay(_Wrong):
    def outputs_off(self, now_us: int) -> None:
        kept = self.values["d1"]
        super().outputs_off(now_us)
        self.values["d1"] = kept


class _DeadmanNever(_Wrong):
    def go_dark(self, why: str, now_us: int) -> None:
        pass


class _FedByAnything(_Wrong):
    def feed(self, data: bytes, now_us: int) -> None:
        self._fed_us = now_us
        super().feed(data, now_us)


class _DoesHalfASet(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        for word in codec.parse(body).words[1:]:
            if word.startswith("l1=") and len(word) == 6 and not self.dark:
                self.values["l1"] = min(int(word[3:], 16), 1000)
        super()._take_line(body, now_us)


class _KeepsOutputs(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        was = {id_: value for id_, value in self.values.items() if self.channels[id_].is_output}
        super().reset(now_us, cause)
        self.values.update(was)


class _KeepsLamps(_Wrong):
    """Reads off after a reset, and shines."""

    glow = False

    def reset(self, now_us: int, cause: str = "reset") -> None:
        self.glow = bool(self.values["l1"])
        super().reset(now_us, cause)

    def shines(self, id_: str) -> int:
        return 1000 if self.glow and id_ == "l1" else self.values[id_]


class _KeepsRaw(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        was = set(self.raw)
        super().reset(now_us, cause)
        self.raw = was


class _KeepsDeadman(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        was = self.deadman_ms
        super().reset(now_us, cause)
        self.deadman_ms = was


class _KeepsDeadmanFlag(_Wrong):
    was = 0

    def reset(self, now_us: int, cause: str = "reset") -> None:
        self.was = self.deadman_ms
        super().reset(now_us, cause)

    def _alive_words(self, now_us: int) -> tuple[str, ...]:
        words = super()._alive_words(now_us)
        return (*words[:-1], f"{int(words[-1], 16) | 2 * bool(self.was):02X}")


class _KeepsHeartbeat(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        was = self.alive_ms
        super().reset(now_us, cause)
        self.alive_ms = was


class _DarkLater(_Wrong):
    """Goes dark 40 ms after it said so."""

    due_us: int | None = None

    def outputs_off(self, now_us: int) -> None:
        self.due_us = now_us + 40_000

    def next_us(self) -> int:
        return super().next_us() if self.due_us is None else min(super().next_us(), self.due_us)

    def tick(self, now_us: int) -> None:
        if self.due_us is not None and now_us >= self.due_us:
            self.due_us = None
            super().outputs_off(now_us)
        super().tick(now_us)


class _DarkOnce(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        was = self.dark
        super()._take_line(body, now_us)
        if was and codec.parse(body).words[0] == "dark":
            self._answers[-1] = (self._answers[-1][0], ("no", "06", "dark", "is", "on"))


class _ShinesInDark(_Wrong):
    def shines(self, id_: str) -> int:
        return 1000 if self.dark and id_ == "l2" else self.values[id_]


class _LitTooSoon(_Wrong):
    def shines(self, id_: str) -> int:
        return 1000 if self.values[id_] else 0


class _LightWins(_Wrong):
    """Answers to the host as if the dark switch on the panel were open."""

    def feed(self, data: bytes, now_us: int) -> None:
        kept, self._dark_contacts = self._dark_contacts, ()
        super().feed(data, now_us)
        self._dark_contacts = kept


class _NoDarkSwitch(_Wrong):
    def change(self, values: Mapping[str, int], now_us: int) -> None:
        self._dark_contacts = ()
        super().change(values, now_us)


class _PingsFirst(_Wrong):
    def feed(self, data: bytes, now_us: int) -> None:
        super().feed(data, now_us)
        self._answers = type(self._answers)(sorted(self._answers, key=lambda answer: answer[1][0] != "ping"))


class _TagZero(_Wrong):
    def feed(self, data: bytes, now_us: int) -> None:
        super().feed(data.replace(codec.seal(b">00 hello"), b"@@ hello"), now_us)


class _TellsOutputs(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        super()._take_line(body, now_us)
        words = codec.parse(body).words
        if words[0] == "set" and words[1:2] and words[1].startswith("l1=") and self._answers[-1][1][0] == "set":
            self._tell(now_us, ("is", words[1]))


class _TellsEach50Ms(_Wrong):
    """Sends what waits each 50 ms only, as a main loop with a delay in it does."""

    next_out_us = 0

    def next_us(self) -> int:
        return min(super().next_us(), self.next_out_us) if self.waiting else super().next_us()

    def take(self, most: int | None = None) -> bytes:
        if self._notifications and self._now_us < self.next_out_us:
            held, self._notifications = self._notifications, type(self._notifications)()
            out = super().take(most)
            self._notifications = held
            return out
        if self._notifications:
            self.next_out_us = self._now_us + 50_000
        return super().take(most)

    def change(self, values: Any, now_us: int) -> Any:
        self.next_out_us = now_us + 40_000
        return super().change(values, now_us)


class _BootLater(_Wrong):
    def _start(self, now_us: int, cause: str) -> None:
        super()._start(now_us, cause)
        self._notifications.appendleft((self.clock_us(now_us), ("is", "sw1=0")))


class _KeepsBootNumber(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        self.boot -= 1
        super().reset(now_us, cause)


class _StaysDark(_Wrong):
    def reset(self, now_us: int, cause: str = "reset") -> None:
        was = self.dark
        super().reset(now_us, cause)
        self.dark = was


class _SlowClock(_Wrong):
    def clock_us(self, now_us: int) -> int:
        return super().clock_us(now_us) * 97 // 100


class _AliveTooRare(_Wrong):
    def next_us(self) -> int:
        self.alive_ms = 1500
        return super().next_us()


class _LosesOverload(_Wrong):
    """Says that its buffer is 255 bytes, and has 64."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named, buffer=255)

    def feed(self, data: bytes, now_us: int) -> None:
        super().feed(data[:64], now_us)


class _Answers(_Wrong):
    """Answers whatever looks like a request, its check right or not."""

    def feed(self, data: bytes, now_us: int) -> None:
        mended = b"\n".join(
            codec.seal(line.partition(b" #")[0]) if line[:1] == b">" and len(line) > 8 else line
            for line in data.split(b"\n")
        )
        super().feed(mended, now_us)


class _TakesTails(_Wrong):
    """Takes what comes after the 80th byte of an over-long line for a new one."""

    def feed(self, data: bytes, now_us: int) -> None:
        at = data.find(b"xxxxxxxxx>")
        super().feed(data[:at] + b"\n" + data[at + 9 :] if at >= 0 else data, now_us)


class _OneAt(_Wrong):
    def feed(self, data: bytes, now_us: int) -> None:
        super().feed(data.replace(b"@ h", b"@@ h").replace(b"@@@", b"@@"), now_us)


class _WinkForgets(_Wrong):
    def _take_line(self, body: bytes, now_us: int) -> None:
        super()._take_line(body, now_us)
        if codec.parse(body).words[0] == "wink":
            self.outputs_off(now_us)


def _codes(words: list[str]) -> list[str]:
    return [words[0], "no", "08", *words[3:]] if words[1] == "no" and words[2] == "01" else words


def _range_code(words: list[str]) -> list[str]:
    return [words[0], "no", "02", *words[3:]] if words[1] == "no" and words[2] == "05" else words


def _tags(words: list[str]) -> list[str]:
    return [words[0].replace("FF", "00"), *words[1:]]


def _skipping_numbers() -> Callable[[list[str]], list[str]]:
    told = 0

    def change(words: list[str]) -> list[str]:
        nonlocal told
        if words[0][0] != "!":
            return words
        told += 1
        number = int(words[0][1:], 16) + told // 4
        return [f"!{number & 0xFFFF:04X}", *words[1:]]

    return change


def _stale_number(words: list[str]) -> list[str]:
    return [*words[:2], f"{int(words[2], 16) + 3 & 0xFFFF:04X}", *words[3:]] if words[1] == "read" else words


def _stamps_turned(words: list[str]) -> list[str]:
    if words[1] != "ping":
        return words
    return [*words[:2], words[3], f"{int(words[2], 16) - 100 & 0xFFFFFFFF:08X}"]


def _leaves_out(words: list[str]) -> list[str]:
    return [word for word in words if not (words[1] == "read" and word.startswith("sel1="))]


def _wrong_width(words: list[str]) -> list[str]:
    return [word.replace("p1=0", "p1=") if words[1] == "read" else word for word in words]


def _no_stamp(words: list[str]) -> list[str]:
    return [words[0], "set", "00000000"] if words[1] == "set" else words


def _twice(line: bytes) -> bytes:
    return line + b"\n" + line if line[:1] == b"<" and b"hello" in line else line


def _small_letters(line: bytes) -> bytes:
    return line[:-4] + b"aaaa" if line[:1] == b"!" else line


def _chatty(line: bytes) -> bytes:
    return line + b"\ndebug: loop" if line[:1] == b"!" else line


def _other_word(words: list[str]) -> list[str]:
    return [words[0], "done", *words[2:]] if words[1] == "light" else words


def _long(words: list[str]) -> list[str]:
    # What a buffer that is too generous does to a reading of many channels.
    return [*words, *["e1=0000"] * 12] if words[1] == "read" else words


def _long_notification(line: bytes) -> bytes:
    return codec.seal(line[:-6] + b" 0000" * 12) if b" alive " in line else line


def _tag_00(line: bytes) -> bytes:
    return codec.seal(b"<00" + line[3:-6]) if line[:1] == b"<" else line


def _no_space(line: bytes) -> bytes:
    return line.replace(b" #", b"#") if line[:1] == b"<" and b" read " in line else line


def _boot(cause: str = "", version: str | None = None) -> Callable[[list[str]], list[str]]:
    def change(words: list[str]) -> list[str]:
        if words[2:3] != ["boot"]:
            return words
        told = words[5] if version is None else version
        return [*words[:4], cause or words[4], *([told] if told else [])]

    return change


def _short_flags(words: list[str]) -> list[str]:
    return [*words[:-1], words[-1][1:]] if words[2:3] == ["alive"] else words


def _other_ident(words: list[str]) -> list[str]:
    return [*words[:-1], "other"] if words[1] == "hello" and len(words) == 7 else words


def _hello(word: str, place: int) -> Callable[[list[str]], list[str]]:
    return lambda words: [*words[:place], word, *words[place + 1 :]] if words[1] == "hello" else words


def _without(*left_out: str, code: str = "08", described: tuple[Item, ...] = ITEMS) -> Callable[[int], BoardSide]:
    """A board that leaves out these words, as firmware of one's own does."""

    class Lacking(BoardSide):
        def _take_line(self, body: bytes, now_us: int) -> None:
            parsed = codec.parse(body)
            named = parsed.words[0] == "read" and parsed.words[1:2] != ("all",)
            if parsed.kind == "by hand" and "by hand" in left_out:
                self.bad_lines += 1
            elif ("read named" if named else parsed.words[0]) in left_out:
                self._fed_us = now_us
                self._answers.append((parsed.tag, ("no", code, "left", "out")))
            else:
                super()._take_line(body, now_us)

    return lambda now_us: Lacking("tester", "Test board", described, now_us=now_us, boot=7)


def _former_kind(words: list[str]) -> list[str]:
    if words[1:2] == ["item"] and words[3:4] == ["display"]:
        return [*words[:3], "digits", words[4], *(word.replace("digits=", "places=") for word in words[5:])]
    return words


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "answers lines whose check is wrong": ({"make": _Answers.make}, "check"),
    "takes the tail of an over-long line": ({"make": _TakesTails.make}, "oversize"),
    "takes one @ for a line by hand": ({"make": _OneAt.make}, "by-hand"),
    "small letters in the check of its notifications": ({"up": each_line(_small_letters)}, "grammar (all)"),
    "prints debug lines": ({"up": each_line(_chatty)}, "grammar (all)"),
    "answers twice": ({"up": each_line(_twice)}, "grammar (line ends)"),
    "describes by a word of early firmware": ({"up": reworded(_former_kind)}, "grammar (items)"),
    "wrong tag": ({"up": reworded(_tags)}, "tags"),
    "another word in the answer": ({"up": reworded(_other_word)}, "idempotent"),
    "wrong code for unknown words": ({"up": reworded(_codes)}, "unknown-words"),
    "wrong code for values out of range": ({"up": reworded(_range_code)}, "refusals"),
    "leaves a channel out of read all": ({"up": reworded(_leaves_out)}, "read"),
    "a value of the wrong width": ({"up": reworded(_wrong_width)}, "read"),
    "does half of a set that it refuses": ({"make": _DoesHalfASet.make}, "set"),
    "no stamp in the answer to set": ({"up": reworded(_no_stamp)}, "set"),
    "ping stamps the wrong way round": ({"up": reworded(_stamps_turned)}, "ping-stamps"),
    "a clock three per cent slow": ({"make": _SlowClock.make}, "clock"),
    "heartbeats too rare": ({"make": _AliveTooRare.make}, "alive-time"),
    "skips running numbers": ({"up": reworded(_skipping_numbers())}, "numbers"),
    "a number in read that was not yet told": ({"up": reworded(_stale_number)}, "repair"),
    "a smaller buffer than it says": ({"make": _LosesOverload.make}, "window"),
    "dark does not latch": ({"make": _NoLatch.make}, "dark"),
    "dark forgets the displays": ({"make": _DarkForgetsDisplay.make}, "dark (in a full window)"),
    "light restores": ({"make": _LightRestores.make}, "dark"),
    "a dead-man that never acts": ({"make": _DeadmanNever.make}, "deadman"),
    "a dead-man fed by anything": ({"make": _FedByAnything.make}, "deadman"),
    "wink forgets the lamps": ({"make": _WinkForgets.make}, "wink"),
    "keeps its boot number": ({"make": _KeepsBootNumber.make}, "boot"),
    "stays dark over a reset": ({"make": _StaysDark.make}, "after-reset (dark)"),
    "outputs lit after a reset": ({"make": _KeepsOutputs.make}, "after-reset (outputs)"),
    "a lamp that shines after a reset": ({"make": _KeepsLamps.make}, "after-reset (outputs)"),
    "raw mode kept after a reset": ({"make": _KeepsRaw.make}, "after-reset (raw)"),
    "dead-man kept after a reset": ({"make": _KeepsDeadman.make}, "after-reset (dead-man)"),
    "dead-man flag kept after a reset": ({"make": _KeepsDeadmanFlag.make}, "after-reset (dead-man)"),
    "heartbeat period kept after a reset": ({"make": _KeepsHeartbeat.make}, "after-reset (heartbeat)"),
    "dark after 40 ms": ({"make": _DarkLater.make}, "dark (within 10 ms)"),
    "a second dark refused": ({"make": _DarkOnce.make}, "idempotent"),
    "lit while dark": ({"make": _ShinesInDark.make}, "dark (seen)"),
    "a dark switch that light goes past": ({"make": _LightWins.make}, "local-dark"),
    "a dark switch that does nothing": ({"make": _NoDarkSwitch.make}, "local-dark"),
    "an undimmed lamp lit below half": ({"make": _LitTooSoon.make}, "set (undimmed)"),
    "answers in another order": ({"make": _PingsFirst.make}, "tags (order)"),
    "answers tag 00": ({"make": _TagZero.make}, "tags (00)"),
    "answers everything with tag 00": ({"up": each_line(_tag_00)}, "grammar (hello)"),
    "an answer of more than 80 bytes": ({"up": reworded(_long)}, "grammar (all)"),
    "a notification of more than 80 bytes": ({"up": each_line(_long_notification)}, "grammar (all)"),
    "no space before the check": ({"up": each_line(_no_space)}, "grammar (all)"),
    "a boot line with a cause of its own": ({"up": reworded(_boot(cause="poweron"))}, "boot (form)"),
    "a boot line without the version": ({"up": reworded(_boot(version=""))}, "boot (form)"),
    "a boot line with a version of one digit": ({"up": reworded(_boot(version="1"))}, "boot (form)"),
    "a notification before the boot line": ({"make": _BootLater.make}, "boot"),
    "is for outputs": ({"make": _TellsOutputs.make}, "grammar (is)"),
    "flags of one digit": ({"up": reworded(_short_flags)}, "grammar (notifications)"),
    "another ident in hello than in its item": ({"up": reworded(_other_ident)}, "ident"),
    "changes told 40 ms later": ({"make": _TellsEach50Ms.make}, "notification-time"),
    "no dead-man": ({"make": _without("deadman")}, "needed"),
    "no light": ({"make": _without("light")}, "needed"),
    "a version in hello of one digit": ({"up": reworded(_hello("1", 2))}, "grammar (hello)"),
    "hello refused": ({"make": _without("hello")}, "grammar (hello)"),
}


def _played(kind: dict[str, Any], only: set[str], handed: bool = True) -> list[RuleResult]:
    board = BenchBoard(**kind)
    line = WireSide(board.port)
    try:
        hand: Any = board if handed else None
        return list(play(line, hand=hand, only=only, patience_s=30 if only else 0))
    finally:
        line.close()
        board.close()


OPTIONAL = ("alive", "raw", "ident", "name", "wink", "read named", "by hand")
INPUTS_ONLY = items(("board", "", {"ident": "tester"}), ("contact", "sw1", {}))
OUTPUTS_ONLY = items(("board", "", {"ident": "tester"}), ("lamp", "l1", {}), ("valve", "v1", {"pin": "D4"}))
LAWFUL: dict[str, Callable[[int], BoardSide]] = {
    "all that may be left out refused with 08": _without(*OPTIONAL),
    "all that may be left out refused with 01": _without(*OPTIONAL, code="01"),
    "inputs only": _without(*OPTIONAL, "set", "dark", "light", "deadman", described=INPUTS_ONLY),
    "outputs only, with a kind that is not known": _without(*OPTIONAL, code="01", described=OUTPUTS_ONLY),
    "a buffer of 32 bytes": lambda now_us: BoardSide("tester", "Test", ITEMS, now_us=now_us, buffer=32),
    "a buffer of 47 bytes": lambda now_us: BoardSide("tester", "Test", ITEMS, now_us=now_us, buffer=47),
}
"""Boards that keep every rule and have nothing, or little, of what section 12 lets them leave out."""


@pytest.mark.slow
def test_lawful_minimal_boards_fail_no_rule_with_a_hand_or_without() -> None:
    with ThreadPoolExecutor(16) as pool:
        jobs = {
            (name, handed): pool.submit(_played, {"make": make}, set(), handed)
            for name, make in LAWFUL.items()
            for handed in (True, False)
        }
        results = {key: job.result() for key, job in jobs.items()}
    for key, played in results.items():
        assert [result for result in played if result.outcome == "failed"] == [], key
    passed = {result.rule for result in results[next(iter(LAWFUL)), False] if result.outcome == "passed"}
    # What needs no more than what every board has is run on a board that has no more.
    assert {"numbers", "dark", "dark (within 10 ms)", "set", "idempotent", "deadman", "read", "refusals"} <= passed


QUICK = {"check", "oversize", "by-hand", "tags", "refusals", "read", "set", "dark", "dark (in a full window)"}


@pytest.fixture(scope="module")
def verdicts() -> Iterator[dict[str, list[RuleResult]]]:
    """All boards at once: a board and its rules spend nearly all their time waiting for each other."""
    with ThreadPoolExecutor(32) as pool:
        jobs = {"right": pool.submit(_played, {}, QUICK)}
        jobs |= {name: pool.submit(_played, kind, {rule}) for name, (kind, rule) in WRONG.items()}
        yield {name: job.result() for name, job in jobs.items()}


@pytest.mark.slow
@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_board_is_told_by_the_rule_it_breaks(name: str, verdicts: dict[str, list[RuleResult]]) -> None:
    rule = WRONG[name][1]
    broken = [result.rule for result in verdicts[name] if result.outcome == "failed"]
    assert broken == [rule], verdicts[name]
    assert next(result.text for result in verdicts[name] if result.rule == rule)


@pytest.mark.slow
def test_a_right_board_passes_every_rule() -> None:
    results = _played({}, set())
    assert [result for result in results if result.outcome != "passed" and result.rule != "clock (wrap)"] == []
    assert len(results) == len(RULES)


def test_a_right_board_keeps_the_quick_rules(verdicts: dict[str, list[RuleResult]]) -> None:
    kept = [result.rule for result in verdicts["right"] if result.outcome == "passed"]
    assert kept[2:] == [rule for rule in map(rule_name, RULES) if rule in QUICK]


@pytest.mark.slow
def test_the_clock_s_wrap_is_counted() -> None:
    results = _played({"make": board_near_wrap}, {"clock (wrap)"})
    assert [result.outcome for result in results] == ["passed", "passed", "passed"]


def test_a_family_of_rules_can_be_asked_for_and_one_of_it_alone() -> None:
    grammar = chosen(["grammar"])
    assert len(grammar) > 3
    assert all(name.startswith("grammar (") for name in grammar)
    assert chosen(["grammar (spaces)", "dark"]) == [
        "grammar (spaces)",
        "dark",
        "dark (within 10 ms)",
        "dark (in a full window)",
        "dark (seen)",
    ]
    with pytest.raises(Trouble, match=r"unknown rule 'gramar'; known: grammar, "):
        chosen(["gramar"])


def test_every_rule_bears_a_name_of_the_document() -> None:
    document = (protocols_dir() / "line-protocol.md").read_text()
    names = {rule_name(rule).partition(" (")[0] for rule in RULES}
    for name in names:
        assert f"**{name}**" in document or f"`{name} " in document, name
    # And the other way round: every name that the document gives in bold at the start of a paragraph is played.
    named = set(re.findall(r"\*\*([a-z-]+)\*\* ", document))
    assert named - names - {"like-this", "request", "answer", "notification"} == set()


def test_the_command_says_each_rule_and_fails_on_a_wrong_board(tmp_path: Path) -> None:
    board = BenchBoard(up=reworded(_codes))
    junit = tmp_path / "conform.xml"
    try:
        done = subprocess.run(
            [
                sys.executable,
                "-m",
                "benchcon",
                "conform",
                board.port,
                "--json",
                "--junit",
                str(junit),
                "--only",
                "unknown-words",
            ],
            capture_output=True,
            text=True,
            timeout=120,
        )
    finally:
        board.close()
    assert done.returncode == 1, done.stderr
    report = json.loads(done.stdout)
    assert report["ident"] == "tester"
    assert [rule["rule"] for rule in report["rules"] if rule["outcome"] == "failed"] == ["unknown-words"]
    (suite,) = JUnitXml.fromfile(str(junit))
    assert suite.failures == report["failed"] == 1
    assert [case.name for case in suite] == [rule["rule"] for rule in report["rules"]]


def test_a_port_that_is_not_there_is_said_in_one_line() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchcon", "conform", "/dev/no-such-port"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert "/dev/no-such-port" in done.stderr


def test_a_report_counts_what_it_holds() -> None:
    report = Report("p", "i", [RuleResult("check", "passed", "", 0.1), RuleResult("dark", "failed", "why", 0.2)])
    assert report.as_json()["passed"] == 1
    assert [result.rule for result in report.failed] == ["dark"]
    assert right_board(0).ident == "tester"
