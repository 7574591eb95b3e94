"""The console: a terminal dashboard on a bench, live or replayed.

It eats state and events from a `benchcon.session.Session` and hands intents back; it cannot tell a live bench from a
recorded one. The public surface is `benchcon.console.app.ConsoleApp` and `benchcon.console.picture.picture`.
"""
