"""HTML pages: the base template, the style sheet and the templates of every page that benchcon writes.

A page is a single file that runs no script and fetches nothing. Every value put into it is shown as text, with control
codes as escapes: what a board, a panel file or a capture says never becomes markup.

| file | is |
|---|---|
| `base.html` | the frame of every page |
| `sheet.css` | the style of all pages, on a screen in light and dark, and on paper |
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
    """One SVG element of a picture: its name, its attributes, and the text that it shows."""

    tag: str
    look: str
    """Its class in the style sheet; empty: none."""
    at: Numbers
    """Its attributes; numbers are in the picture's units."""
    text: str = ""
    title: str = ""
    """Text that is shown when it is pointed at."""


class Figure(NamedTuple):
    """A picture made of elements, `width` by `height` units, and what it shows in words."""

    width: float
    height: float
    marks: Sequence[SvgElement]
    label: str = ""
    caption: str = ""


def render(template: str, **values: Any) -> str:
    """Return the HTML page that `template` makes of `values`. jinja2 is imported only here."""
    return _environment().get_template(template).render(values)


def drawn(svg: str) -> Markup:
    """Return a picture from `benchcon.drawing` as markup; every text in it is escaped already."""
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
    """Return `value` as a page shows it: text with control codes as escapes, except line ends."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return "\n".join(map(printable, value.split("\n")))
    return value


def _look(word: str) -> str:
    """Return the class in the style sheet for a word such as a verdict."""
    return word.replace(" ", "-")


def _number(value: str | float) -> str:
    """Return a coordinate rounded to a tenth of a unit."""
    if isinstance(value, str):
        return value
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
