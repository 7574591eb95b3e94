"""The keys for dark and for its end, and their names on screens and in messages.

The two keys are far apart, and the function keys beside F9 do nothing: whoever reaches for dark in a hurry and misses
must not end it.
"""

DARK_KEYS = ("f9", "ctrl+d")
END_DARK_KEYS = ("f12", "ctrl+l")

DARK = "F9"
END_DARK = "F12"
