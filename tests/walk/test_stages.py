"""The stages of a walk as a table: the picture is the table, nothing else sets them, and every walk keeps to it."""

from __future__ import annotations

import ast
import inspect
import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from walk.person import Person
from walk.random_panels import random_panel

from benchcon.walk import machine
from benchcon.walk.machine import NEXT, TABLE, Walk, WalkSign, WalkStage


def picture() -> list[str]:
    own = [f"| {stage} | {sign} | {becomes} |" for (stage, sign), becomes in TABLE.items() if sign not in NEXT]
    return own + [f"| any | {sign} | {becomes} |" for sign, becomes in NEXT.items()]


def test_the_picture_in_the_module_s_text_is_the_table() -> None:
    told = [line for line in (machine.__doc__ or "").splitlines() if line.startswith("| ")]
    assert told[-len(picture()) :] == picture()
    assert [line.split("|")[1].strip() for line in told[1 : 1 + len(WalkStage)]] == list(WalkStage)


def test_the_stage_is_set_by_the_table_alone_and_every_sign_of_it_is_seen() -> None:
    tree = ast.parse(inspect.getsource(machine))
    sets = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and any(ast.unparse(target) == "self.state" for target in node.targets)
    ]
    assert [ast.unparse(node.value) for node in sets] == ["WalkStage.OVER", "TABLE[self.state, sign]"]
    seen = {
        word.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "self._see"
        for word in ast.walk(node)
        if isinstance(word, ast.Attribute) and ast.unparse(word.value) == "WalkSign"
    }
    assert {WalkSign[name] for name in seen} == {sign for _, sign in TABLE} == set(WalkSign)


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1000))
def test_every_walk_goes_from_stage_to_stage_as_the_table_has_it(seed: int) -> None:
    """Watched from outside, so that what the table does not have would be seen."""
    stages: list[WalkStage] = []

    class Watched(Walk):
        def __setattr__(self, name: str, value: object) -> None:
            if name == "state":
                stages.append(WalkStage(str(value)))
            super().__setattr__(name, value)

    person = Person(random_panel(random.Random(seed)), [], random.Random(seed))
    person.walk = Watched(person.panel)
    person.go()
    steps = set(itertools.pairwise(stages))
    assert steps <= {(stage, becomes) for (stage, _), becomes in TABLE.items()}
    assert stages[-1] is WalkStage.OVER


if __name__ == "__main__":
    print("\n".join(picture()))
