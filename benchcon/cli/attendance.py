"""Attendance: reports ports that do not answer and absent boards of the panel, as they change and at the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.link import PortInfo
    from benchcon.panel.model import Panel


class Attendance:
    """Tracks which of `ports` and which boards of `panel` have answered. `shown`: the panel file's name in messages."""

    def __init__(self, ports: Sequence[str], panel: Panel, shown: str) -> None:
        from benchcon.text import printable

        self.answered: dict[str, str] = {}
        """Ident of the board heard on each port, by the port's printable name; empty if the board gave none."""
        self.mute: list[str] = []
        """Ports whose device had not identified itself as a board at the last `look`."""
        self._ports = [printable(port) for port in dict.fromkeys(ports)]
        self._panel = panel
        self._shown = shown
        self._reported: set[str] = set()

    def look(self, infos: Sequence[PortInfo], heard: Mapping[int, str]) -> list[str]:
        """Return what is new, one printable line each; nothing is reported twice. `heard`: ident by source number."""
        from benchcon.panel.summary import unmatched
        from benchcon.text import about

        lines = []
        self.mute = [info.port for info in infos if info.stage in ("mute", "foreign")]
        for info in infos:
            if info.source in heard:
                self.answered[info.port] = heard[info.source] or self.answered.get(info.port, "")
            if info.decided and info.stage != "released" and info.text:
                lines.append(about(info.port, info.text))
            elif info.stage == "live" and any(line.startswith(f"{info.port}: ") for line in self._reported):
                lines.append(f"{info.port}: '{info.ident}' answers now")
        if infos and all(info.decided for info in infos):
            line = unmatched(self._panel, self._idents(), self._shown)
            lines += [line] if line else []
        new = [line for line in dict.fromkeys(lines) if line not in self._reported]
        self._reported.update(new)
        return new

    def missed(self) -> list[str]:
        """Return, for the end: the ports where no board ever answered and the panel's boards that never did."""
        from benchcon.panel.summary import unmatched

        ports = [port for port in self._ports if port not in self.answered]
        lines = [f"{port}: no board ever answered there; 'benchcon ports {port}' tries again" for port in ports]
        line = unmatched(self._panel, self._idents(), self._shown)
        return lines + ([line] if line else [])

    def _idents(self) -> list[str]:
        return list(dict.fromkeys(ident for port in self._ports if (ident := self.answered.get(port))))
