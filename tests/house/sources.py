"""The modules of the program, each parsed once for all tests that look at them."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from pathlib import Path


@functools.cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a module: look, do not change."""
    return ast.parse(path.read_text("utf-8"))


def statements(node: ast.AST) -> Iterator[ast.stmt]:
    """All statements in it, however deep: far fewer than `ast.walk` gives, which goes into every expression."""
    for field in ("body", "orelse", "finalbody", "handlers", "cases"):
        for inner in getattr(node, field, ()):
            if isinstance(inner, ast.stmt):
                yield inner
            yield from statements(inner)
