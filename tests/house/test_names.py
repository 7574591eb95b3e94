"""What holds for the whole tree, and no linter looks at."""

import ast
from collections import defaultdict
from pathlib import Path

from house.sources import tree

import benchcon

TOP = Path(benchcon.__file__).parent


def test_no_two_public_classes_share_a_name() -> None:
    """Whoever meets a name in a message, a type or a search finds one thing behind it."""
    homes: dict[str, list[str]] = defaultdict(list)
    for path in sorted(TOP.rglob("*.py")):
        for node in tree(path).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes[node.name].append(str(path.relative_to(TOP)))
    assert len(homes) > 300, "the tree was read"
    assert {name: where for name, where in homes.items() if len(where) > 1} == {}
