"""What lies at the top of the repository is what README and DEVELOPERS.md promise, and nothing that slipped in."""

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROMISED = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "benchcon", "protocols", "tests", "captures"}


def test_nothing_lies_at_the_top_that_nobody_put_there() -> None:
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: what is kept cannot be told from what was built")
    kept = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines()
    at_the_top = {name.split("/", 1)[0] for name in kept}
    assert {name for name in at_the_top if not name.startswith(".")} == PROMISED
