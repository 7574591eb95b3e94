"""The one table of kinds, held to the code that makes them and to the code that finds them."""

from __future__ import annotations

import ast
import inspect
import re

import pytest

from benchcon.diagnosis import boards, supplies, wording
from benchcon.kinds import kinds, kinds_text
from benchcon.rig.kinds import KINDS as MADE

FOUND = {name for name, kind in kinds().items() if kind.found}


def test_a_faults_file_knows_just_what_the_table_says_it_can_make() -> None:
    assert set(MADE) == {kind.word for kind in kinds().values() if kind.made}


def test_the_diagnosis_can_name_just_what_the_table_says_it_can_find() -> None:
    """Of parts by the sentence that each kind has; of boards and supplies by the names that their modules write."""
    sentences = set(wording.SENTENCES)
    written = {
        node.value
        for module in (boards, supplies)
        for node in ast.walk(ast.parse(inspect.getsource(module)))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert sentences <= FOUND
    assert sentences | (written & FOUND) == FOUND


@pytest.mark.parametrize("name", kinds())
def test_an_entry_is_whole_and_in_one_form(name: str) -> None:
    kind = kinds()[name]
    assert re.fullmatch(r"[a-z]+(?: [a-z]+)*", name)
    assert kind.found or kind.made
    for text in (kind.means, kind.look, kind.decide, kind.settings):
        assert text == text.strip()
        assert not text.endswith(".")
    assert kind.means
    assert kind.look
    assert len(kind.means) <= 120
    assert len(kind.look) <= 100
    assert kind.found or not kind.decide
    assert kind.same[0] == name


def test_a_kind_has_one_name() -> None:
    words = [kind.word for kind in kinds().values()]
    assert len(set(words)) == len(words)
    assert len({kind.means for kind in kinds().values()}) == len(words)


def test_the_table_reads_as_a_list_by_groups() -> None:
    text = kinds_text(only_found=True)
    assert text.startswith("Inputs:\n\n  chattering: the contact makes and breaks several times when it moves.\n")
    assert "      Look first at the wire of that segment. In a faults file: segment_dead.\n" in text
    assert "wrong baud" not in text
    assert "wrong baud" in kinds_text()
