"""The walk on simulated desks, in processes of their own: healthy, and with every kind of fault in turn."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from walk.desks import Desks, Scripted

from benchcon.diagnosis.diagnose import diagnose
from benchcon.diagnosis.evidence import Seen
from benchcon.report.walk import build
from benchcon.walk.interfaces import FaceAnswer, Scene
from benchcon.walk.machine import Walk
from benchcon.walk.runner import Runner

FAULTS: list[tuple[str, str, tuple[str, ...], dict[str, Any], tuple[str, ...], str, dict[str, Any]]] = [
    # board, fault put in, its channels, its settings, parts to walk, kind to be found, detail
    ("met", "open", ("unit",), {}, ("pressure_unit",), "open", {}),
    ("met", "stuck", ("unit",), {"value": 1}, ("pressure_unit",), "stuck", {}),
    ("met", "inverted", ("unit",), {}, ("pressure_unit",), "inverted", {}),
    ("lighting", "crossed", ("sw_app", "sw_rwy"), {}, ("approach", "runway_edge"), "crossed", {}),
    ("lighting", "crossed", ("int2", "int3"), {}, ("intensity",), "crossed", {}),
    (
        "lighting",
        "crossed",
        ("sw_app", "sw_stop", "sw_twy"),
        {},
        ("approach", "stop_bar", "taxiway"),
        "crossed",
        {},
    ),
    ("lighting", "shorted", ("sw_app", "sw_rwy"), {}, ("approach", "runway_edge"), "shorted", {}),
    ("lighting", "shorted", ("int1", "test"), {}, ("intensity", "lamp_test"), "shorted", {}),
    ("met", "chattering", ("unit",), {"edges": ["9 ms"] * 12}, ("pressure_unit",), "chattering", {}),
    ("met", "reversed", ("enc_qnh",), {}, ("pressure_set",), "reversed", {}),
    ("met", "other_counts", ("enc_qnh",), {"detent": 2}, ("pressure_set",), "other counts", {"counts": 2}),
    ("met", "skipping", ("enc_qnh",), {"every": 3}, ("pressure_set",), "skipping", {}),
    ("met", "open", ("enc_qnh",), {}, ("pressure_set",), "open", {}),
    ("met", "open", ("enc_qnh",), {"phase": "a"}, ("pressure_set",), "phase open", {"phase": "A"}),
    ("power", "reversed", ("volts",), {}, ("bus_volts",), "reversed", {}),
    ("power", "short_of_range", ("volts",), {"high": 900, "low": 0}, ("bus_volts",), "short of range", {"high": 900}),
    # A tenth of its range: it follows, if little, and so neither wire nor wiper is open.
    ("power", "short_of_range", ("volts",), {"high": 560, "low": 460}, ("bus_volts",), "short of range", {"high": 560}),
    ("power", "noisy", ("volts",), {}, ("bus_volts",), "noisy", {}),
    ("power", "stuck", ("volts",), {"value": 300}, ("bus_volts",), "open", {}),
    ("power", "dead", ("l_main",), {}, ("mains_fail",), "dead", {}),
    ("power", "always_on", ("l_main",), {}, ("mains_fail", "standby_fail"), "always on", {}),
    ("power", "crossed", ("l_main", "l_batt"), {}, ("mains_fail", "battery_low"), "crossed", {}),
    ("power", "lit_together", ("l_main", "l_batt"), {}, ("mains_fail", "battery_low"), "lit together", {}),
    ("power", "dim", ("l_main",), {}, ("mains_fail",), "dim", {}),
    ("power", "wrong_colour", ("l_main",), {"colour": "blue"}, ("mains_fail",), "wrong colour", {"colour": "blue"}),
    ("power", "flickering", ("l_main",), {}, ("mains_fail",), "flickering", {}),
    ("met", "segment_dead", ("d_spd",), {"segment": "B", "digit": 2}, ("wind_speed",), "segment dead", {"digits": [2]}),
    ("met", "segment_dead", ("d_spd",), {"segment": "P"}, ("wind_speed",), "segment dead", {"segments": ["P"]}),
    ("met", "segment_stuck", ("d_qnh",), {"segment": "G", "digit": 5}, ("pressure",), "segment stuck", {"digits": [5]}),
    ("met", "segments_swapped", ("d_dir",), {"first": "A", "second": "D"}, ("wind_direction",), "segments swapped", {}),
    (
        "met",
        "digits_swapped",
        ("d_dir",),
        {"order": [3, 1, 2]},
        ("wind_direction",),
        "digits swapped",
        {"order": [3, 1, 2]},
    ),
    ("met", "dead", ("d_dir",), {}, ("wind_direction",), "dead", {}),
]


# With the figures of real hands these take seconds each; the others cover the same way through.
SLOW = {("short_of_range", "volts"), ("reversed", "volts"), ("stuck", "volts"), ("noisy", "volts")}
SLOW |= {("crossed", "int2"), ("shorted", "int1"), ("other_counts", "enc_qnh"), ("skipping", "enc_qnh")}
SLOW |= {
    ("reversed", "enc_qnh"),
    ("lit_together", "l_main"),
    ("shorted", "sw_app"),
    ("stuck", "unit"),
    ("open", "unit"),
}
SLOW |= {("segment_stuck", "d_qnh"), ("always_on", "l_main"), ("digits_swapped", "d_dir")}
SLOW |= {("segments_swapped", "d_dir"), ("crossed", "l_main"), ("flickering", "l_main"), ("wrong_colour", "l_main")}
SLOW |= {("segment_dead", "d_spd"), ("open", "enc_qnh"), ("dead", "d_dir"), ("dim", "l_main")}


def marks(row: tuple[Any, ...]) -> list[pytest.MarkDecorator]:
    return [pytest.mark.slow] if (row[1], row[2][0]) in SLOW or len(row[2]) > 2 else []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("board", "fault", "channels", "settings", "parts", "kind", "detail"),
    [pytest.param(*row, marks=marks(row)) for row in FAULTS],
    ids=[f"{fault}-{'-'.join(channels)}" for _, fault, channels, *_ in FAULTS],
)
def test_a_fault_is_named(
    desks: Desks,
    board: str,
    fault: str,
    channels: tuple[str, ...],
    settings: dict[str, Any],
    parts: tuple[str, ...],
    kind: str,
    detail: dict[str, Any],
) -> None:
    desks.hands[board].fault(fault, *channels, **settings)
    (finding,) = desks.findings(parts)
    assert finding.kind == kind
    assert set(finding.channels) == {f"{board}.{channel}" for channel in channels}
    assert {key: finding.detail[key] for key in detail} == detail


@pytest.mark.slow
def test_healthy_desks_have_nothing_wrong(desks: Desks) -> None:
    walk = desks.hand_walk()
    assert diagnose(desks.panel, walk.evidence) == []
    assert {done.how for done in walk.done.values()} == {"done"}
    assert len(walk.done) == len(desks.panel.parts) + 4  # all dark, hands off, the supply, all lit


def test_a_lamp_blinks_for_the_eye_and_never_more_than_three_times_a_second(desks: Desks) -> None:
    """WCAG 2, success criterion 2.3.1, counted by the simulated boards on what was really lit."""
    desks.hand_walk(("mains_fail",), blink_s=1.3)
    flashes = desks.hands["power"].flashes()
    assert flashes["l_main"] >= 1
    assert all(count <= 3 for hand in desks.hands.values() for count in hand.flashes().values())


def test_a_hand_that_is_seen_needs_no_word_and_the_bell_is_right(desks: Desks) -> None:
    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask" and scene.step is not None:
            hand = desks.hands["met"]
            threading.Timer(0.25, hand.press if scene.step.to else hand.release, ("unit",)).start()
        return None

    walk = Walk(desks.panel, ("pressure_unit",), rest_us=100_000)
    face = Scripted(act)
    assert Runner(desks.session, walk, face).run()
    assert face.sounds == ["right", "right", "over"]
    assert [scene.prompt.title for scene in face.scenes if scene.state == "ask"] == [
        "Press hPa / inHg",
        "Release hPa / inHg",
    ]


@pytest.mark.slow
def test_a_proved_button_answers_short_for_yes_and_long_for_no(desks: Desks) -> None:
    answered: list[int] = []

    def act(scene: Scene) -> FaceAnswer | None:
        hand = desks.hands["met"]
        if scene.state == "ask" and scene.step is not None:
            threading.Timer(0.25, hand.press if scene.step.to else hand.release, ("unit",)).start()
        elif scene.state == "look" and scene.step is not None and scene.number not in answered:
            answered.append(scene.number)
            if not scene.button:
                return FaceAnswer("same", scene.number)
            if scene.step.do == "together":
                lit = {name: Seen() for name in ("mains_fail", "standby_fail")}
                return FaceAnswer("otherwise", scene.number, lit)
            assert scene.button == "pressure_unit"
            held = 0.1 if scene.step.parts == ("standby_fail",) else 0.9
            threading.Timer(0.3, hand.press, ("unit",)).start()
            threading.Timer(0.3 + held, hand.release, ("unit",)).start()
        return None

    walk = Walk(desks.panel, ("pressure_unit", "mains_fail", "standby_fail", "battery_low"), rest_us=100_000)
    face = Scripted(act)
    assert Runner(desks.session, walk, face, blink_s=0.2).run()
    answers = {name: [e.answer for e in done.evidence] for name, done in walk.done.items() if done.group.kind == "lamp"}
    assert answers == {"mains_fail": ["same"], "standby_fail": ["same"], "battery_low": ["otherwise"]}
    assert [f.kind for f in diagnose(desks.panel, walk.evidence)] == ["dead"]


@pytest.mark.slow
def test_a_press_answers_no_lamp_but_the_one_under_which_it_began(desks: Desks) -> None:
    """A finger that stays on the button, or a button that jams, says nothing of the next lamp when it lets go."""
    hand = desks.hands["met"]
    answered: list[int] = []

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask" and scene.step is not None:
            threading.Timer(0.25, hand.press if scene.step.to else hand.release, ("unit",)).start()
        elif scene.state == "look" and scene.step is not None and scene.number not in answered:
            answered.append(scene.number)
            same = FaceAnswer("same", scene.number)
            if scene.step.parts == ("mains_fail",):
                threading.Timer(0.2, hand.press, ("unit",)).start()
                threading.Timer(0.6, face.post, (same,)).start()
            elif scene.step.parts == ("standby_fail",):
                threading.Timer(0.3, hand.release, ("unit",)).start()
                threading.Timer(0.8, face.post, (same,)).start()
            else:
                return same
        return None

    walk = Walk(desks.panel, ("pressure_unit", "crosswind", "mains_fail", "standby_fail"), rest_us=100_000)
    face = Scripted(act)
    assert Runner(desks.session, walk, face, blink_s=0.2).run()
    assert [e.answer for done in walk.done.values() if done.group.kind == "lamp" for e in done.evidence] == ["same"] * 3


def test_a_pulled_cable_stops_the_walk_and_plugged_in_again_it_goes_on(desks: Desks) -> None:
    hand = desks.hands["met"]
    pulled = threading.Event()

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask" and scene.step is not None and not pulled.is_set():
            pulled.set()
            hand.unplug()
            threading.Thread(target=plug).start()
        elif scene.state == "ask" and scene.step is not None and face.warned.is_set():
            threading.Timer(0.25, hand.press if scene.step.to else hand.release, ("unit",)).start()
        return None

    def plug() -> None:
        assert face.warned.wait(30)
        hand.replug()

    walk = Walk(desks.panel, ("pressure_unit",), rest_us=100_000)
    face = Scripted(act)
    assert Runner(desks.session, walk, face).run()
    assert face.warnings == [
        "board 'met' is gone: plug it in again; the walk waits for it",
        "board 'met' is back",
    ]
    assert diagnose(desks.panel, walk.evidence) == []
    report = build(desks.panel, walk.done.values(), {})
    assert [(f["kind"], f["channels"]) for f in report["findings"]] == [("port lost", ["met"])], report["findings"]


def test_another_board_on_the_port_of_one_that_is_gone_is_named(desks: Desks) -> None:
    hand = desks.hands["met"]
    pulled = threading.Event()

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask" and scene.step is not None:
            if not pulled.is_set():
                pulled.set()
                hand.fault("ident", ident="winch")
                hand.unplug()
                hand.replug()
            elif len(face.warnings) > 1:
                threading.Timer(0.25, hand.press if scene.step.to else hand.release, ("unit",)).start()
        if "'winch' answers" in scene.trouble and pulled.is_set() and not mended.is_set():
            mended.set()
            hand.clear()
            hand.unplug()
            hand.replug()
        return None

    mended = threading.Event()
    walk = Walk(desks.panel, ("pressure_unit",), rest_us=100_000)
    face = Scripted(act)
    face.simulated = False  # a person takes the time that it takes, and may pull a plug as often as need be
    assert Runner(desks.session, walk, face).run()
    assert {line for line in face.warnings if "winch" in line} == {
        "board 'met' is gone, and on its port 'winch' answers, which is another board: plug 'met' in; "
        "if this is it, its firmware has the wrong ident; the walk waits for it"
    }
    assert face.warnings[-1] == "board 'met' is back"
    assert diagnose(desks.panel, walk.evidence) == []


@pytest.mark.slow
def test_a_reset_in_mid_walk_is_no_fault_of_the_part(desks: Desks) -> None:
    hand = desks.hands["met"]
    reset = threading.Event()

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask" and scene.step is not None:
            if not reset.is_set():
                reset.set()
                hand.reset()
            threading.Timer(0.4, hand.press if scene.step.to else hand.release, ("unit",)).start()
        return None

    walk = Walk(desks.panel, ("pressure_unit",), rest_us=100_000)
    assert Runner(desks.session, walk, Scripted(act)).run()
    assert diagnose(desks.panel, walk.evidence) == []


def test_a_walk_that_is_left_keeps_what_was_done(desks: Desks) -> None:
    lines: list[dict[str, Any]] = []

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "ask":
            return FaceAnswer("leave")
        return FaceAnswer("same", scene.number) if scene.state == "look" else None

    walk = Walk(desks.panel, ("pressure_unit", "mains_fail"), rest_us=50_000)
    assert not Runner(desks.session, walk, Scripted(act), lines.append).run()
    assert [line.get("done") for line in lines] == ["dark", "mains_fail", "rest"]


def test_dark_in_mid_walk_is_ended_by_nobody_but_the_person(desks: Desks) -> None:
    """The walk says so and waits; “again” ends dark and asks about the lamp again."""
    asked: dict[int, str] = {}

    def act(scene: Scene) -> FaceAnswer | None:
        if scene.state == "look" and scene.step is not None and not scene.trouble:
            asked[scene.number] = scene.step.do
            if scene.step.do == "dark" and len(asked) == 1:
                desks.bench.dark().result(5)
            return FaceAnswer("same", scene.number)
        return None

    class Face(Scripted):
        def warn(self, text: str) -> None:
            super().warn(text)
            if "no longer dark" not in text:
                assert desks.session.state.board_named("power").dark
                self.post(FaceAnswer("again"))

    walk = Walk(desks.panel, ("mains_fail",))
    face = Face(act)
    assert Runner(desks.session, walk, face, blink_s=0).run()
    assert "is dark: end dark, or ask again (r), which ends it too; the walk waits for it" in face.warnings[0]
    assert list(asked.values()) == ["dark", "dark", "lamp"]  # what looked dark then proves nothing: all was
