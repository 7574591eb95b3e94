"""Make the pictures of the guide again: ``python tests/guide/pictures.py``."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

from benchcon.cli.main import main
from benchcon.protocol_files import protocols_dir


def make() -> None:
    guide = protocols_dir() / "guide"
    found = re.search(r"^```toml winch\.toml\n(.*?)^```$", (guide / "README.md").read_text("utf-8"), re.M | re.S)
    assert found is not None
    with tempfile.TemporaryDirectory() as folder:
        panel = Path(folder) / "winch.toml"
        panel.write_text(found[1], "utf-8")
        main(["sheet", str(panel), "-o", str(guide / "winch-sheet.svg"), "--force"])
        main(["sheet", str(panel), "-o", str(guide / "winch-face.svg"), "--picture", "--force"])


if __name__ == "__main__":
    make()
