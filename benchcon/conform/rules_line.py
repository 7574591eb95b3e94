"""Sections 1, 2 and 11: what is a line, and what is none."""

from __future__ import annotations

from benchcon.conform.board import WIDTHS, Broken, Channel, NotPlayed, Subject, shown
from benchcon.wire.codec import request, seal
from benchcon.wire.quote import unquote


def hello(board: Subject) -> None:
    """**grammar** (hello): asked past a boot loader, `hello` says who the board is."""
    for _ in range(20):
        answer = board.line.ask("hello", seconds=0.25)
        if answer is not None:
            break
    else:
        raise Broken("no answer to 'hello' in five seconds")
    if len(answer.words) != 6:
        raise Broken(f"'{shown(answer.raw)}': hello has five words after it")
    _, version, items, buffer, boot, ident = answer.words
    if version != "01":
        raise Broken(f"the board speaks version {version} of the protocol, these rules are of 01")
    board.items, board.buffer, board.boot, board.ident = int(items, 16), int(buffer, 16), int(boot, 16), ident
    board.line.ident = ident
    if board.buffer < 32:
        raise Broken(f"a receive buffer of {board.buffer} bytes is less than the 32 a host counts on before it knows")


def items(board: Subject) -> None:
    """**grammar** (items): every item of the description is well-formed, and ids are unique."""
    for index in range(board.items):
        answer = board.done("item", f"{index:02X}")
        if answer.words[1] != f"{index:02X}":
            raise Broken(f"item {index:02X} was answered with item {answer.words[1]}")
        kind, *rest = answer.words[2:]
        if kind in WIDTHS or kind == "digits":
            if not rest or "=" in rest[0]:
                raise Broken(f"item {index:02X}: '{kind}' lacks its id")
            pairs = (word.partition("=") for word in rest[1:])
            channel = Channel(index, kind, rest[0], {key: unquote(text) for key, _, text in pairs})
            if any(known.id == channel.id for known in board.channels):
                raise Broken(f"two channels are called '{channel.id}'")
            if kind == "digits" and not 1 <= int(channel.detail.get("places", "0"), 16) <= 8:
                raise Broken(f"item {index:02X}: digits have 1 to 8 places")
            board.channels.append(channel)
    if (answer := board.ask("item", f"{board.items:02X}")).words[:2] != ("no", "09"):
        raise Broken(f"item {board.items:02X} is past the end and should be refused with 09: '{shown(answer.raw)}'")


def line_ends(board: Subject) -> None:
    """**grammar** (line ends): CR, LF and CR LF each end one line; empty lines are nothing."""
    for end in (b"\r", b"\n", b"\r\n", b"\n\n\r\r\n"):
        tag = board.line.next_tag()
        board.line.send(request(tag, ("hello",)) + end)
        if board.line.answer(tag) is None:
            raise Broken(f"a request that ends with {end!r} was not answered")
        board.line.pump(0.05)
        if any(answer.tag == tag for answer in board.line.answers):
            raise Broken(f"a request that ends with {end!r} was answered twice")


def spacing(board: Subject) -> None:
    """**grammar** (spaces): a line with two spaces together, or one at its end, is none, even if its check is right."""
    for body in (b">%02X  hello", b">%02X hello ", b"> %02X hello", b">%02X hello\t"):
        _must_not_answer(board, seal(body % board.line.next_tag()), "of wrong form")


def check(board: Subject) -> None:
    """**check**: a line whose check is wrong, in small letters or missing is thrown away, counted, never answered."""
    before = int(board.alive().words[3], 16)
    tag = board.line.next_tag()
    good = request(tag, ("hello",))
    last = good[-1:]
    wrong = [
        good[:-1] + (b"0" if last != b"0" else b"1"),
        good.replace(b"hello", b"hellp"),
        b">" + good[1:2].replace(good[1:2], b"0" if good[1:2] != b"0" else b"1") + good[2:],
        good[:-6],
        good[:-1],
    ]
    small = good[:-4] + good[-4:].lower()
    if small != good:
        wrong.append(small)
    for line in wrong:
        _must_not_answer(board, line, "whose check is wrong")
    after = int(board.alive().words[3], 16)
    if (after - before) % 0x10000 != len(wrong):
        raise Broken(f"{len(wrong)} bad lines were sent, and the count in 'alive' went from {before} to {after}")


def oversize(board: Subject) -> None:
    """**oversize**: 80 bytes with the end fit; more is thrown away up to the line end and counts one bad line."""
    head = f">{board.line.next_tag():02X} zzz "
    longest = seal(head + "y" * (79 - len(head) - 6))
    board.line.send(longest + b"\n")
    answer = board.line.answer(int(head[1:3], 16))
    if answer is None or answer.words[:2] != ("no", "01"):
        raise Broken("a line of exactly 80 bytes with its end was not taken")
    before = int(board.alive().words[3], 16)
    tag = board.line.next_tag()
    board.line.send(b"x" * min(200, board.buffer - 20) + request(tag, ("hello",)) + b"\n")
    if board.buffer >= 120 and board.line.answer(tag, 0.3) is not None:
        raise Broken("the end of an over-long line was taken for a line of its own")
    board.done("hello")
    after = int(board.alive().words[3], 16)
    if (after - before) % 0x10000 != 1:
        raise Broken(f"one over-long line was sent, and the count in 'alive' went from {before} to {after}")


def noise(board: Subject) -> None:
    """**grammar** (noise): after any bytes and a line end the next good line is answered."""
    for junk in (bytes(range(256)), b"\xff\x00\xfe" * 20, b">>>><<<<!!!!", b">01 hello #", b"#29B1", b"@@", b"@"):
        room = max(16, board.buffer - 20)
        for start in range(0, len(junk), room):
            board.line.send(junk[start : start + room])
            board.line.pump(0.01)
        board.line.send(b"\n")
        board.line.pump(0.02)
        board.done("hello")


def by_hand(board: Subject) -> None:
    """**by-hand**: `@@` and a request, ended by CR, is answered with tag 00; anything less is not."""
    board.line.send(b"@@ hello\r")
    answer = board.line.answer(0)
    if answer is None or answer.words[0] != "hello":
        raise Broken("'@@ hello' was not answered with tag 00")
    for line in (b"@ hello", b"hello", b"@@hello", b"@@ @@ hello", b"@> hello"):
        board.line.send(line + b"\r")
        if board.line.answer(0, 0.15) is not None:
            raise Broken(f"'{line.decode()}' was answered, though it has not the by-hand form")
    board.line.send(b"@@ zzz\r")
    answer = board.line.answer(0)
    if answer is None or answer.words[:2] != ("no", "01"):
        raise Broken("'@@ zzz' should be refused with 01")


def odd_lines(board: Subject) -> None:
    """**grammar** (all): everything the board sent since `hello` was a well-formed line with a right check."""
    board.line.pump(1.2)  # a sign of life at least
    if board.line.odd:
        raise Broken(f"{len(board.line.odd)} of its lines were none, the first: '{shown(board.line.odd[0])}'")


def unknown_words(board: Subject) -> None:
    """**unknown-words**: a request with a word the board does not know is refused with 01, arguments or not."""
    for words in (("zzz",), ("hell",), ("helloo",), ("set_x", "a=1"), ("x", "y%20z", "%41")):
        board.refused("01", *words)


def text(board: Subject) -> None:
    """**text**: a name with escapes comes back the same; the name is left as it was."""
    answer = board.line.ask("item", "00")
    own = next((word[5:] for word in (answer.words if answer else ()) if word.startswith("name=")), "")
    if not own:
        raise NotPlayed("the board has no name in item 00")
    # The board's own name, so that nothing wears out its memory.
    if board.done("name", own).words != ("name", own):
        raise Broken(f"'name {own}' should be answered in the same words")
    board.refused("02", "name")


def _must_not_answer(board: Subject, line: bytes, why: str) -> None:
    board.line.answers.clear()
    board.line.send(line + b"\n")
    board.line.pump(0.12)
    if board.line.answers:
        raise Broken(f"'{shown(line)}', {why}, was answered '{shown(board.line.answers[0].raw)}'")
