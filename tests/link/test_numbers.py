"""Which board has which number: whatever is plugged where, a number in a capture means one board."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchcon.link.numbers import MOST_BOARDS, Numbers
from benchcon.wire.records import BENCH

idents = st.sampled_from([f"b{number}" for number in range(5)])


@given(st.lists(st.one_of(idents, st.tuples(idents, idents)), max_size=30))
def test_a_board_keeps_its_number_and_shares_it_with_nobody(acts: list[str | tuple[str, str]]) -> None:
    numbers = Numbers()
    owned: dict[str, int] = {}
    for act in acts:
        if isinstance(act, tuple):
            numbers.rename(*act)
            if act[0] in owned and act[1] not in owned:
                owned[act[1]] = owned.pop(act[0])
            continue
        lent = numbers.lend()
        assert lent != BENCH
        assert not numbers.belongs_to_a_board(lent)
        given = numbers.give(act, lent, ())
        assert given == (owned.get(act, lent), "")
        owned[act] = given.number
        assert len(set(owned.values())) == len(owned)
        assert numbers.known() == set(owned.values())


def test_a_board_heard_where_another_was_gets_a_number_of_its_own() -> None:
    numbers = Numbers()
    first = numbers.lend()
    assert numbers.give("met", first, ()).number == first
    assert numbers.give("power", first, ()).number not in (first, BENCH)
    assert numbers.give("met", 99, ()).number == first


def test_with_too_many_boards_one_that_is_gone_makes_room_and_one_that_is_linked_does_not() -> None:
    numbers = Numbers()
    linked = numbers.give("here", numbers.lend(), ()).number
    for turn in range(MOST_BOARDS - 1):
        assert numbers.give(f"r{turn}", numbers.lend(), {linked}).forgotten == ""
    new = numbers.give("one_more", numbers.lend(), {linked})
    assert new.forgotten == "r0"
    assert new.number != linked
    assert len(numbers.known()) == MOST_BOARDS
    # Where all are linked there is no room to make; nobody loses a number for it.
    all_linked = numbers.known()
    more = numbers.give("and_another", numbers.lend(), all_linked)
    assert more.forgotten == ""
    assert more.number not in all_linked
