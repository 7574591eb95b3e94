"""How long things take, worked out of the stream alone: the clock map, transport delays, bounce, what ails a link.

Pure: takes events, records and times as arguments; owns no clock, task, socket or file.
"""
