"""One request on its way through the host side: how often it is sent, and which others it must not overtake."""

from __future__ import annotations

from benchcon.wire.codec import request

REPEAT_US = 250_000
"""An unanswered request is repeated after this (**answer-time**)."""
TRIES = 4
"""How often a request is sent before it is given up."""
DARK_REPEAT_US = 120_000
DARK_TRIES = 8
"""Dark is repeated sooner, so that several tries fall into the half second after which the screen says that it is not
confirmed."""

_EVERY_OUTPUT = "*"

AGAIN_AT_ONCE = 10
"""How often in a row a board's resets or gaps are answered at once; after that, once every `AGAIN_EVERY_US`."""
AGAIN_EVERY_US = 1_000_000


class Patience:
    """Limits how often a board can make the host do something: a bucket of ten tokens, refilled by one a second."""

    def __init__(self) -> None:
        self._full_us = 0
        """When the bucket will be full again."""

    def due_us(self, now_us: int) -> int:
        """Take one token from the bucket, and return when the thing may be done: now or later."""
        self._full_us = max(self._full_us, now_us) + AGAIN_EVERY_US
        return max(now_us, self._full_us - AGAIN_AT_ONCE * AGAIN_EVERY_US)


class Asking:
    """A request that waits or is under way. Raises ValueError if the words do not make a line of the protocol."""

    __slots__ = (
        "every_us",
        "first_us",
        "keys",
        "last_us",
        "line",
        "own",
        "pattern",
        "size",
        "tag",
        "tickets",
        "tries",
        "tries_most",
        "words",
    )

    def __init__(self, ticket: int, words: tuple[str, ...], own: bool, tag: int = 1) -> None:
        self.tickets = [ticket]
        self.words = words
        self.own = own
        """Whether the bring-up asks this, rather than a caller."""
        self.keys = keys_of(words)
        self.tag = tag
        """The tag that it will probably have; the final one is chosen when it is sent."""
        self.pattern = request(tag, words)
        """Its line, with that tag."""
        self.size = len(self.pattern) + 1
        """Bytes of its line with the line end; the same with every tag."""
        self.line = b""
        """Its line as sent, once it has its final tag; empty before."""
        self.tries = 0
        self.tries_most = DARK_TRIES if words[0] == "dark" else TRIES
        self.every_us = DARK_REPEAT_US if words[0] == "dark" else REPEAT_US
        self.first_us = self.last_us = 0


def keys_of(words: tuple[str, ...]) -> frozenset[str]:
    """Return keys for what the request `words` changes; requests that share a key must not overtake each other."""
    word = words[0]
    if word == "set":
        return frozenset([setting.partition("=")[0] for setting in words[1:]])
    if word in ("dark", "light"):
        return frozenset({_EVERY_OUTPUT})
    if word == "raw":
        return frozenset("raw " + setting.partition("=")[0] for setting in words[1:])
    if word in ("deadman", "alive", "ident", "name"):
        return frozenset({word + "!"})
    return frozenset()


def upsets(later: Asking, keys: set[str]) -> bool:
    """Return whether `later` must wait for requests that change `keys`."""
    if not later.keys or not keys:
        return False
    if _EVERY_OUTPUT in keys and later.words[0] in ("set", "light", "dark"):
        return True
    if _EVERY_OUTPUT in later.keys:
        return any(not key.startswith("raw ") and not key.endswith("!") for key in keys)
    return not keys.isdisjoint(later.keys)
