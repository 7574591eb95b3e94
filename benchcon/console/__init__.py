"""The console: a terminal dashboard on a bench, live or replayed.

It takes state and events from a `benchcon.session.Session` and hands intents back. Other rooms use
`benchcon.console.run.run_console` and `benchcon.console.picture.picture`.
"""

import os

# How soon after a key Textual may repaint. Its clock skips a beat when it is late, so at the default of 60 a second a
# busy console would answer a key up to 33 ms late. A higher rate does not mean more repainting: only what changed is
# repainted, and the console draws its frames at a rate of its own.
os.environ.setdefault("TEXTUAL_FPS", "240")
