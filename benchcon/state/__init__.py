"""The state of a bench: a reducer over records and the time.

`BenchState` takes batches and keeps everything that a screen, a keyframe or a test needs to know. It owns no clock:
whatever depends on how long ago something happened takes ``now_us``.
"""

from benchcon.state.bench import BenchState
from benchcon.state.board import BoardState
from benchcon.state.channel import ChannelState

__all__ = ["BenchState", "BoardState", "ChannelState"]
