"""The vectors of `protocols/vectors/`, played to the C core: it was written from the protocol document alone, so that
it and the Python side do not share their mistakes. Their form is described in that folder's README."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from firmware.virtual import Board, Said, board, check_of, needs_compiler

from benchcon.protocol_files import protocols_dir

VECTORS = protocols_dir() / "vectors"
pytestmark = needs_compiler

Block = list[tuple[str, str]]


def blocks(name: str) -> Iterator[Block]:
    """The blocks of a file of vectors, read by rules of its README and nothing else."""
    for text in re.split(r"\n\n+", (VECTORS / name).read_text("ascii").strip()):
        lines = [line for line in text.split("\n") if not line.startswith(";")]
        if lines:
            yield [(key, value) for key, _, value in (line.partition(" ") for line in lines)]


def data_of(text: str) -> bytes:
    """A value marked *bytes*."""
    return re.sub(rb"\\x([0-9A-F]{2})", lambda match: bytes.fromhex(match[1].decode()), text.encode("ascii"))


@pytest.fixture(scope="module")
def running() -> Iterator[Board]:
    with board("reference") as started:
        yield started


def fresh(running: Board) -> Board:
    """The reference board just reset, its store blank, nothing held."""
    for id_, word in (("sw1", "made"), ("sw2", "made"), ("sw3", "made"), ("sel1", "code"), ("e1", "ab"), ("p1", "pot")):
        running.command(word, id_, 0)
    running.command("blank")
    running.take()
    running.command("reset", "power")
    return running


def bad_lines(running: Board) -> int:
    """What the board has counted so far, from its next heartbeat."""
    for said in running.run(1100):
        if said.notification and said.words[2] == "alive":
            return int(said.words[5], 16)
    raise AssertionError("no heartbeat")


def test_checks(running: Board) -> None:
    for block in blocks("check.txt"):
        values = dict(block)
        assert running.command("check", data_of(values["bytes"]).hex()) == [values["check"]]


def test_good_requests_are_answered_and_not_counted_as_bad(running: Board) -> None:
    fresh(running).settle()
    count = 0
    for block in blocks("lines-good.txt"):
        values = dict(block)
        if values["kind"] not in ("request", "by-hand"):
            continue
        running.send(values["line"].encode() + b"\n")
        answers = [said for said in running.run(100) if said.notification is None]
        assert [said.words[0] for said in answers] == [f"<{int(values.get('tag', '0')):02X}"], values
        count += 1
    assert count >= 20
    assert bad_lines(running) == 0


def test_bad_lines_are_counted_and_never_answered(running: Board) -> None:
    fresh(running).settle()
    count = 0
    for block in blocks("lines-bad.txt"):
        values = dict(block)
        if values["from"] != "host":
            continue
        running.send(data_of(values["bytes"]) + b"\n")
        answers = [said for said in running.run(20) if said.notification is None]
        if values.get("lenient") == "yes" and answers:
            (answer,) = answers
            assert answer.words[1:3] in (["no", "01"], ["no", "02"]), (values, answer)
            continue
        assert answers == [], values
        count += 1
    assert count >= 20
    assert bad_lines(running) == count


def test_streams_of_a_host_are_taken_apart(running: Board) -> None:
    for block in blocks("streams.txt"):
        if ("from", "host") not in block:
            continue
        fresh(running).settle()
        running.send(data_of(dict(block)["bytes"]))
        answers = [said.words[0] for said in running.run(50) if said.notification is None]
        good = [value for key, value in block if key == "good"]
        assert answers == [f"<{line[1:3] if line[0] == '>' else '00'}" for line in good]
        assert bad_lines(running) == sum(key == "bad" for key, _ in block)


def test_names_are_kept_as_they_are_written(running: Board) -> None:
    fresh(running).settle()
    for block in blocks("text.txt"):
        word = dict(block)["word"]
        if "text" not in dict(block) or not 1 <= len(word) <= 24:
            continue
        assert running.ask(f"name {word}", ms=100).body == f"<01 name {word}"
        assert running.ask("item 00").body == f"<01 item 00 board ident=reference name={word}"


def test_the_reference_board_describes_itself(running: Board) -> None:
    fresh(running).settle()
    for block in blocks("board.txt"):
        values = dict(block)
        answer = running.ask(f"item {values['item']}").body
        head, wanted = f"<01 item {values['item']} ", values["words"].split()
        assert answer.startswith(head)
        found = answer[len(head) :].split()
        if wanted[0] == "firmware":
            assert found[0] == "firmware"  # which one it is, each board says for itself
            continue
        named = 2 if wanted[0] in ("contact", "selector", "encoder", "pot", "lamp", "display") else 1
        assert found[:named] == wanted[:named]
        assert sorted(found[named:]) == sorted(wanted[named:])  # keys come in any order


def test_refusals(running: Board) -> None:
    for block in blocks("refusals.txt"):
        fresh(running).settle()
        for key, value in block:
            if key == "first":
                running.ask(value)
        values = dict(block)
        assert running.ask(values["ask"]).words[1:3] == ["no", values["code"]], values


DIALOGUES = {block[0][1]: block[1:] for block in blocks("dialogues.txt")}


class Dialogue:
    """Plays one dialogue. Where the document leaves a board free, so does this: changes of one scan may come on one
    line or on several (and then the running numbers after them differ from those in the vector)."""

    def __init__(self, running: Board) -> None:
        self.running = fresh(running)
        self.waiting: list[Said] = []
        self.passed = {"alive"}
        self.extra = 0  # lines more than in the vector

    def hear(self, ms: float) -> None:
        self.waiting += [
            said for said in self.running.run(ms) if not (said.notification and said.words[2] in self.passed)
        ]

    def want(self, pattern: str) -> None:
        if not self.waiting:
            self.hear(30)
        assert self.waiting, pattern
        said = self.waiting.pop(0)
        wanted = pattern.split(" ")
        if wanted[0][0] == "!" and wanted[2] == "is":
            told = said.words[3:]
            while len(told) < len(wanted) - 3 and self.waiting:
                self.extra += 1
                told += self.waiting.pop(0).words[3:]
            assert sorted(told) == sorted(wanted[3:])
            return
        if self.extra and (wanted[0][0] == "!" or wanted[1] == "read"):
            place = 0 if wanted[0][0] == "!" else 2
            wanted[place] = re.sub(r"[0-9A-F.]{4}$", "....", wanted[place])
        rule = " ".join(wanted)
        open_end = rule.endswith("~")
        regex = re.escape(rule.removesuffix("~")).replace(r"\.", "[0-9A-F]") + (".*" if open_end else "")
        assert re.fullmatch(regex, said.body), (pattern, said.body)

    def step(self, key: str, value: str) -> None:
        running = self.running
        if key == "send":
            running.send(f"{value} {check_of(value)}\n".encode())
            self.hear(20)
        elif key == "raw":
            running.send(data_of(value))
            self.hear(20)
        elif key == "move":
            self.move(value)
        elif key == "edge":
            id_, level = value.split("=")
            running.command("made", id_, level)  # not inverted in the vectors: made is high
            self.hear(20)
        elif key == "wait":
            self.hear(int(value))
        elif key == "want":
            self.want(value)
        elif key == "pass":
            self.passed = set(value.split())
        elif key == "nothing":
            self.hear(0.1)
            assert self.waiting == []
        else:
            assert key in ("outputs", "lit")
            shown = {id_: f"{level:03X}" for id_, level in running.lit().items()} | running.outputs("shown")
            wanted = dict(word.split("=") for word in value.split())
            assert {id_: shown[id_] for id_ in (wanted if key == "lit" else shown)} == wanted

    def move(self, value: str) -> None:
        settled = not self.waiting
        for word in value.split():
            id_, number = word.split("=")
            if id_ == "e1":
                self.turn(int(number, 16))
            elif id_ == "p1":
                self.running.command("pot", id_, int(number, 16))
            else:
                self.running.command("code" if id_.startswith("sel") else "made", id_, int(number, 16))
        self.hear(200 if "p1" in value else 20)
        if settled and "p1" in value:  # on its way to the end the filtered reading is told now and then
            self.waiting = [said for said in self.waiting if not re.search(r" p1=(?!03FF)", said.body)]

    def turn(self, count: int) -> None:
        signed = count - 0x10000 if count & 0x8000 else count
        order = [0, 2, 3, 1]  # A leads B
        for step in range(1, abs(signed) + 1):
            self.running.command("ab", "e1", order[(step if signed > 0 else -step) % 4])
            self.running.command("run", 1000)
        told = [said for said in self.running.take() if not said.notification or said.words[2] != "alive"]
        self.extra += max(len(told) - 1, 0)
        self.waiting += told[-1:]  # absolute counts: the last one is the one


@pytest.mark.parametrize("name", DIALOGUES)
def test_dialogue(running: Board, name: str) -> None:
    dialogue = Dialogue(running)
    for key, value in DIALOGUES[name]:
        dialogue.step(key, value)
