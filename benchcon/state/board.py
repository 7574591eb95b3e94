"""One board: who it is, the state of its link, and its channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar

from benchcon.state.channel import ChannelState
from benchcon.state.given import given
from benchcon.text import printable
from benchcon.wire.items import CHANNELS
from benchcon.wire.silence import ALIVE_US, is_silent, silent_after_us

Key = TypeVar("Key")

TROUBLE_US = 10_000_000
"""How long after its last trouble a link is still called weak."""
SLOW_US = 12_000
"""An ordinary request and its answer take less than this at 115200 baud (66 bytes and a board's scan: 7 ms); an adapter
that holds bytes back for 16 ms makes every one take longer."""

NO_SUPPLY_MV = 2500
"""A reported supply below this counts as none: no driver of lamps or displays works below it (common practice, no
source)."""

MOST_CHANNELS = 512
"""Most channels of one board that are kept."""


def called(ident: str, name: str, source: int) -> str:
    """Return what to call a board, printable: its ident, or else its name, or else ``board 2``."""
    return printable(ident or name) or f"board {source}"


def is_without_supply(supply_mv: int) -> bool:
    """Return whether a reported supply, in mV, means that nothing is lit, whatever the board drives.

    0 means that the board does not report its supply.
    """
    return 0 < supply_mv < NO_SUPPLY_MV


@dataclass(slots=True, eq=False)
class BoardState:
    """What is known about one board."""

    source: int
    """Its number on the bench."""
    port: str = ""
    ident: str = ""
    identified: bool = False
    """Whether the link has said that this number means the board `ident`: then only a new ident of its own changes it,
    and nothing that another board says which is plugged in where it was."""
    name: str = ""
    model: str = ""
    chip: str = ""
    firmware: str = ""
    protocol: int = 0
    buffer: int = 0
    item_count: int = 0
    """How many items the board says it has."""
    boot: int | None = None
    cause: str = ""
    boots: int = 0
    """Resets seen since the stream began."""
    dark: bool = False
    dark_why: str = ""
    deadman_ms: int = 0
    supply_mv: int = 0
    """Supply in millivolts; 0: not known."""
    worst_loop_us: int = 0
    bad_lines: int = 0
    """How many bad lines the board says it received."""
    dropped: int = 0
    """How many notifications the board says it dropped (counter in `alive`)."""
    lost_notifications: int = 0
    """How many notifications were lost according to its `lost` notifications."""
    alive_period_us: int = ALIVE_US
    last_heard_us: int | None = None
    link: str = "asking"
    """State of the link: ``asking``, ``linked``, ``lost``, ``released``, ``foreign``, ``refused``."""
    link_detail: str = ""
    linked_us: int = 0
    known: bool = False
    """Whether all inputs have been read since the last boot or gap."""
    round_trip_us: int | None = None
    round_trip_worst_us: int | None = None
    round_trip_floor_us: int | None = None
    """Round trip of the fastest recent answers; one late answer does not make a link slow."""
    trouble: str = ""
    """What was last wrong with the link: ``bad lines``, ``lines lost``, ``repeats``."""
    trouble_us: int = 0
    """When that was, as a host stamp."""
    refused: int = 0
    gave_up: int = 0
    repeats: int = 0
    held_back: int = 0
    discarded: int = 0
    """How many bytes of endless lines were thrown away."""
    channels: dict[str, ChannelState] = field(default_factory=dict)
    """Channel id → channel, in the order of the board's description."""

    def liveness(self, now_us: int) -> str:
        """Return ``live``, ``silent``, ``lost``, ``released``, ``asking``, ``refused`` or ``foreign``.

        Only while it is ``live`` are the channels' values current.
        """
        if self.link != "linked":
            return self.link
        if self.last_heard_us is None:
            return "asking"
        return "silent" if self.is_silent(now_us) else "live"

    @property
    def called(self) -> str:
        """The board's printable name for people: its ident, or else its name, or else ``board 2``."""
        return called(self.ident, self.name, self.source)

    @property
    def silent_from_us(self) -> int:
        """When the board will count as silent if nothing is heard from it until then."""
        return (self.last_heard_us or 0) + self.silent_after_us

    def is_silent(self, now_us: int) -> bool:
        """Return whether the board has said nothing for too long."""
        return is_silent(self.last_heard_us or 0, self.alive_period_us, now_us)

    @property
    def silent_after_us(self) -> int:
        """How long the board may say nothing before it counts as silent."""
        return silent_after_us(self.alive_period_us)

    def weakness(self, now_us: int) -> str:
        """Return what is wrong with a live link: ``bad lines``, ``lines lost``, ``repeats``, ``slow``; or empty.

        The channels' values are current all the same.
        """
        if self.trouble and 0 <= now_us - self.trouble_us < TROUBLE_US:
            return self.trouble
        return "slow" if (self.round_trip_floor_us or 0) > SLOW_US else ""

    def had_trouble(self, what: str, at_us: int) -> None:
        """Note that something was wrong on the link; ignored before the board is linked, when it is to be expected."""
        if self.link == "linked":
            self.trouble, self.trouble_us = what, at_us

    def answered_after(self, took_us: int) -> None:
        """Take the round trip of one answer."""
        self.round_trip_us = took_us
        self.round_trip_worst_us = max(took_us, self.round_trip_worst_us or 0)
        floor_us = self.round_trip_floor_us
        # A fast one counts at once, late ones only little by little.
        self.round_trip_floor_us = took_us if floor_us is None else min(took_us, floor_us + (took_us - floor_us) // 8)

    @property
    def duplicate(self) -> bool:
        """Whether the link refuses this board because another one with its ident is linked."""
        return self.link == "refused" and self.link_detail == "duplicate"

    @property
    def no_supply(self) -> bool:
        """Whether the board reports that its lamps and displays have no supply."""
        return is_without_supply(self.supply_mv)

    def value_now(self, channel_id: str, now_us: int) -> int | None:
        """Return a channel's value, as on the wire, if it may be shown as current; else None."""
        channel = self.channels.get(channel_id)
        if channel is None or self.liveness(now_us) != "live" or not (self.known or channel.is_output):
            return None
        return channel.value

    def channel(self, channel_id: str) -> ChannelState:
        """Return the channel, made if it is new.

        A board describes 255 at most; channels that a stranger names beyond `MOST_CHANNELS` are not kept.
        """
        found = self.channels.get(channel_id)
        if found is None:
            found = ChannelState(channel_id)
            if len(self.channels) < MOST_CHANNELS:
                self.channels[channel_id] = found
        return found

    def describe(self, kind: str, words: tuple[str, ...], texts: dict[str, str]) -> None:
        """Take one item of the description: its `kind`, the words after that, and its ``key=text`` pairs, unquoted."""
        if kind == "board":
            self.ident = texts.get("ident", self.ident)
            self.name = texts.get("name", self.name)
        elif kind == "model":
            self.model = texts.get("text", "")
            self.chip = texts.get("chip", "")
        elif kind == "firmware":
            self.firmware = " ".join(filter(None, (texts.get("text", ""), texts.get("version", ""))))
        elif kind in CHANNELS and words:
            channel = self.channel(words[0])
            if channel.kind != kind:
                channel.kind = kind
                channel.least = channel.greatest = channel.signed
            channel.detail = texts

    def outputs_off(self, at_us: int) -> None:
        """Note that all outputs are off, as after dark or a reset."""
        self.nothing_wanted()
        for channel in self.channels.values():
            if channel.is_output and channel.value != 0:
                channel.moved(0, at_us, 0)

    def nothing_wanted(self) -> None:
        """Note that no output blinks any more, and that the link holds nothing back."""
        for channel in self.channels.values():
            channel.nothing_wanted()

    def forget(self, at_us: int) -> None:
        """Note a reset: the inputs are not known, and the outputs, raw and the dead-man are off."""
        self.known = False
        self.alive_period_us = ALIVE_US
        self.dark = False
        self.dark_why = ""
        self.deadman_ms = 0
        for channel in self.channels.values():
            if channel.is_output:
                channel.raw_on = False
            else:
                channel.forget()
        self.outputs_off(at_us)

    def as_json(self) -> dict[str, Any]:
        """Return every field, as JSON can hold it, for keyframes and comparison."""
        plain = {name: getattr(self, name) for name in _PLAIN}
        return plain | {"channels": [channel.as_json() for channel in self.channels.values()]}

    @classmethod
    def from_json(cls, table: dict[str, Any]) -> BoardState:
        """Return the board of which `as_json` returned `table`; fields that are missing have their default.

        Raises `ValueError`, `KeyError`, `TypeError` or `AttributeError` if `table` is not such a table.
        """
        board = cls(given(table["source"], 0))
        for name in _PLAIN[1:]:
            if name in table:
                setattr(board, name, given(table[name], getattr(board, name)))
        for each in table.get("channels", ())[:MOST_CHANNELS]:
            channel = ChannelState.from_json(each)
            board.channels[channel.id] = channel
        return board


_PLAIN = tuple(each.name for each in fields(BoardState) if each.name != "channels")


def find_channel(boards: Mapping[Key, BoardState], board: Key, channel_id: str) -> ChannelState | None:
    """Return a channel of one of `boards`, which are by number or by name; None if either is not there."""
    found = boards.get(board)
    return found.channels.get(channel_id) if found is not None else None
