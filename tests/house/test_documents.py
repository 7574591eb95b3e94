"""The written documents: wrapped at one width, and every link in them leads somewhere."""

import re
from pathlib import Path

import pytest
from house import wrap

DOCUMENTS = wrap.documents()


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(wrap.ROOT)))
def test_prose_is_wrapped_at_one_width(path: Path) -> None:
    # What cannot be broken, such as a long command in a code span, may stick out: then it has the line for itself.
    text = path.read_text("utf-8")
    too_long = [
        number + at
        for is_prose, number, lines in wrap.prose(text)
        for at, line in enumerate(lines)
        if is_prose and len(line) > wrap.WIDTH and line not in wrap.wrapped(text).split("\n")
    ]
    assert not too_long, f"{path.name}: lines {too_long}; run: python tests/house/wrap.py"


def anchor(heading: str) -> str:
    """The anchor of a heading, as the usual hosts of repositories make it: lower case, hyphens, no punctuation."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(wrap.ROOT)))
def test_every_link_leads_somewhere(path: Path) -> None:
    for target, section in re.findall(r"\]\((?!https?:)([^)#\s]*)#?([^)\s]*)\)", path.read_text("utf-8")):
        there = (path.parent / target).resolve() if target else path
        assert there.exists(), f"{path.name}: {target}"
        if section:
            headings = re.findall(r"(?m)^#+ (.+)$", there.read_text("utf-8"))
            assert section in map(anchor, headings), f"{path.name}: {target}#{section}"
