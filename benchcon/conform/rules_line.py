"""Sections 1, 2 and 11: what is a line, and what is not."""

from __future__ import annotations

import re

from benchcon.conform.board import LEFT_OUT, WIDTHS, DescribedChannel, NotRun, RuleBroken, Subject, shown
from benchcon.text import printable
from benchcon.wire.codec import request, seal
from benchcon.wire.items import ABOUT, FORMER
from benchcon.wire.notifications import CAUSES, FORMS, known
from benchcon.wire.quote import unquote
from benchcon.wire.slips import explain_hello, explain_line, hello_slip, other_version


def hello(board: Subject) -> None:
    """**grammar** (hello): `hello`, repeated past a boot loader, is answered with who the board is."""
    answer = None
    for _ in range(20):
        tag = board.line.next_tag()
        answer = board.line.ask("hello", tag=tag, seconds=0.25)
        if answer is not None and not hello_slip(answer.words):
            break
    if answer is None:
        board.malformed(b"<", 0)
        if other := board.line.answers:
            sent, came = shown(request(tag, ("hello",))), shown(other[-1].raw)
            raise RuleBroken(f"'{sent}' was answered '{came}': an answer must have the tag of its request")
        raise RuleBroken("no answer to 'hello' in five seconds")
    if wrong := explain_hello(answer.words) or other_version(answer.words):
        raise RuleBroken(wrong)
    _, _, items, buffer, boot, ident = answer.words
    board.items, board.buffer, board.boot, board.ident = int(items, 16), int(buffer, 16), int(boot, 16), ident
    board.line.ident = ident


def items(board: Subject) -> None:
    """**grammar** (items): every item of the description is well-formed, and ids are unique."""
    for index in range(board.items):
        answer = board.done("item", f"{index:02X}")
        if len(answer.words) < 3 or answer.words[1] != f"{index:02X}":
            raise RuleBroken(
                f"'item {index:02X}' was answered '{shown(answer.raw)}'; the index and a kind were expected"
            )
        if answer.words[2] == "board":
            board.item_ident = next((word[6:] for word in answer.words[3:] if word.startswith("ident=")), "")
        kind, *rest = answer.words[2:]
        if kind in WIDTHS or kind == "display":
            if not rest or "=" in rest[0]:
                raise RuleBroken(f"item {index:02X}: '{kind}' has no id")
            pairs = (word.partition("=") for word in rest[1:])
            channel = DescribedChannel(index, kind, rest[0], {key: unquote(text) for key, _, text in pairs})
            if any(known.id == channel.id for known in board.channels):
                raise RuleBroken(f"two channels have the id '{channel.id}'")
            if kind == "display" and not 1 <= int(channel.detail.get("digits", "0"), 16) <= 8:
                raise RuleBroken(f"item {index:02X}: a display has 1 to 8 digits")
            board.channels.append(channel)
        elif kind in FORMER:
            raise RuleBroken(f"item {index:02X}: '{kind}' is called '{FORMER[kind]}' now (section 5)")
        elif kind not in ABOUT and rest and "=" not in rest[0]:
            board.others.add(rest[0])
    if (answer := board.ask("item", f"{board.items:02X}")).words[:2] != ("no", "09"):
        raise RuleBroken(f"item {board.items:02X} is past the end and should be refused with 09: '{shown(answer.raw)}'")


def ident(board: Subject) -> None:
    """**ident**: `hello` and the item `board` give the same ident."""
    if board.item_ident is None:
        raise NotRun("no item 'board' in the description")
    if board.item_ident != board.ident:
        raise RuleBroken(
            f"'hello' says '{printable(board.ident)}' and the item 'board' says '{printable(board.item_ident)}'; "
            "these must be the same"
        )


def line_ends(board: Subject) -> None:
    """**grammar** (line ends): CR, LF and CR LF each end one line; empty lines do nothing."""
    for end in (b"\r", b"\n", b"\r\n", b"\n\n\r\r\n"):
        tag = board.line.next_tag()
        board.line.send(request(tag, ("hello",)) + end)
        if board.line.answer(tag) is None:
            raise RuleBroken(f"a request that ends with {end!r} was not answered")
        board.line.pump(0.05)
        if any(answer.tag == tag for answer in board.line.answers):
            raise RuleBroken(f"a request that ends with {end!r} was answered twice")


def spacing(board: Subject) -> None:
    """**grammar** (spaces): a line with two spaces together, or one at its end, is bad even if its check is right."""
    for body in (b">%02X  hello", b">%02X hello ", b"> %02X hello", b">%02X hello\t"):
        _must_not_answer(board, seal(body % board.line.next_tag()), "of wrong form")


def check(board: Subject) -> None:
    """**check**: a line whose check is wrong, in lower case or missing is dropped and counted, never answered."""
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
        raise RuleBroken(f"{len(wrong)} bad lines were sent, and the count in 'alive' went from {before} to {after}")


def oversize(board: Subject) -> None:
    """**oversize**: 80 bytes with the line end fit; a longer line is dropped, and counts as one bad line."""
    head = f">{board.line.next_tag():02X} zzz "
    longest = seal(head + "y" * (79 - len(head) - 6))
    board.line.send(longest + b"\n")
    answer = board.line.answer(int(head[1:3], 16))
    if answer is None or answer.words[:2] != ("no", "01"):
        raise RuleBroken("a line of exactly 80 bytes, including its end, was not accepted")
    before = int(board.alive().words[3], 16)
    tag = board.line.next_tag()
    board.line.send(b"x" * min(200, board.buffer - 20) + request(tag, ("hello",)) + b"\n")
    if board.buffer >= 120 and board.line.answer(tag, 0.3) is not None:
        raise RuleBroken("the end of an over-long line was taken for a line of its own")
    board.done("hello")
    after = int(board.alive().words[3], 16)
    if (after - before) % 0x10000 != 1:
        raise RuleBroken(f"one over-long line was sent, and the count in 'alive' went from {before} to {after}")


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
    """**by-hand**: `@@` and a request, ended by CR, is answered with tag 00; any other form is not."""
    board.line.send(b"@@ hello\r")
    odd = len(board.line.odd)
    answer = board.line.answer(0)
    if answer is None:
        board.malformed(b"<", odd)
        raise NotRun("'@@ hello' was not answered: this firmware does not take lines by hand")
    if answer.words[0] == "no" and answer.words[1:2] in [(code,) for code in LEFT_OUT]:
        raise NotRun("this firmware does not take lines by hand")
    if answer.words[0] != "hello":
        raise RuleBroken(f"'@@ hello' was answered '{shown(answer.raw)}'")
    for line in (b"@ hello", b"hello", b"@@hello", b"@@ @@ hello", b"@> hello"):
        board.line.send(line + b"\r")
        if board.line.answer(0, 0.15) is not None:
            raise RuleBroken(f"'{line.decode()}' was answered, although it does not have the form of a line by hand")
    board.line.send(b"@@ zzz\r")
    answer = board.line.answer(0)
    if answer is None or answer.words[:2] != ("no", "01"):
        raise RuleBroken("'@@ zzz' should be refused with 01")


def odd_lines(board: Subject) -> None:
    """**grammar** (all): everything the board sent since `hello` was a well-formed line with a right check."""
    for words in (("read", "all"), ("item", "00"), ("ping", "0" * 8, "0" * 8), ("zzz",)):
        board.line.ask(*words, seconds=0.25)
    board.line.pump(1.2)  # a heartbeat at least
    if board.line.odd:
        count = len(board.line.odd)
        raise RuleBroken(
            f"{count} of its lines {'was' if count == 1 else 'were'} malformed, the first: "
            + explain_line(board.line.odd[0])
        )


def unknown_words(board: Subject) -> None:
    """**unknown-words**: a request with a word the board does not know is refused with 01, arguments or not."""
    for words in (("zzz",), ("hell",), ("helloo",), ("set_x", "a=1"), ("x", "y%20z", "%41")):
        board.refused("01", *words)


def text(board: Subject) -> None:
    """**text**: a name with escapes comes back the same; the name is left as it was."""
    answer = board.line.ask("item", "00")
    own = next((word[5:] for word in (answer.words if answer else ()) if word.startswith("name=")), "")
    if not own:
        raise NotRun("the board has no name in item 00")
    # Its own name, so that its memory is not worn out.
    if board.done("name", own).words != ("name", own):
        raise RuleBroken(f"'name {own}' should be answered in the same words")
    board.refused("02", "name")


def _must_not_answer(board: Subject, line: bytes, why: str) -> None:
    board.line.answers.clear()
    board.line.send(line + b"\n")
    board.line.pump(0.12)
    if board.line.answers:
        raise RuleBroken(f"'{shown(line)}', {why}, was answered '{shown(board.line.answers[0].raw)}'")


def boot_form(board: Subject) -> None:
    """**boot** (form): every boot line has the boot number, a cause from the list, and the version."""
    lines = [notification.words for notification in board.line.notifications if notification.words[0] == "boot"]
    if not lines:
        raise NotRun("no boot line was heard: press the board's reset button while the rules are run")
    for words in lines:
        said = " ".join(words)
        if not known(said):
            raise RuleBroken(
                f"'{printable(said)}': 'boot', four hex digits, one of {', '.join(CAUSES)}, "
                "and the version, 01, were expected"
            )


def inputs_only(board: Subject) -> None:
    """**grammar** (is): `is` reports inputs, each in its width, and never outputs."""
    for output in board.outputs:
        board.line.ask("set", f"{output.id}={output.on}")
        board.line.ask("set", f"{output.id}={output.off}")
    board.line.pump(0.15)
    there = {each.id: each for each in board.channels}
    for notification in board.line.notifications:
        for word in notification.words[1:] if notification.words[0] == "is" else ():
            id_, _, value = word.partition("=")
            said = printable(" ".join(notification.words))
            if id_ in board.others:
                continue
            if (channel := there.get(id_)) is None:
                raise RuleBroken(f"'{said}': no item describes '{printable(id_)}'")
            if channel.is_output:
                raise RuleBroken(f"'{said}': '{id_}' is an output; 'is' reports only inputs")
            if not re.fullmatch(f"[0-9A-F]{{{channel.width}}}", value):
                raise RuleBroken(f"'{said}': '{id_}' has {channel.width} hex digits")


def notifications(board: Subject) -> None:
    """**grammar** (notifications): every notification of a word in the document has the form given there."""
    for notification in board.line.notifications:
        said = " ".join(notification.words)
        if notification.words[0] in FORMS and notification.words[0] != "boot" and not known(said):
            raise RuleBroken(f"'{printable(said)}' does not have the form of '{notification.words[0]}' in the document")
