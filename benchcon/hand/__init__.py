"""The hand: works the controls of a simulated (or emulated) board, and asks what is really lit and shown."""

from benchcon.hand.client import Hand, Look, Moved

__all__ = ["Hand", "Look", "Moved"]
