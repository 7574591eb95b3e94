"""The help of every command can be read on a terminal of 80 columns, and its examples can be copied."""

import shlex

import pytest

from benchcon.cli.main import COMMANDS, command_parser, main


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_into_80_columns(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = command_parser(name).format_help()
    assert max(map(len, text.splitlines())) <= 80
    assert text.rstrip().splitlines()[-1].startswith("  ")  # an example comes last


def test_the_list_of_commands_fits_and_names_them_all(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    begun = {line.split()[0] for line in lines if line[:2] == "  " and line[2:3].strip()}
    assert set(COMMANDS) <= begun


@pytest.mark.parametrize(
    ("name", "example"), [(name, line) for name, (_, text) in COMMANDS.items() for line in text.splitlines()]
)
def test_every_example_is_understood(name: str, example: str) -> None:
    program, command, *words = shlex.split(example)
    assert (program, command) == ("benchcon", name)
    command_parser(name).parse_args(words)
