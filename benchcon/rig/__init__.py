"""Simulated boards: what is wired to a board, faults in it, the board itself, a process for each, and the hand.

Everything but `process` and `hand` is without I/O and without a clock: bytes, words and times in, bytes and words out.
That makes a whole board with its faults usable in a program and in virtual time (`benchcon.rig.board.SimBoard`).
"""
