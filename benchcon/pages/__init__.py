"""HTML pages: one base template, one style sheet and one way to make them, for every page that benchcon writes.

A page is one file that needs nothing else, runs no script and fetches nothing. Whatever is put into it comes out as
text, control codes as escapes: what a board, a panel file or a capture says is never markup.

| file | is |
|---|---|
| `base.html` | the frame of every page |
| `sheet.css` | how all of them look, on a screen in light and dark, and on paper |
| `figure.html` | pictures made of `SvgElement`s |
| `wiring.html` | the sections of a wiring list |
| `walk.html`, `compare.html`, `timing.html` | the pages |
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from benchcon.text import printable

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

Numbers = Mapping[str, str | float]


class SvgElement(NamedTuple):
    """One element of a picture (SVG): its name, its attributes, and the text that it shows."""

    tag: str
    look: str
    """Its class in the style sheet; empty: none."""
    at: Numbers
    """Its attributes; numbers are in the picture's units."""
    text: str = ""
    title: str = ""
    """What it says when it is pointed at."""


class Figure(NamedTuple):
    """A picture made of marks, `width` by `height` units, and what it shows, in words."""

    width: float
    height: float
    marks: Sequence[SvgElement]
    label: str = ""
    caption: str = ""


def render(template: str, **values: Any) -> str:
    """Return the page that `template` makes of `values`. jinja2 is imported only here."""
    return _environment().get_template(template).render(values)


def drawn(svg: str) -> Markup:
    """Return a picture that `benchcon.drawing` has made, where every text is escaped already, as it is."""
    from markupsafe import Markup

    return Markup(svg)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("benchcon", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_shown,
    )
    made.filters["look"] = _look
    made.filters["number"] = _number
    return made


def _shown(value: object) -> object:
    """What a page shows of a value: of text no control codes, but for the ends of its lines."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return "\n".join(map(printable, value.split("\n")))
    return value


def _look(word: str) -> str:
    """Return the class of the style sheet for a word such as a verdict."""
    return word.replace(" ", "-")


def _number(value: str | float) -> str:
    """Return a coordinate as it is written: to a tenth of a unit."""
    if isinstance(value, str):
        return value
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
