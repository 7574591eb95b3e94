"""The keys of dark, and how they are written wherever the screen or a message names one.

The key that ends dark is far from the key that asks for it: whoever reaches for dark in a hurry and misses must not end
it. So the function keys beside F9 do nothing.
"""

DARK_KEYS = ("f9", "ctrl+d")
END_DARK_KEYS = ("f12", "ctrl+l")

DARK = "F9"
END_DARK = "F12"
