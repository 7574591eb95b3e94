"""Record `captures/emulated-desk.capture`: the real firmware in the emulator, worked whole by its hand.

python tests/bench/emulated_capture.py FILE
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from firmware.emulated import bench
from firmware.emulated_session import drafted, work_everything, working

from benchcon.wire.events import Alive


def main() -> int:
    (path,) = map(Path, sys.argv[1:])
    path.unlink(missing_ok=True)
    with tempfile.TemporaryDirectory() as room:
        os.environ["BENCHCON_HOME"] = os.environ["BENCHCON_LOCKS"] = room
        with bench().start() as paced:
            panel = drafted(paced.port)
            with working(paced, panel, Path(room)) as at:
                at.session.start_recording(path)
                before, heard = at.board.boot, len(at.events)
                at.until(lambda: any(isinstance(event, Alive) for event in at.events[heard:]))
                at.hand.reset()  # the line is free now: no line is torn by it, and `boot` is heard whole
                at.until(lambda: at.board.boot != before and at.board.known)
                work_everything(at)
                at.session.stop_recording()
                assert at.board.cause == "reset"
    print(f"{path}: {path.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
