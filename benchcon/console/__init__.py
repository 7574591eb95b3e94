"""The console: a terminal dashboard on a bench, live or replayed.

It eats state and events from a `benchcon.session.Session` and hands intents back; it cannot tell a live bench from a
recorded one. The public surface is `benchcon.console.app.run` and `benchcon.console.picture.picture`.
"""

import os

# How soon after a key Textual may repaint. Its clock skips a beat when it is late, so at the usual 60 a second a busy
# console answers a key up to 33 ms late. Nothing is repainted more often by this: only what changed is, and the console
# draws its frames at a rate of its own.
os.environ.setdefault("TEXTUAL_FPS", "240")
