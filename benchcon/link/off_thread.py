"""Doing what may wait for a device beside the loop, in a thread that nobody has to wait for at the end."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


async def aside(do: Callable[[], T], discard: Callable[[T], None] = lambda result: None) -> T:
    """Return what `do` returns, or raise what it raises, with the loop running on meanwhile.

    If nobody waits for it any more when it is done, its result goes to `discard`. The thread is a daemon: a driver that
    never comes back does not keep the program from ending, as it would with the loop's own pool of threads.
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
