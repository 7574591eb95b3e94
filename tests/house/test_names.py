"""What holds for the whole tree, and no linter looks at."""

import ast
import re
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


NO_VERB = re.compile(
    r"(The|An?|All|At|As|By|Each|Every|Everything|From|How|Is|Its?|In|No|Nothing|Of|On|One|Only|Some|Something|That"
    r"|There|These|This|Those|To|Two|What|When|Where|Whether|Which|While|Who|Why|With|Without)\b"
)
PROPERTIES = {"property", "cached_property"}


def test_the_docstring_of_a_function_says_what_it_does() -> None:
    """Begun with a verb it can hardly be a riddle (“A column.”, “Whether it stands.”); a property is a noun and may."""
    found = []
    seen = 0
    for path in sorted(TOP.rglob("*.py")):
        for node in ast.walk(tree(path)):
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or node.name == "__init__":
                continue
            marks = {getattr(mark, "attr", getattr(mark, "id", "")) for mark in node.decorator_list}
            text = ast.get_docstring(node) if not marks & PROPERTIES else None
            seen += text is not None
            if text and NO_VERB.match(text):
                found.append(f"{path.relative_to(TOP)}:{node.lineno}: {text.splitlines()[0]}")
    assert seen > 2000, "the tree was read"
    assert found == []


def test_what_several_tests_use_is_in_a_module_of_its_own() -> None:
    """One file of tests imported by another is collected with it, and nobody looks for helpers there."""
    files = sorted(Path(__file__).parents[1].rglob("*.py"))
    found = [
        f"{path.name}:{node.lineno}: {node.module}"
        for path in files
        for node in ast.walk(tree(path))
        if isinstance(node, ast.ImportFrom) and (node.module or "").rpartition(".")[2].startswith("test_")
    ]
    assert len(files) > 300, "the tests were read"
    assert found == []
