"""A bench for a command that lights something: opened, waited for, and left dark."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from benchcon.cli.until import Until
    from benchcon.panel.model import Panel
    from benchcon.rig.hand import Hand
    from benchcon.session import LiveSession

READY_S = 15.0
"""How long boards may take to answer: five seconds for a boot loader, and a margin."""


def open_bench(
    ports: Sequence[str], panel: Panel, hands: Mapping[str, Hand], until: Until, kept: Path | None = None
) -> LiveSession:
    """Open `ports`, and have `until` darken them first, whatever ends the command. `kept`: see `OpenSession`."""
    from benchcon.link import Bench
    from benchcon.session import LiveSession

    bench = Bench(ports, panel=panel)
    session = LiveSession(bench, panel, hands, kept)
    until.first(lambda: bench.dark(for_good=True))
    until.last(session.close)
    bench.start()
    return session


def meet(session: LiveSession, panel: Panel) -> None:
    """Wait until every board of the panel is linked and described. Raises `Trouble` naming those that do not answer."""
    import time

    from benchcon.errors import Trouble
    from benchcon.walk.channel_changes import missing_boards

    assert session.bench is not None
    until = time.monotonic() + READY_S
    while missing := missing_boards(session, panel):
        ports = session.bench.ports()
        settled = bool(ports) and all(port.decided for port in ports)
        # A board that has just answered is live before its description is whole.
        if time.monotonic() > until or (settled and not _half_known(session)):
            break
        session.bench.wait(_never, 0.02)
    if missing and (missing := missing_boards(session, panel)):
        raise Trouble(_nobody_answers(session, missing))


def _nobody_answers(session: LiveSession, missing: list[str]) -> str:
    """Return the message that these boards do not answer, with the reason if known, such as who has the port open."""
    assert session.bench is not None
    why = "; ".join(port.text for port in session.bench.ports() if port.failed and port.text)
    return f"no board answers as {', '.join(missing)}{f': {why}' if why else ''} (see 'benchcon ports')"


def _never(ports: object) -> bool:
    return False


def _half_known(session: LiveSession) -> bool:
    with session.lock:
        return any(not board.known for board in session.state.boards.values() if board.link == "linked")


def leave(session: LiveSession) -> bool:
    """Close `session`, which darkens its boards. If not all of them confirm it, warn on stderr and return False."""
    session.close()
    return left_dark(session.dark_confirmed, session.panel)


def left_dark(confirmed: bool, panel: Panel | None = None) -> bool:
    """Warn on stderr, unless every board of `panel` has `confirmed` that it is dark; return `confirmed`."""
    if not confirmed:
        from benchcon.panel.model import Panel
        from benchcon.panel.unplug import not_confirmed

        say_on_stderr(not_confirmed(panel or Panel()))
    return confirmed
