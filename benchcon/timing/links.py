"""What is wrong with a link, from its traffic: evidence, and then one sentence that says what to do first.

| trouble | shown by |
|---|---|
| ``supply`` | resets by brown-out, with the supply low, or right after outputs were set |
| ``watchdog`` | resets by the watchdog |
| ``plug`` | the port went away and came back |
| ``baud`` | damaged lines, with last bits wrong or garbled from some byte on: the two ends have different rates |
| ``both``, ``up``, ``down`` | damaged lines both ways, from the board, to the board |
| ``prints`` | whole lines of plain text, as firmware prints them while it is being written |
| ``timer`` | answers that wait for 16 ms, the usual latency timer of USB serial chips |
| ``hub`` | answers of several boards late at the same moments, while this computer was on time |
| ``host`` | this computer was late with its own questions |
| ``loop`` | a board whose loop takes long, and answers accordingly |
| ``drops`` | a board that drops notifications |

Only evidence that a healthy link does not give counts: whatever comes within two seconds of opening a port or of a
reset (boot loaders, half lines) is ignored.

If the rates of the two ends differ, the last bits of a byte are sampled too early or too late. Either those bits are
wrong, or the stop bit reads low, and then the rest of the line is read from the wrong place, with bytes of 80h and
above, which no line holds. Noise hits any bit, and usually only one. Which bit it was follows from the check, which
only one flipped bit makes right.
"""

from __future__ import annotations

import math
import textwrap
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any, NamedTuple

from benchcon.state import BenchState
from benchcon.text import capitalised, counted, printable
from benchcon.timing.clocks import rate_opened
from benchcon.timing.percentiles import percentile
from benchcon.units import volts
from benchcon.wire import events as ev
from benchcon.wire.codec import RATE, check_of
from benchcon.wire.notifications import lights

GRACE_US = 2_000_000
LEAST_BAD = 2
"""Least number of damaged lines; a good link has none for hours, and a single one may be bad luck."""
BAD_SHARE = 1 / 500
MOST_KEPT = 5_000
TIMER_US = 16_000
"""Default latency timer of common USB serial chips (data sheets, from memory)."""
LATE_US = 25_000
MOST_LATE_US = 3_000_000
HOST_LATE_US = 20_000
LEAST_LATE = 3
PROMPT_US = 300_000
LOW_MV = 4_500
"""A 5 V supply below this is beyond what USB allows at a device (4.4 V at a low-power port; USB 2.0, 7.2.2)."""
LOAD_US = 1_500_000
"""A reset within this time after outputs were set counts as caused by the load."""
SLOW_LOOP_US = 15_000
SLOW_ANSWER_US = 10_000
EXTRA = len(">07 ") + len(" #C08E\n")
MOST_MENDED = 200
GARBLED, TORN = 8, 9
"""Damage that no single bit explains: with bytes that no line holds (80h and above), and without."""
IN_NOISE = (*[0.40 / 8] * 8, 0.35, 0.25)
AT_TWO_RATES = (*(0.35 * share for share in (0.01, 0.01, 0.02, 0.04, 0.07, 0.12, 0.23, 0.50)), 0.62, 0.03)
"""Share of damaged lines by the bit that was wrong, 0 to 7, `GARBLED` or `TORN`. Worked out with a UART that samples
as in the ATmega328P's data sheet (`tests/timing/core_links.py`)."""
SURE = 3.0
"""Natural logarithm of the odds from which on a verdict counts as certain."""
LEAST_LINES = 50
"""Least number of good lines to judge a link by; something that never spoke the line protocol is not damaged."""
LEAST_TEXT = 6
"""Least length of a line, in bytes, that counts as text printed by the firmware; the tail of a check is shorter."""
ORDER = ("supply", "plug", "watchdog", "baud", "both", "up", "down", "prints", "hub", "host", "loop", "timer", "drops")


IN_SHORT = {
    "supply": "weak supply",
    "plug": "loose plug",
    "watchdog": "firmware hangs",
    "baud": "rates differ",
    "both": "bad cable",
    "up": "bad line from it",
    "down": "bad line to it",
    "prints": "prints text",
    "hub": "hub stalls",
    "host": "this computer is late",
    "loop": "slow loop",
    "timer": "waits 16 ms",
    "drops": "drops lines",
}
"""Trouble → a few words, where there is no room for a sentence."""
Spans = list[tuple[int, int]]
"""Periods (from, to), in order."""


class LinkVerdict(NamedTuple):
    """What is wrong with one link."""

    source: int
    trouble: str
    """One of `ORDER`."""
    evidence: str
    """What was seen, with figures."""
    advice: str
    """What to do first."""

    @property
    def word(self) -> str:
        """Two or three words for it."""
        return IN_SHORT[self.trouble]

    @property
    def sentence(self) -> str:
        """Evidence and advice, as one sentence each."""
        return f"{capitalised(self.evidence)}. {capitalised(self.advice)}."


@dataclass(slots=True)
class Evidence:
    """The evidence about one link."""

    source: int
    quiet_until_us: int = 0
    rate: int = 0
    up: int = 0
    up_bad: int = 0
    flipped: list[int] = field(default_factory=list)
    """For each damaged line the bit that was wrong (0 is the first on the line), `GARBLED` or `TORN`."""
    printed: int = 0
    """Lines of plain text."""
    printed_last: bytes = b""
    down: int = 0
    down_bad: int = 0
    dropped: int = 0
    took: list[tuple[int, int]] = field(default_factory=list)
    """For each answer (when it was asked for, how long it took)."""
    held_up: Spans = field(default_factory=list)
    """For notifications that came late by the board's own clock (when they were due, when they came)."""
    pings: list[int] = field(default_factory=list)
    """For each ping how long after the previous request it was sent."""
    boots: list[tuple[str, bool]] = field(default_factory=list)
    """For each reset (cause, whether outputs had just been set)."""
    losses: int = 0
    tapped: bool = False
    """Whether another program drives the board, at its own pace."""
    supply_mv: list[int] = field(default_factory=list)
    loops_us: list[int] = field(default_factory=list)
    first_us: int = -1
    last_us: int = 0
    _alive: ev.Alive | None = None
    _apart: deque[int] = field(default_factory=lambda: deque(maxlen=20))
    """Host stamp less board clock of the latest notifications."""
    _set_us: int = -LOAD_US
    _asked_us: int = 0
    _ping_open: bool = True

    def heir(self) -> Evidence:
        """Return evidence that begins now, with only the state of the link taken over."""
        found = Evidence(self.source, self.quiet_until_us, self.rate, tapped=self.tapped)
        found._alive, found._set_us = self._alive, self._set_us
        found._asked_us, found._ping_open = self._asked_us, self._ping_open
        found._apart.extend(self._apart)
        return found

    def late(self) -> Spans:
        """Return when lines were held up: answers that took far longer, or notifications that came far later, than is
        usual on this link. Overlapping periods are joined."""
        usual = median([took for _, took in self.took]) if self.took else 0
        spans = [(at, at + took) for at, took in self.took if took > max(LATE_US, 4 * usual)]
        merged: Spans = []
        for begin, end in sorted([*spans, *self.held_up]):
            if merged and begin <= merged[-1][1]:
                merged[-1] = merged[-1][0], max(end, merged[-1][1])
            else:
                merged.append((begin, end))
        return merged


class LinkEvidence:
    """Takes events, and keeps the evidence about each board's link.

    `grace_us`: how long after the first event nothing counts. `paced`: pings are sent at a steady pace, so that a late
    one shows that this computer is late.
    """

    def __init__(self, state: BenchState, grace_us: int = GRACE_US, *, paced: bool = True) -> None:
        self._state = state
        self._grace_us = grace_us
        self._paced = paced
        self.evidence: dict[int, Evidence] = {}

    def take(self, event: ev.Event) -> None:
        """Take one event."""
        source = event.source
        if source == 0:
            return
        one = self.evidence.get(source)
        if one is None:
            one = self.evidence[source] = Evidence(source, event.at_us + self._grace_us, tapped=not self._paced)
        taker = _TAKERS.get(type(event))
        if one.first_us < 0:
            one.first_us = event.at_us
        one.last_us = event.at_us
        if taker is not None:
            taker(one, event)

    def heir(self) -> LinkEvidence:
        """Return a new collection whose evidence begins now."""
        found = LinkEvidence(self._state, self._grace_us, paced=self._paced)
        found.evidence = {source: one.heir() for source, one in self.evidence.items()}
        return found

    def verdicts(self) -> list[LinkVerdict]:
        """Return what is wrong with the links; for each link the most serious first."""
        found = []
        late = {source: one.late() for source, one in self.evidence.items()}
        # It is the same computer, whichever board it is late with.
        lags = [lag for one in self.evidence.values() for lag in _lags(one)]
        for source, one in self.evidence.items():
            board = self._state.boards.get(source)
            rows = _judged(one, late, lags, board.chip if board is not None else "")
            found += sorted(rows, key=lambda row: ORDER.index(row.trouble))
        return found


# --- evidence ---------------------------------------------------------------------------------------------------------


def _good(one: Evidence, event: ev.Notification) -> None:
    one.up += 1


def _clocked(one: Evidence, event: ev.Moved | ev.Edge | ev.Reading | ev.Alive) -> None:
    one.up += 1
    apart = event.at_us - event.clock_us
    if len(one._apart) >= 5 and event.at_us >= one.quiet_until_us:
        late = apart - min(one._apart)
        if LATE_US < late < MOST_LATE_US:
            one.held_up.append((event.at_us - late, event.at_us))
            _trim(one.held_up)
    one._apart.append(apart)


def _odd(one: Evidence, event: ev.Odd) -> None:
    if event.at_us < one.quiet_until_us or not event.raw:
        return
    if is_printed(event.raw):
        one.printed += 1
        one.printed_last = event.raw
        return
    one.up_bad += 1
    if len(one.flipped) < MOST_MENDED:
        bit = flipped_bit(event.raw)
        one.flipped.append((GARBLED if max(event.raw) >= 0x80 else TORN) if bit is None else bit)


def is_printed(line: bytes) -> bool:
    """Return whether this line is plain text rather than a damaged line of the protocol.

    A torn line keeps its first character or the check at its end; what garbles both leaves bytes that are not text.
    """
    try:
        text = line.decode()
    except UnicodeDecodeError:
        return False
    machine = line[:1] in (b"<", b"!") or b"#" in line[-5:] or flipped_bit(line) is not None
    return len(line) >= LEAST_TEXT and text.isprintable() and not machine


def flipped_bit(line: bytes) -> int | None:
    """Return the bit of a byte, 0 to 7, that makes this damaged line right when it is flipped; None if none does."""
    for at, byte in enumerate(line):
        for bit in range(8):
            mended = line[:at] + bytes((byte ^ 1 << bit,)) + line[at + 1 :]
            if mended[-5:-4] == b"#" and b"%04X" % check_of(mended[:-5]) == mended[-4:]:
                return bit
    return None


def _at_two_rates(flipped: list[int]) -> bool:
    """Return whether the damage looks like different rates rather than noise."""
    return sum(math.log(AT_TWO_RATES[sort] / IN_NOISE[sort]) for sort in flipped) > SURE


def _alive(one: Evidence, event: ev.Alive) -> None:
    _clocked(one, event)
    before = one._alive
    if before is not None and before.boot == event.boot and event.at_us >= one.quiet_until_us:
        one.down_bad += (event.bad_lines - before.bad_lines) & 0xFFFF
        one.dropped += (event.dropped - before.dropped) & 0xFFFF
        one.loops_us.append(event.worst_loop_us)
    one._alive = event
    if event.supply_mv:
        one.supply_mv.append(event.supply_mv)
    _trim(one.supply_mv)
    _trim(one.loops_us)


def _boot(one: Evidence, event: ev.Boot) -> None:
    if event.at_us >= one.quiet_until_us:  # opening the port resets many boards, which is not a fault
        loaded = event.cause != "watchdog" and event.at_us - one._set_us <= LOAD_US
        one.boots.append((event.cause, loaded))
    one.quiet_until_us = max(one.quiet_until_us, event.at_us + GRACE_US)
    one._alive = None
    one._apart.clear()


def _asked(one: Evidence, event: ev.Asked) -> None:
    one.down += 1
    ping = event.words[0] == "ping"
    # The link pings when it has sent nothing for a while, but not before the last ping was answered.
    if ping and not one._ping_open and one._asked_us and event.at_us >= one.quiet_until_us:
        one.pings.append(event.at_us - one._asked_us)
        _trim(one.pings)
    one._ping_open, one._asked_us = ping, event.at_us
    if event.words[0] == "set" and lights(event.words):
        one._set_us = event.at_us


def _answered(one: Evidence, event: ev.Answered) -> None:
    one.up += 1
    request = event.request
    judged = event.took_us is not None and event.at_us >= one.quiet_until_us and event.words[0] not in ("ident", "name")
    if judged and request is not None and event.took_us is not None:
        # The time of the bytes on the wire does not count.
        count = len(" ".join(request.words)) + len(" ".join(event.words)) + 2 * EXTRA
        wire_us = round(count * 10e6 / one.rate) if one.rate else 0
        one.took.append((request.at_us, max(event.took_us - wire_us, 0)))
        _trim(one.took)
    if event.words[0] == "ping" and (event.took_us or 0) < PROMPT_US:
        one._ping_open = False


def _link(one: Evidence, event: ev.Link) -> None:
    if event.word == "opened":
        one.quiet_until_us = max(one.quiet_until_us, event.at_us + GRACE_US)
        one.rate = rate_opened(event)
        one._alive, one._ping_open = None, True
        one._apart.clear()
        one.tapped = event.detail.get("by") == "tap"
    elif event.word == "lost":
        one.losses += 1


def _trim(row: list[Any]) -> None:
    if len(row) > MOST_KEPT:
        del row[: MOST_KEPT // 4]


_TAKERS: dict[type, Callable[[Evidence, Any], None]] = {
    ev.Moved: _clocked,
    ev.Edge: _clocked,
    ev.Reading: _clocked,
    ev.Notification: _good,
    ev.Odd: _odd,
    ev.Alive: _alive,
    ev.Boot: _boot,
    ev.Asked: _asked,
    ev.Answered: _answered,
    ev.Link: _link,
}


# --- verdicts ---------------------------------------------------------------------------------------------------------


def _judged(one: Evidence, late: Mapping[int, Spans], lags: list[int], chip: str) -> list[LinkVerdict]:
    rows = [*_resets(one), *_plug(one), *_damage(one, chip), *_prints(one), *_late(one, late, lags)]
    if one.dropped >= LEAST_BAD:
        rows.append(
            LinkVerdict(
                one.source,
                "drops",
                f"the board dropped {counted(one.dropped, 'notification')}, more than the line can carry",
                "switch raw off where it is not needed, look for an input that flutters, or use a higher baud rate",
            )
        )
    return rows


def _resets(one: Evidence) -> list[LinkVerdict]:
    causes = [cause for cause, _ in one.boots]
    loaded = sum(load for _, load in one.boots)
    low = min(one.supply_mv, default=0)
    brown = causes.count("brownout")
    if brown or (loaded >= 2 and 2 * loaded > len(causes)) or (causes and 0 < low < LOW_MV):
        seen = [counted(len(causes), "reset")]
        if brown:
            seen.append(f"{brown} by brown-out")
        if loaded:
            seen.append(f"{loaded} right after outputs were lit")
        if 0 < low < LOW_MV:
            seen.append(f"the supply down to {volts(low)}")
        return [
            LinkVerdict(
                one.source,
                "supply",
                ", ".join(seen),
                "its supply gives way under load. Feed lamps and displays from a supply of their own, or a shorter, "
                "thicker USB cable, straight from the computer",
            )
        ]
    watchdog = causes.count("watchdog")
    if watchdog:
        return [
            LinkVerdict(
                one.source,
                "watchdog",
                f"{counted(watchdog, 'reset')} by the watchdog",
                "its firmware hangs. Look for a loop that waits for something that never comes",
            )
        ]
    return []


def _plug(one: Evidence) -> list[LinkVerdict]:
    if one.losses < 2:
        return []
    return [
        LinkVerdict(
            one.source,
            "plug",
            f"the port went away {one.losses} times",
            "try another USB cable and socket first; a plug that gives when it is touched is the usual cause",
        )
    ]


def _damage(one: Evidence, chip: str) -> list[LinkVerdict]:
    up = one.up >= LEAST_LINES and one.up_bad >= LEAST_BAD and one.up_bad >= BAD_SHARE * one.up
    down = one.down_bad >= LEAST_BAD and one.down_bad >= BAD_SHARE * one.down
    if not up and not down:
        return []
    shares = []
    if one.up_bad:
        shares.append(f"1 line in {max(1, round((one.up + one.up_bad) / one.up_bad))} from the board")
    if one.down_bad:
        shares.append(f"1 in {max(1, round(one.down / one.down_bad))} to it")
    seen = f"{' and '.join(shares)} damaged"
    if up and _at_two_rates(one.flipped):
        at = f" at {one.rate} baud" if one.rate else ""
        known = ""
        if one.rate in (0, RATE):
            sort = f"an {chip}" if chip.startswith("at") else "an AVR"
            known = (
                f". With 115 200 baud from 16 MHz {sort} is 2.1 % off (data sheet, baud-rate tables); 500 000 is exact"
            )
        return [
            LinkVerdict(
                one.source,
                "baud",
                f"{seen}, by last bits of bytes or from some byte on{at}",
                f"the two ends have different rates. Build its firmware for 500000 baud{known}",
            )
        ]
    # A little damage in the other direction too points to the same cable.
    up, down = up or (down and one.up_bad >= 1), down or (up and one.down_bad >= 1)
    if up and down:
        sort, advice = (
            "both",
            "cable or ground: try another, shorter cable first, away from motors and mains",
        )
    elif up:
        sort, advice = "up", "its line from the board (TX): look at that joint and level first, then at the cable"
    else:
        sort, advice = "down", "its line to the board (RX): look at that joint and level first, then at the cable"
    return [LinkVerdict(one.source, sort, seen, advice)]


def _prints(one: Evidence) -> list[LinkVerdict]:
    if one.up < LEAST_LINES or one.printed < LEAST_BAD or one.printed < BAD_SHARE * one.up:
        return []
    seen = f"{counted(one.printed, 'line')} from the board are plain text, such as '{printable(one.printed_last)}'"
    advice = "its firmware prints them beside the protocol: take that out, since they delay what matters"
    return [LinkVerdict(one.source, "prints", seen, advice)]


def _late(one: Evidence, of_all: Mapping[int, Spans], lags: list[int]) -> list[LinkVerdict]:
    if len(one.took) < 20:
        return []
    took = sorted(each for _, each in one.took)
    late = of_all[one.source]
    rows: list[LinkVerdict] = []
    others = [spans for source, spans in of_all.items() if source != one.source]
    common = sum(any(_overlaps(span, spans) for spans in others) for span in late)
    worst = f"up to {max((b - a for a, b in late), default=took[-1]) / 1000:.0f} ms"
    if len(_lags(one)) >= LEAST_LATE or (lags and common >= LEAST_LATE) or (len(lags) >= LEAST_LATE and late):
        rows.append(
            LinkVerdict(
                one.source,
                "host",
                f"this computer sent {counted(len(lags), 'question')} late, by up to {max(lags) / 1000:.0f} ms",
                "it is busy with something else: close that, and switch off power saving; a new cable will not help",
            )
        )
    elif len(late) >= LEAST_LATE and common >= LEAST_LATE and 3 * common >= len(late):
        rows.append(
            LinkVerdict(
                one.source,
                "hub",
                f"lines held up {len(late)} times, {worst}, and other boards' at the same moments",
                "what they share stalls: plug this board into the computer itself, past the hub",
            )
        )
    middle, high = percentile(took, 50), percentile(took, 90)
    loop = max(one.loops_us, default=0)
    slow = median(one.loops_us) if one.loops_us else 0
    if slow >= SLOW_LOOP_US and high >= SLOW_ANSWER_US:
        rows.append(
            LinkVerdict(
                one.source,
                "loop",
                f"answers take {middle / 1000:.0f} ms, and its loop takes up to {loop / 1000:.0f} ms",
                "its firmware does something slow in its loop (a delay, a display on a slow bus): take that out",
            )
        )
    elif 0.75 * TIMER_US <= high <= 1.5 * TIMER_US and middle >= 0.35 * TIMER_US and slow < 0.5 * TIMER_US:
        rows.append(
            LinkVerdict(
                one.source,
                "timer",
                f"answers wait: half of them {middle / 1000:.0f} ms, nine in ten up to {high / 1000:.0f} ms",
                "that is the latency timer of its USB chip, 16 ms by default: set it to 1 ms (Linux: latency_timer of "
                "the port in /sys/bus/usb-serial/devices; Windows: the port's advanced settings)",
            )
        )
    return rows


def _lags(one: Evidence) -> list[int]:
    """Return by how much pings were later than usual, in µs, for those that were clearly late."""
    if len(one.pings) < 10 or one.tapped:
        return []
    usual = percentile(sorted(one.pings), 50)
    return [round(apart - usual) for apart in one.pings if HOST_LATE_US < apart - usual < 2_000_000]


def _overlaps(span: tuple[int, int], spans: Spans) -> bool:
    """Return whether one of `spans`, which are in order, overlaps `span`."""
    at = bisect_left(spans, (span[0] - 2_000_000, 0))
    for begin, end in spans[at:]:
        if begin > span[1]:
            return False
        if end >= span[0]:
            return True
    return False


def name_of(verdict: LinkVerdict, state: BenchState) -> str:
    """Return the board's ident, or else its port, printable."""
    board = state.boards.get(verdict.source)
    return printable(board.ident or board.port) if board is not None else f"board {verdict.source}"


def sentences_by_board(verdicts: Iterable[LinkVerdict], state: BenchState) -> list[tuple[str, str]]:
    """Return (name of the board, or empty for this computer; paragraph) for each verdict, without repeats."""
    return list(
        dict.fromkeys(
            ("" if verdict.trouble == "host" else name_of(verdict, state), verdict.sentence) for verdict in verdicts
        )
    )


def sentences(verdicts: Iterable[LinkVerdict], state: BenchState) -> list[str]:
    """Return one paragraph per verdict, with the board's name in front; this computer is named only once."""
    return [f"{board}: {sentence}" if board else sentence for board, sentence in sentences_by_board(verdicts, state)]


def as_text(verdicts: list[LinkVerdict], state: BenchState) -> str:
    """Return the verdicts in lines of 100 characters."""
    lines = []
    for text in sentences(verdicts, state):
        lines += textwrap.wrap(text, 100, subsequent_indent="    ")
    return "\n".join(lines)


def as_json(verdict: LinkVerdict, state: BenchState) -> dict[str, str]:
    """Return a verdict as data that JSON can hold."""
    return {
        "board": name_of(verdict, state),
        "trouble": verdict.trouble,
        "evidence": verdict.evidence,
        "advice": verdict.advice,
    }
