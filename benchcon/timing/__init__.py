"""How long things take, worked out from the stream alone: clock map, transport delays, bounce, faults of links.

Pure: takes events, records and times as arguments; owns no clock, task, socket or file.
"""
