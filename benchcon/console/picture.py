"""The picture of the console in the README: taken from the program itself, on the demo.

``python -m benchcon.console.picture protocols/console.svg`` writes it anew.
"""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path
from typing import Any

from benchcon.console.app import ConsoleApp
from benchcon.session import Session

SIZE = (140, 42)


def picture(session: Session, path: Path, size: tuple[int, int] = SIZE, seconds: float = 6.0) -> None:
    """Write what the console shows of `session` after so many seconds to `path`, as SVG."""

    async def take(pilot: Any) -> None:
        await asyncio.sleep(seconds)  # the demo's hand needs its time; nothing is waited for
        drawn = pilot.app.export_screenshot(title="benchcon")
        # The drawing asks the network for its font; a picture in a file should ask nobody.
        path.write_text(re.sub(r"@font-face \{[^}]*\}\s*", "", drawn), encoding="utf-8")
        await pilot.app.action_quit()

    app = ConsoleApp(session)
    app.run(headless=True, size=size, auto_pilot=take)


def main() -> int:
    """Take the picture of the demo."""
    from benchcon.demo import start
    from benchcon.demo.desks import panel_path
    from benchcon.demo.script import ScriptedHand
    from benchcon.demo.weather import DemoDriver
    from benchcon.link import Bench
    from benchcon.panel.file import load
    from benchcon.session import LiveSession

    panel = load(panel_path())
    with start() as demo:
        bench = Bench([desk.port for desk in demo.boards], panel=panel)
        session = LiveSession(bench, panel, dict(demo.hands))
        script, driver = ScriptedHand(demo.hands), DemoDriver(session)
        bench.start()
        script.start()
        driver.start()
        try:
            picture(session, Path(sys.argv[1]), seconds=14.0)
        finally:
            script.close()
            driver.close()
            session.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
