"""The screen on which tests look at the program says what the terminal emulator says, which draws every line again."""

from __future__ import annotations

import pyte
from console.in_terminal import Screen
from hypothesis import given, settings
from hypothesis import strategies as st

# ECMA-48: what moves, erases, inserts, deletes and scrolls; private modes of xterm that change the screen.
CODES = ["2J", "H", "3;5H", "K", "1J", "L", "M", "2@", "3P", "4X", "2;4r", "?1049h", "?1049l", "?3h", "?3l", "?5h"]
# No combining marks: in column 0 the emulator joins one to the line above without saying that this line has changed.
LETTERS = st.characters(exclude_categories=["Mn", "Me", "Mc", "Cs"])
SAID = st.one_of(st.text(LETTERS, max_size=5), st.sampled_from(["\n", "\r", "\x08", "\x1bM", "\x1bD", "\x1bc", "界界"]))


@settings(max_examples=60)
@given(st.lists(st.one_of(SAID, st.sampled_from([f"\x1b[{code}" for code in CODES])), max_size=20))
def test_only_what_changed_is_drawn_again_and_the_screen_is_the_same(said: list[str]) -> None:
    ours, theirs = Screen(10, 5), pyte.Screen(10, 5)
    for text in said:
        try:
            pyte.Stream(theirs).feed(text)
            there = theirs.display
        except (AssertionError, IndexError, TypeError):
            return  # what the emulator itself does not bear
        pyte.Stream(ours).feed(text)
        assert ours.display == there
