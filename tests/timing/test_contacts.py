"""Bounce, encoders and potentiometers from raw edges and readings whose truth was put in."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.panel.model import Channel, Control
from benchcon.timing.bounce import STEPS_US, Bounce, bounce_of
from benchcon.timing.contacts import ContactTiming, as_text, bounce_advice
from benchcon.timing.raw import Sample
from benchcon.timing.travel import travel_of
from benchcon.timing.turning import turning_of

SWITCH = Control("stop_bar", "Stop bar", "switch", (Channel("desk", "sw1"),))
ENCODER = Control("course", "Course", "encoder", (Channel("desk", "e1"),))
POT = Control("dimmer", "Dimmer", "pot", (Channel("desk", "p1"),))


def bouncing(gaps: list[list[int]], apart_us: int = 400_000) -> list[Sample]:
    """A movement for each list: its first edge, then one after each gap. An odd number of edges moves the contact."""
    samples, at, level = [], 1_000_000, 1
    for row in gaps:
        level ^= 1
        samples.append(Sample(at, level))
        for gap in row:
            at += gap
            level ^= 1
            samples.append(Sample(at, level))
        at += apart_us
    return samples


def test_settling_is_what_was_put_in() -> None:
    rng = random.Random(1)
    rows = [[rng.randint(50, 900) for _ in range(2 * rng.randint(0, 4))] for _ in range(40)]
    found = bounce_of(bouncing(rows))
    assert [one.settling_us for one in found.movements] == [sum(row) for row in rows]
    assert found.longest_us == max(map(sum, rows))
    assert found.longest_gap_us == max(max(row, default=0) for row in rows)
    assert (found.bounced, found.spikes) == (sum(bool(row) for row in rows), [])


def test_figures_like_published_ones_ask_for_a_usual_debounce() -> None:
    # J. Ganssle, A Guide to Debouncing (from memory): mean 1.6 ms, nearly all under 6.2 ms.
    rng = random.Random(2)
    rows = []
    for _ in range(60):
        left, row = min(rng.expovariate(1 / 1600), 6200), []
        while left > 100:
            row.append(rng.randint(50, 1000))
            left -= row[-1]
        rows.append(row[: len(row) // 2 * 2])
    found = bounce_of(bouncing(rows))
    assert found.finding == ""
    assert found.longest_us < 7200
    # It waits for stillness: the gaps count, and they are far shorter than the whole.
    assert found.debounce_us() == 3000
    assert found.debounce_us(first_edge=True) <= 15_000
    assert 'debounce = "3 ms" would do' in bounce_advice(found, SWITCH)


@given(st.lists(st.lists(st.integers(20, 15_000), max_size=6).map(lambda row: row[: len(row) // 2 * 2]), min_size=1))
def test_the_debounce_it_names_would_have_made_one_change_of_each(rows: list[list[int]]) -> None:
    samples = bouncing(rows)
    found = bounce_of(samples)
    debounce_us = found.debounce_us()
    if debounce_us == STEPS_US[-1]:
        return
    # A debouncer that waits for stillness, played on the same edges.
    changes = sum(
        following is None or following.clock_us - sample.clock_us >= debounce_us
        for sample, following in [*pairwise(samples), (samples[-1], None)]
    )
    assert changes == len(rows)


def test_what_no_hand_does_is_not_taken_for_bounce() -> None:
    found = bounce_of(bouncing([[200, 100]] * 12 + [[4000]] + [[200, 100]] * 12))
    assert len(found.spikes) == 1
    assert found.spikes[0].settling_us == 4000
    assert "once for no longer than 4.00 ms, which no hand does: a loose wire" in bounce_advice(found, SWITCH)


def test_a_worn_contact_is_named_before_the_debounce_is() -> None:
    found = bounce_of(bouncing([[9000, 9000, 9000, 9000]] * 12))
    assert found.finding == "worn"
    assert "Check the switch and its joints" in bounce_advice(found, SWITCH)


def test_too_short_a_debounce_is_said_with_the_reason() -> None:
    control = Control("b", "B", "button", SWITCH.channels, debounce_ms=2)
    found = bounce_of(bouncing([[300, 3000]] * 12))
    said = bounce_advice(found, control)
    assert said.startswith('Set debounce = "5 ms": the longest gap between two bounces was 3.00 ms')
    assert said.endswith("It is set to 2 ms: too short.")


def test_few_movements_are_not_judged() -> None:
    assert "Too few" in bounce_advice(bounce_of(bouncing([[100, 100]])), SWITCH)
    assert bounce_of([]).movements == Bounce().movements


def test_a_hole_ends_a_movement() -> None:
    samples = bouncing([[100, 100]])
    found = bounce_of([*samples, samples[-1]._replace(clock_us=samples[-1].clock_us + 50, fresh=True)])
    assert len(found.movements) == 2


RING = (0b00, 0b10, 0b11, 0b01)


def turned(detents: list[tuple[int, int]], missing: set[int] = frozenset()) -> list[Sample]:  # type: ignore[assignment]
    """Detents with the time a count takes; edges by their number may be missing. A quarter turn to begin with."""
    samples, at, place, number = [Sample(0, 0b01), Sample(10_000, 0b00)], 10_000, 0, 0
    for way, count_us in detents:
        at += 200_000
        for _ in range(4):
            at += count_us
            place = (place + way) % 4
            number += 1
            if number not in missing:
                samples.append(Sample(at, RING[place]))
    return samples


def test_a_clean_encoder_is_clean() -> None:
    found = turning_of(turned([(1, 4000), (1, 4000), (-1, 5000)]), 4)
    assert (found.detents, found.invalid, found.skipped, found.doubled, found.bounces) == (3, 0, 0, 0, 0)
    assert as_text([ContactTiming(ENCODER, "desk.e1", found, 0)]) == "course: 3 detents, 0 invalid transitions"


def test_a_missing_edge_is_an_invalid_transition() -> None:
    found = turning_of(turned([(1, 4000)] * 5, missing={10}), 4)
    assert (found.invalid, found.skipped, found.detents) == (1, 0, 5)
    assert "Both contacts changed at once" in as_text([ContactTiming(ENCODER, "desk.e1", found, 0)])


def test_coming_to_rest_between_detents_is_told() -> None:
    assert turning_of(turned([(1, 4000)] * 3 + [(1, 4000)], missing={16}), 4).skipped == 1


def test_the_fastest_clean_speed() -> None:
    fast = [Sample(0, 0b01), Sample(10_000, 0b00)]
    at, place = 300_000, 0
    for _ in range(40):  # ten detents in one go, 2.5 ms a count: 100 detents a second
        at += 2500
        place = (place + 1) % 4
        fast.append(Sample(at, RING[place]))
    assert turning_of(fast, 4).fastest_clean == pytest.approx(100, rel=0.01)
    assert turning_of(fast, 4).detents == 10


def test_bounce_of_an_encoder_is_no_turn() -> None:
    samples = turned([(1, 4000)])
    at = samples[-1].clock_us
    samples += [Sample(at + 300, 0b01), Sample(at + 600, 0b00)]
    found = turning_of(samples, 4)
    assert (found.detents, found.invalid, found.skipped, found.bounces) == (1, 0, 0, 2)


def knob(noise: int, seed: int = 1, low: int = 0, high: int = 1023, holes: int = 0) -> list[Sample]:
    rng = random.Random(seed)
    places = [low] * 40 + [round(low + (high - low) * n / 60) for n in range(60)] + [high] * 40
    values = [min(1023, max(0, place + rng.randint(-noise, noise))) for place in places]
    for number in range(holes):
        values[50 + number * 9] = 3
    return [Sample(number * 50_000, value) for number, value in enumerate(values)]


def test_noise_and_resolution_of_a_potentiometer() -> None:
    found = travel_of(knob(noise=2, low=300, high=900), 1023)
    assert 3 <= found.noise <= 4  # two either way, and eight readings seldom miss both
    assert found.resolution == pytest.approx(604 / found.noise, rel=0.02)
    assert travel_of(knob(noise=0), 1023).resolution == 1023


def test_noise_that_the_ends_of_the_converter_cut_off_is_found_where_the_knob_rested_between_them() -> None:
    # At an end one half of the noise is not seen, and a knob stands at an end most of the time.
    rng = random.Random(3)
    places = [0] * 120 + list(range(0, 512, 16)) + [512] * 30 + list(range(512, 1023, 16)) + [1023] * 120
    values = [min(1023, max(0, place + rng.randint(-6, 6))) for place in places]
    middle = [max(part) - min(part) for n in range(0, 23, 4) for part in [values[152 + n : 160 + n]]]
    found = travel_of([Sample(number * 50_000, value) for number, value in enumerate(values)], 1023)
    assert min(middle) <= found.noise <= max(middle)


def test_a_worn_track_jumps() -> None:
    assert travel_of(knob(noise=1), 1023).jumps == []
    found = travel_of(knob(noise=1, low=100, holes=3), 1023)
    assert found.jumps == [3, 3, 3]
    assert "jumped away and back 3 times (to 3): a worn track" in as_text([ContactTiming(POT, "desk.p1", found, 0)])


def test_ends_that_are_not_reached_are_written_out() -> None:
    text = " ".join(
        as_text([ContactTiming(POT, "desk.p1", travel_of(knob(noise=1, low=40, high=990), 1023), 0)]).split()
    )
    assert "if 39 was its end, write low = 39" in text
    assert "if 991 was its end, write high = 991" in text
    assert "never read" not in as_text([ContactTiming(POT, "desk.p1", travel_of(knob(noise=1), 1023), 0)])
