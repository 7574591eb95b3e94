"""What the bench looks like: a reducer over records and `now`.

`BenchState` eats batches and keeps everything a screen, a keyframe or a test wants to know. It owns no clock: whatever
depends on how long ago something was takes ``now_us``.
"""

from benchcon.state.bench import BenchState
from benchcon.state.board import BoardState
from benchcon.state.channel import ChannelState

__all__ = ["BenchState", "BoardState", "ChannelState"]
