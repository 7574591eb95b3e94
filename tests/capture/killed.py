"""A recording process to be killed: writes numbered notifications as fast as a busy bench and tells how far it is.

    python killed.py FILE

prints ``NUMBER SECONDS`` (monotonic) after records were handed to the writer, ten times a second.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

from made import keyframe

from benchcon.capture import Writer
from benchcon.wire.codec import notification
from benchcon.wire.records import LINE_UP, Batch


def main() -> None:
    began = time.monotonic()
    count = 0
    writer = Writer(sys.argv[1], datetime.now(UTC), lambda: keyframe(count))
    told = 0.0
    while True:
        at_us = int((time.monotonic() - began) * 1e6)
        lines = [notification(n, n, ("is", f"n={n:X}")) for n in range(count, count + 20)]
        writer.write([Batch(at_us, 1, LINE_UP, lines)])
        count += 20
        now = time.monotonic()
        if now - told > 0.02:
            print(count, now, flush=True)
            told = now
        time.sleep(0.001)


if __name__ == "__main__":
    main()
