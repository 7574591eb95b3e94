"""The scanner finds what `tomllib` (the standard library's parser, independent of it) finds, and where it stands."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from benchcon.panel.where import Path, lines_of, places_in

_KEYS = st.sampled_from(["a", "b-1", "c_d", '"q q"', "'l.l'", '"e\\u0041"', "9"])
_SCALARS = st.sampled_from(
    [
        "1",
        "true",
        "-3.5e2",
        '"x # no comment ] }"',
        "'lit [ {'",
        '"""many\nlines # "" \\""""',
        "'''raw\n'' x'''",
        "1979-05-27 07:32:00",
        '"esc \\" quote"',
        '""',
    ]
)


def _values(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    array = st.lists(inner, max_size=3).map(lambda v: "[\n  " + ", # c ]\n  ".join(v) + "\n]" if v else "[ ]")
    table = st.lists(st.tuples(_KEYS, inner), max_size=3, unique_by=lambda kv: tomllib.loads(f"{kv[0]}=1").popitem()[0])
    return array | table.map(lambda kv: "{ " + ", ".join(f"{k} = {v}" for k, v in kv) + " }" if kv else "{}")


_DOCUMENTS = st.lists(
    st.tuples(_KEYS, _KEYS, st.recursive(_SCALARS, _values, max_leaves=6)).map(lambda t: f"{t[0]}.{t[1]} = {t[2]} # x")
    | st.tuples(_KEYS, _KEYS).map(lambda t: f"\n# about\n[{t[0]} . {t[1]}]")
    | _KEYS.map(lambda k: f"[[{k}]]  # one more"),
    max_size=8,
).map("\n".join)


def _paths(value: Any, path: Path = ()) -> dict[Path, Any]:
    found = {path: value}
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            found |= _paths(inner, (*path, key))
    return found


@given(_DOCUMENTS)
def test_every_path_has_its_line_and_its_span(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    places = places_in(text)
    paths = _paths(data)
    assert set(places.lines) == set(paths)
    for path, (start, end) in places.values.items():
        assert tomllib.loads(f"v = {text[start:end]}")["v"] == paths[path]
    for path, start, end in places.keys:
        (key,) = tomllib.loads(f"{text[start:end]} = 1")
        assert key == path[-1]


@given(st.text(max_size=80))
def test_a_text_that_is_no_toml_ends_too(text: str) -> None:
    assert lines_of(text)[()] == 1


def test_lines_are_those_an_editor_shows() -> None:
    text = '# top\n[panel]\ntitle = """a\nb"""\nsize = [\n  "1 mm", # across\n  "2 mm",\n]\n'
    text += "[[t]]\n\n[[t]]\nx = { y = 1 }\n"
    lines = lines_of(text)
    assert lines["panel",] == 2
    assert lines["panel", "title"] == 3
    assert lines["panel", "size", 1] == 7
    assert (lines["t", 0], lines["t", 1]) == (9, 11)
    assert lines["t", 1, "x", "y"] == 12
