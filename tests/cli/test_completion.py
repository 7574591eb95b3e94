"""``benchcon --completion``: only the script, and one that a real shell completes with."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from benchcon.cli.main import COMMANDS, main


def script(shell: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["--completion", shell]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_there_is_nothing_but_the_script(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = script(shell, capsys)
    assert "http" not in text.split("\n", 12)[0]
    assert "GENERATED" not in text
    # zsh knows a completion by its first line (zsh manual, section 20.2.1, from memory).
    assert text.startswith("#compdef benchcon\n" if shell == "zsh" else ("_", "complete"))


BASH = shutil.which("bash")
COMPLETE = """
. "$1"
COMP_WORDS=("${@:2}"); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); COMP_LINE="${COMP_WORDS[*]}"; COMP_POINT=${#COMP_LINE}
function=$(complete -p benchcon); function=${function##*-F }; function=${function%% *}
$function benchcon "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD-1]}"
printf '%s\\n' "${COMPREPLY[@]}"
"""


@pytest.mark.skipif(BASH is None, reason="there is no bash here to complete with")
def test_bash_reads_it_and_completes_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "benchcon.bash"
    path.write_text(script("bash", capsys))
    read = subprocess.run([str(BASH), "-n", str(path)], capture_output=True, text=True, timeout=30)
    assert (read.returncode, read.stderr) == (0, "")

    def completed(*words: str) -> set[str]:
        ran = subprocess.run(
            [str(BASH), "--norc", "-c", COMPLETE, "bash", str(path), *words], capture_output=True, text=True, timeout=30
        )
        assert ran.stderr == ""
        return set(ran.stdout.split())

    assert completed("benchcon", "rep") == {"replay"}
    assert completed("benchcon", "co") == {"console", "compare", "conform"}
    assert set(COMMANDS) <= completed("benchcon", "")
    assert completed("benchcon", "replay", "--head") == {"--headless"}
