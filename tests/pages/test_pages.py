"""The frame of every page: nothing breaks out of it, it fetches nothing, and it costs nothing where no page is made."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchcon.pages import Figure, SvgElement, render
from benchcon.replay.timed_html import as_html

ROOT = Path(__file__).parents[2]
MARKUP = st.text(st.sampled_from("<>&\"'/=-!{}%# \nxscript\x1b\x9b\u202e\0"), max_size=40) | st.text(max_size=20)
"""Text of what markup, templates and terminals are made of."""


class Outline(HTMLParser):
    """Reads a page as HTML (Python's own parser, no part of this project): tags, attributes, text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def outline(page: str) -> Outline:
    parser = Outline()
    parser.feed(page)
    parser.close()
    return parser


def compared(text: str) -> str:
    picture = Figure(10, 10, [SvgElement("text", "", {"x": 1}, text, text)], text)
    row = {"name": text, "differences": text, "values_a": 1, "values_b": 1, "first": text}
    return render(
        "compare.html",
        verdict=text,
        a=text,
        b=text,
        remarks=[text],
        first=f"first {text}",
        context=[text],
        found=[row],
        not_listed=0,
        not_drawn=0,
        overview=picture,
        same_left_out=0,
        close_ups=[(text, picture)],
        more_close=False,
    )


@given(MARKUP)
def test_no_text_becomes_markup_or_a_control_code(text: str) -> None:
    page, plain = compared(f"x{text}"), outline(compared("plain"))
    found = outline(page)
    assert found.tags == plain.tags
    assert [name for name, _ in found.attributes] == [name for name, _ in plain.attributes]
    # C0 and C1 control codes but for the line end (ECMA-48), and marks that turn the direction of writing (Unicode).
    codes = {each for each in page if (ord(each) < 32 and each != "\n") or 127 <= ord(each) < 160}
    assert not codes | ({"\u202e"} & set(page))


@given(st.text(st.sampled_from("<>&\"' abc"), min_size=1, max_size=20))
def test_what_a_reader_sees_is_what_was_said(text: str) -> None:
    assert f"first {text}" in "".join(outline(compared(text)).text)


def test_a_page_fetches_nothing_and_says_so() -> None:
    """A content security policy (W3C, Content Security Policy Level 3) that allows its own styles alone."""
    page = as_html([])
    assert "default-src 'none'; style-src 'unsafe-inline'" in page
    for word in ("src=", "href=", "url(", "@import", "http:", "https:", "<script"):
        assert word not in page


def test_what_makes_no_page_does_not_load_the_templates() -> None:
    modules = ("cli.main", "report.folder", "report.walk_page", "replay.compare_html", "replay.timed_html")
    code = "import sys\n" + "".join(f"import benchcon.{name}\n" for name in modules)
    code += "print([name for name in ('jinja2', 'markupsafe') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.slow
def test_a_wheel_holds_the_templates_and_the_style_sheet(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path)]
    subprocess.run([*command, str(ROOT)], check=True, cwd=tmp_path)
    (wheel,) = tmp_path.glob("*.whl")
    held = {name.rpartition("/")[2] for name in zipfile.ZipFile(wheel).namelist() if "benchcon/pages/" in name}
    assert held == {path.name for path in (ROOT / "benchcon" / "pages").iterdir() if path.is_file()}
