"""The picture of the demo in the README: ``python -m benchcon.demo.picture FILE`` draws it again."""

from __future__ import annotations

from pathlib import Path

from benchcon.console.picture import picture
from benchcon.demo.desks import panel_path, start
from benchcon.demo.live import evening
from benchcon.link import Bench
from benchcon.panel.file import load
from benchcon.session import LiveSession


def demo_picture(path: str | Path, after_s: float = 12.0) -> None:
    """Write a picture of the demo, after its scenario has gone on for `after_s` seconds."""
    with start() as demo:
        panel = load(panel_path())
        bench = Bench([desk.port for desk in demo.boards], panel=panel)
        session = LiveSession(bench, panel, demo.hands)
        run = evening(session, demo.hands)
        bench.start()
        run.start()
        try:
            picture(session, path, settle_s=after_s)
        finally:
            run.close()
            session.close()


if __name__ == "__main__":
    import sys

    demo_picture(sys.argv[1])
