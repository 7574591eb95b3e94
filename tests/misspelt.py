"""Slips of the hand in a word: what the tests of misspelt keys in panel, behaviour and scenario files draw from."""

from __future__ import annotations

from hypothesis import assume
from hypothesis import strategies as st


def misspelt(word: str, data: st.DataObject) -> str:
    """Draw `word` with one letter left out, doubled, or swapped with the one before."""
    at = data.draw(st.integers(1, len(word) - 1))
    before, letter, behind = word[:at], word[at], word[at + 1 :]
    slips = before + behind, before + letter + letter + behind, before[:-1] + letter + before[-1] + behind
    found = data.draw(st.sampled_from(slips))
    assume(found != word)
    return found
