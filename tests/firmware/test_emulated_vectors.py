"""The protocol's vectors on the emulated chip: the reference board of `protocols/vectors/board.txt` on real pins."""

from __future__ import annotations

import re

import pytest
from few import few_of
from firmware.emulated import PANELS, Chip, Line, Log, ask, bench, needs_emulator
from wire.vector_files import Block, blocks, only, raw

from benchcon.wire import codec

pytestmark = needs_emulator

BEGIN_US = 220_000
"""The reset that a dialogue begins with is at 200 ms: by then the potentiometer stands at its end."""


def reference() -> Chip:
    return bench(PANELS / "reference")


# On a real board the parts of several inputs do not move within one scan.
DIALOGUES = [block for block in blocks("dialogues.txt") if not any(key == "move" for key, _ in block)]


def _bytes(key: str, value: str) -> bytes:
    return raw(value) if key == "raw" else codec.seal(value) + b"\n"


class _Played:
    """A dialogue made into a script, with the moment of each of its steps."""

    def __init__(self, block: Block) -> None:
        self.script = ["1000 put p1 0%", "199000 erase", "200000 reset power"]
        self.steps: list[tuple[str, str, int]] = []
        at = BEGIN_US
        for key, value in block:
            if key in ("send", "raw"):
                sent = _bytes(key, value)
                self.script.append(f"{at} hex {sent.hex()}")
                slow = b" ident " in sent or b" name " in sent
                at += 290_000 if slow else 9_000 + 110 * len(sent) * (1 + sent.count(b"@@") + sent.count(b">"))
            elif key == "wait":
                at += int(value) * 1000
            elif key == "edge":
                contact, _, level = value.partition("=")
                self.script.append(f"{at} {'press' if level == '1' else 'release'} {contact}")
                at += 20_000
            elif key in ("outputs", "lit"):
                at += 12_000  # longer than a period of the modulation
                self.script += [f"{at} since l1", f"{at} since l2", f"{at} shown"]
            self.steps.append((key, value, at))
        self.script.append(f"{at + 20_000} end")


def _matches(line: Line, want: str) -> bool:
    body = line.line.decode().rpartition(" #")[0]
    pattern = re.escape(want.rstrip("~")).replace(r"\.", "[0-9A-F]").replace("\\ ", " ")
    return bool(re.fullmatch(pattern + (".*" if want.endswith("~") else ""), body))


def _outputs(log: Log, n: int, at_us: int, want: str) -> None:
    values = dict(word.split("=") for word in want.split())
    shown = dict(word.split("=") for word in log.replies("shown")[n].split())
    assert shown.items() >= {k: v for k, v in values.items() if k[0] == "d"}.items()
    for lamp in ("l1", "l2"):
        seen = log.numbers(f"since {lamp}")[n]
        is_off = seen["lit"] == 0 and at_us - seen["since"] > 9_000
        assert is_off == (values[lamp] == "000"), (lamp, want, seen)


@pytest.mark.parametrize("block", few_of(DIALOGUES), ids=lambda block: only(block, "dialogue"))
def test_dialogue(block: Block) -> None:
    played = _Played(block)
    log = reference().run(played.script)
    passed = next((value.split() for key, value in block if key == "pass"), ["alive"])
    lines = [
        line for line in log.good() if line.at_us > 200_000 and not (line.line[:1] == b"!" and line.words[0] in passed)
    ]
    outputs = 0
    for key, value, at_us in played.steps:
        if key == "want":
            assert lines, f"nothing more came, instead of {value}"
            line = lines.pop(0)
            assert _matches(line, value), (line, value)
        elif key == "nothing":
            assert not lines or lines[0].at_us > at_us, lines[0]
        elif key in ("outputs", "lit"):
            _outputs(log, outputs, at_us, value)
            outputs += 1


def test_refusals() -> None:
    """Each request that is well formed and refused, by the code that the vectors give it, and nothing changes."""
    script, want, at = ["1000 put p1 0%"], [], 200_000
    for n, block in enumerate(blocks("refusals.txt")):
        for first in [value for key, value in block if key == "first"]:
            script.append(f"{at} rx {ask(0xF0, first)}")
            at += 12_000
        tag = n % 0xE0 + 1
        sent = codec.seal(f">{tag:02X} {only(block, 'ask')}").decode()
        script.append(f"{at} rx {sent}")
        want.append((tag, only(block, "code"), only(block, "ask")))
        at += 16_000
        script.append(f"{at} rx {ask(0xF1, 'light')}")
        at += 8_000
    log = reference().run([*script, f"{at + 50_000} end"])
    told = [line.parsed for line in log.good() if line.line[:1] == b"<" and line.parsed.tag < 0xF0]
    found = [(line.tag, line.words[1] if line.words[0] == "no" else "done") for line in told]
    assert [(tag, code, words) for (tag, code), (_, _, words) in zip(found, want, strict=True)] == want


@pytest.mark.parametrize("move", ["press sw1", "press sw2", "press sw3", "press s4", "turn e1 1", "put p1 100%"])
def test_each_kind_of_input_moves(move: str) -> None:
    """What the dialogue with `move` asks for, one part after the other."""
    ends = {"sw1": "sw1=1", "sw2": "sw2=1", "sw3": "sw3=1", "s4": "sel1=4", "e1": "e1=0004", "p1": "p1=03FF"}
    log = reference().run(["1000 put p1 0%", f"200000 {move}", f"400000 rx {ask(1, 'read all')}", "500000 end"])
    want = ends[move.split()[1]]
    assert want in [word for line in log.notifications("is") for word in line.words[1:]][-1:]
    assert want in log.answers("read")[0].words
