"""DEVELOPERS.md tells the truth: its table of rooms, its table of threads, the files it names."""

import ast
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from house.sources import statements, tree

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
SOURCES = sorted((ROOT / "benchcon").rglob("*.py"))


def section(name: str) -> str:
    """The text under one heading."""
    return TEXT.split(f"\n## {name}\n", 1)[1].split("\n## ", 1)[0]


def rows(name: str) -> list[list[str]]:
    """The rows of the table under one heading, cell by cell, without its head."""
    lines = [line for line in section(name).splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[2:]]


def layers() -> list[set[str]]:
    """The contract's layers, from top to bottom."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["contracts"]
    return [set(layer.split(" | ")) for layer in contracts[0]["layers"]]


def rooms_in(cell: str) -> list[str]:
    """The modules and packages that the first cell of a row names."""
    named = re.findall(r"`(?:benchcon/)?(\w+)(?:/|\.py)`", cell)
    return [name for name in named if (ROOT / "benchcon" / name).exists() or (ROOT / f"benchcon/{name}.py").exists()]


def imported(room: str) -> set[str]:
    """The rooms that the modules of a room import, anywhere in them."""
    names: set[str] = set()
    for path in SOURCES:
        if path.relative_to(ROOT / "benchcon").parts[0].removesuffix(".py") == room:
            for node in statements(tree(path)):
                if isinstance(node, ast.Import):
                    names |= {alias.name for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name.split(".")[1] for name in names if name.startswith("benchcon.")} - {room, "__version__", "PROGRAM"}


def test_the_table_of_rooms_is_whole_and_says_what_each_room_uses() -> None:
    bottom, *table = [(rooms_in(row[0]), row[2]) for row in rows("Rooms") if rooms_in(row[0])]
    known = {room for layer in layers() for room in layer}
    assert {room for rooms, _ in [bottom, *table] for room in rooms} == known - {"__main__"}
    for rooms, uses in table:
        allowed = known if uses.startswith("everything") else {*bottom[0], *re.findall(r"\w+", uses)}
        for room in rooms:
            assert imported(room) <= allowed, f"{room}: DEVELOPERS.md does not name {imported(room) - allowed}"


def threads() -> dict[str, Path]:
    """The name of each thread that the program starts, with `…` for what is put in while it runs."""
    found: dict[str, Path] = {}
    for path in SOURCES:
        if "Thread" not in path.read_text("utf-8"):
            continue
        for call in ast.walk(tree(path)):
            if not isinstance(call, ast.Call):
                continue
            called = getattr(call.func, "attr", getattr(call.func, "id", ""))
            keys = {key.arg: key.value for key in call.keywords}
            if called in ("Thread", "ThreadPoolExecutor"):
                name = keys.get("name", keys.get("thread_name_prefix", call.args[1] if len(call.args) > 1 else None))
                assert name is not None, f"{path}:{call.lineno}: a thread without a name"
                written = ast.literal_eval(name) if isinstance(name, ast.Constant) else ast.unparse(name)[2:-1]
                found[re.sub(r"\{.*?\}", "…", written)] = path
    return found


def test_every_thread_has_a_name_and_stands_in_the_table() -> None:
    text = section("Threads and processes")
    told = set(re.findall(r"`([^`]+)`", text))
    told |= {re.sub(r"\b[A-Z]{3,}\b", "…", name) for name in told}
    for name, path in threads().items():
        if name == "… …":  # link/remote.py: "from URL", "to URL"
            assert {"from …", "to …"} <= told
        else:
            assert name in told, f"thread {name!r} of {path} is missing from DEVELOPERS.md"


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`((?:[a-z_]+/)+[a-z_*]*(?:\.[a-z]+)?)[\w.]*`", TEXT))))
def test_every_file_it_names_is_there(name: str) -> None:
    for top in (ROOT, ROOT / "benchcon"):
        folder, _, last = name.rpartition("/")
        if any((top / folder).glob(last or "*")):
            return
        if any((top / folder).glob(last.partition(".")[0] + ".py")):  # of `cli/main.COMMANDS`
            return
    pytest.fail(f"{name} is not there")


def test_contents_lead_to_every_section_in_order() -> None:
    linked = re.findall(r"\[([^\]]+)\]\(#", TEXT.split("\n## ", 1)[0])
    assert linked == re.findall(r"(?m)^## (.+)$", TEXT)
    assert all(first != second for first, second in pairwise(linked))
