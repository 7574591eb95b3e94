"""Calls that may block, such as opening a device, in a thread beside the loop that nobody has to wait for at exit."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


async def aside(do: Callable[[], T], discard: Callable[[T], None] = lambda result: None) -> T:
    """Call `do` in a thread while the loop runs on; return what it returns, or raise what it raises.

    If nobody waits for the result any more when it is there, `discard` is called with it. The thread is a daemon, so
    that a driver which never returns does not keep the program from ending, as the loop's own pool of threads would.
    """
    loop = asyncio.get_running_loop()
    waiting: asyncio.Future[T] = loop.create_future()

    def deliver(result: T | None, error: BaseException | None) -> None:
        if waiting.done():
            if error is None:
                threading.Thread(target=discard, args=(result,), name="link, aside", daemon=True).start()
        elif error is not None:
            waiting.set_exception(error)
        else:
            waiting.set_result(result)  # type: ignore[arg-type]

    def run() -> None:
        result: T | None = None
        error: BaseException | None = None
        try:
            result = do()
        except BaseException as raised:
            error = raised
        try:
            loop.call_soon_threadsafe(deliver, result, error)
        except RuntimeError:  # the loop has ended
            if error is None:
                with contextlib.suppress(Exception):
                    discard(result)  # type: ignore[arg-type]

    threading.Thread(target=run, name="link, aside", daemon=True).start()
    return await waiting
