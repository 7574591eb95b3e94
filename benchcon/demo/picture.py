"""The pictures in the README: ``python -m benchcon.demo.picture FOLDER`` draws them again."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path

from benchcon.console.picture import picture
from benchcon.demo.desks import panel_path, start
from benchcon.demo.live import evening
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.session import LiveSession

TO_THE_FIRST_LAMP = ("t", "wait:1000", "enter", "wait:1000", "enter", "wait:4000", "enter", "wait:4000")
"""Keys that begin a walk and answer its first question, whether all is dark; then it lights one lamp."""


def demo_picture(path: str | Path) -> None:
    """Write a picture of the demo after twelve seconds of its scenario."""
    with start() as demo:
        panel = load(panel_path())
        bench = Bench([desk.port for desk in demo.boards], panel=panel)
        session = LiveSession(bench, panel, demo.hands)
        run = evening(session, demo.hands)
        bench.start()
        run.start()
        try:
            picture(session, path, settle_s=12.0)
        finally:
            run.close()
            session.close()


def walk_picture(path: str | Path) -> None:
    """Write a picture of the walk over the demo's desks, at its first lamp."""
    path = Path(path).resolve()
    with start() as demo, tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):  # the walk's own report
        panel = load(panel_path())
        bench = Bench([desk.port for desk in demo.boards], panel=panel)
        session = LiveSession(bench, panel, demo.hands)
        bench.start()
        try:
            picture(session, path, keys=TO_THE_FIRST_LAMP, settle_s=4.0)
        finally:
            session.close()


if __name__ == "__main__":
    import sys

    demo_picture(Path(sys.argv[1]) / "console.svg")
    walk_picture(Path(sys.argv[1]) / "walk.svg")
