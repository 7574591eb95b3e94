"""One word for one thing: words that were given up for plainer ones do not come back."""

import re
import subprocess

import pytest
from house.wrap import ROOT

GIVEN_UP = {
    r"\bnews\b": "notification",
    r"\bsigns? of life\b": "heartbeat",
    r"\btongue\b": "not the line protocol, foreign",
    r"\bunfed\b": "no supply",
    r"\bphantom\b": "ghost",
    r"\bfault file\b": "faults file",
    r"\banew\b": "again",
    r"\bnoughts?\b": "zero",
    r"\bhow manieth\b": "which, nth",
    r"\botherwise than\b": "different from",
    r"\b(?:befall|befell|befallen)\b": "happened to",
    r"\bshall\b": "must",
    r"\bpassed over\b": "skipped, ignored",
    r"\bchanged round\b": "swapped",
    r"\b(?:is|are|was|were) told (?:as|by)": "reported as, reported by",
    r"\bLoad and soak\b": "Soak",
    r"\b(?:ails?|ailing|ailments?)\b": "what is wrong with, trouble",
    r"\bstandings?\b(?! still)": "stage of a port, liveness of a board, position of a control, status on a screen",
}
"""What is searched for, and the word of today."""

KINDS = (".py", ".md", ".toml", ".c", ".h", ".html", ".txt", ".abnf")


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    """Everything that was written by hand, by its name."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: what is kept cannot be told from what was built")
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    names = [name for name in listed.splitlines() if name.endswith(KINDS) and name != "tests/house/test_words.py"]
    return {name: (ROOT / name).read_text("utf-8") for name in names if (ROOT / name).exists()}


@pytest.mark.parametrize("given_up", GIVEN_UP)
def test_a_word_that_was_given_up_is_nowhere(given_up: str, texts: dict[str, str]) -> None:
    pattern = re.compile(given_up)
    found = [
        f"{name}:{text.count(chr(10), 0, match.start()) + 1}"
        for name, text in texts.items()
        for match in pattern.finditer(text)
    ]
    assert not found, f"say: {GIVEN_UP[given_up]}"
