"""What people type who have not read the help: bare port names, misspelt options, ``benchcon help``."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchcon.cli.main import COMMANDS, command_parser, main
from benchcon.cli.port_name import port_name
from benchcon.text import path_for_others


@pytest.fixture(autouse=True)
def own_places(own_locks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    try:
        code = main(list(words))
    except SystemExit as ended:
        code = int(ended.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def test_a_bare_name_is_a_device_of_the_system(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    short, whole = said(capsys, "ports", "null"), said(capsys, "ports", "/dev/null")
    assert short == whole
    assert "/dev/null" in "".join(short[1:])
    assert port_name("ttyUSB0") == "/dev/ttyUSB0"
    for other in ("/dev/ttyUSB0", "./ttyUSB0", "socket://bench:4001", "COM3:", ""):
        assert port_name(other) == other
    (tmp_path / "met").touch()  # a link to a board's pseudo-terminal, say
    assert port_name("met") == "met"


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("walk", "--pannel", "desk.toml"), "--panel"),
        (("record", "--outptu", "a.capture", "/dev/null"), "--output"),
        (("ports", "--jsn"), "--json"),
        (("demo", "--fault=x"), ""),
        (("replay", "a.capture", "--headles"), ""),
    ],
)
def test_a_misspelt_option_gets_a_proposal(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], meant: str
) -> None:
    code, out, err = said(capsys, *words)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    if meant:  # the others are beginnings of an option, which argparse takes for it
        assert f"did you mean '{meant}'?" in err
        assert f"there is no option '{words[1].partition('=')[0]}'" in err


def test_an_option_like_no_other_gets_no_proposal(capsys: pytest.CaptureFixture[str]) -> None:
    """``--seconds`` and ``--hand`` have little more in common than their dashes."""
    _, _, err = said(capsys, "rehearse", "a.toml", "--seconds", "2")
    assert err == "benchcon: there is no option '--seconds'; see 'benchcon rehearse --help'\n"


def test_every_option_with_two_letters_changed_round_is_proposed(capsys: pytest.CaptureFixture[str]) -> None:
    for name in COMMANDS:
        parser = command_parser(name)
        for action in parser._actions:
            for option in action.option_strings:
                if len(option) > 6 and option[3] != option[4]:
                    wrong = option[:3] + option[4] + option[3] + option[5:]
                    with pytest.raises(SystemExit):
                        parser.check_options([f"{wrong}=x"])
                    assert f"did you mean '{option}'?" in capsys.readouterr().err, (name, wrong)


def test_help_is_a_command_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "help") == said(capsys, "--help")
    assert said(capsys, "help", "walk") == said(capsys, "walk", "--help")
    code, _, err = said(capsys, "help", "wlak")
    assert code == 2
    assert "did you mean 'walk'?" in err


def test_no_page_that_is_sent_on_tells_a_login_name() -> None:
    assert path_for_others("/home/somebody/panels/desk.toml") == "desk.toml"
    assert path_for_others("../somebody/desk.toml") == "desk.toml"
    assert path_for_others("panels/desk.toml") == "panels/desk.toml"
    assert path_for_others("") == ""


@pytest.mark.parametrize(
    "words",
    [
        ("record", "x", "-o", "y.capture", "--seconds"),
        ("tap", "x", "--seconds"),
        ("draft", "x", "--seconds"),
        ("try", "desk.toml", "--seconds"),
        ("conform", "x", "--patience"),
    ],
)
@pytest.mark.parametrize("value", ["0", "-1", "nan", "inf", "soon"])
def test_a_time_is_a_number_above_nothing(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], value: str
) -> None:
    code, out, err = said(capsys, *words, value)
    assert (code, out) == (2, "")
    assert f"'{value}' is not a number of" in err
