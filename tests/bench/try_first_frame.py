"""How long ``benchcon try`` takes until the panel is on the screen, beside ``python -c "import textual.app"``.

Both from compiled modules, as they are where the package was installed, whatever ``PYTHONDONTWRITEBYTECODE`` says here.

Reach: at most 1.5 times as long. Run: ``python tests/bench/try_first_frame.py [PANEL]``
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from console.in_terminal import Terminal

from benchcon.demo import panel_path
from benchcon.panel.file import load

ROUNDS = 7


def _import() -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import textual.app"], check=True)
    return time.perf_counter() - began


def _first_frame(panel: str, home: str) -> tuple[float, float]:
    """Seconds until the panel's face stands there, down to the row of keys, and until its boards are live."""
    began = time.perf_counter()
    with Watched("-m", "benchcon", "try", panel, env={"BENCHCON_HOME": home}, columns=140, rows=45) as terminal:
        while b"SIMULATED" not in terminal.raw or b"DARK" not in terminal.raw:
            assert terminal.read(0.005), terminal.text()
        seen = time.perf_counter() - began
        frame = terminal.text()
        while "● live" not in terminal.text():
            assert terminal.read(0.005), terminal.text()
        live = time.perf_counter() - began
        terminal.press("q")
        terminal.ended()
    missing = [part.label for part in load(panel).parts if part.label.upper() not in frame.upper()]
    assert len(missing) < len(load(panel).parts) / 4, f"not on the first frame: {missing}\n{frame}"
    return seen, live


class Watched(Terminal):
    """A terminal that is drawn only when it is looked at: the drawing is not what is measured."""

    def __init__(self, *words: str, **how: Any) -> None:
        super().__init__(*words, **how)
        self._draw, self._drawn = self._stream.feed, 0
        self._stream.feed = lambda data: None  # type: ignore[method-assign]

    def text(self) -> str:
        """What stands on the screen."""
        self._draw(self.raw[self._drawn :])
        self._drawn = len(self.raw)
        return super().text()


def main() -> None:
    panel = sys.argv[1] if len(sys.argv) > 1 else str(panel_path())
    imports, frames, lives = [], [], []
    with tempfile.TemporaryDirectory() as home:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = f"{home}/compiled"
        _import()
        _first_frame(panel, home)
        for _ in range(ROUNDS):  # turn and turn about, so that a busy moment meets both
            imports.append(_import())
            seen, live = _first_frame(panel, home)
            frames.append(seen)
            lives.append(live)
    a, b, c = (statistics.median(each) for each in (imports, frames, lives))
    print(f"import textual.app   {a * 1000:6.0f} ms (median of {ROUNDS})")
    print(f"try: first frame     {b * 1000:6.0f} ms, {b / a:.2f} times as long (reach: ≤ 1.5)")
    print(f"try: boards live     {c * 1000:6.0f} ms, {c / a:.2f} times as long")


if __name__ == "__main__":
    main()
