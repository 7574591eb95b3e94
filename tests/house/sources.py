"""The modules of the program, each parsed once for all tests that look at them."""

from __future__ import annotations

import ast
import functools
from pathlib import Path


@functools.cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a module: look, do not change."""
    return ast.parse(path.read_text("utf-8"))
