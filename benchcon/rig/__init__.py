"""Simulated boards: what is wired to a board, its faults, the board itself, a process for each, and the hand.

The board itself (`benchcon.rig.board.SimBoard`) has no I/O and no clock: it takes bytes, words and times, and returns
bytes and words. A whole board with its faults can therefore be used in a program and in virtual time.
"""
