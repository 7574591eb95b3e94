"""Pages as PDF 1.5 (ISO 32000): lines, circles and text in Helvetica, on layers that viewers can switch on and off.

The few parts of PDF that drawings need are written here; that takes no library and no font file.
"""

from __future__ import annotations

import unicodedata
import zlib
from collections.abc import Mapping, Sequence

from benchcon.drawing.letters import width_mm
from benchcon.drawing.shapes import Box, Circle, Shape, Stroke, Text
from benchcon.drawing.svg import Pen
from benchcon.drawing.tiles import FOOT_MM, Page

POINTS_PER_MM = 72 / 25.4
_ROUND = 0.5522847498
"""Distance of the control points of a cubic Bézier curve for a quarter circle, as a share of the radius: 4/3 (√2 − 1).
The curve is off by at most 0.03 % of the radius."""
_FOOT_SIZE = 2.4


def document(pages: Sequence[Page], pens: Mapping[str, Pen], title: str) -> bytes:
    """Return a PDF file of `pages`, with each layer drawn as `pens` says."""
    layers = [layer for layer in pens if any(shape.layer == layer for page in pages for shape in page.shapes)]
    # Objects: 1 catalog, 2 pages, 3 font, 4 document information, then the layers, then two for each page.
    first_page = 5 + len(layers)
    marks = {layer: (f"L{number}", 5 + number) for number, layer in enumerate(layers)}
    groups = " ".join(f"{number} 0 R" for _, number in marks.values())
    kids = " ".join(f"{first_page + 2 * number} 0 R" for number in range(len(pages)))
    objects: list[bytes] = [
        f"<< /Type /Catalog /Pages 2 0 R /OCProperties << /OCGs [{groups}] /D << /Order [{groups}] >> >> "
        "/ViewerPreferences << /PrintScaling /None >> >>".encode(),
        f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode(),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        b"<< /Title " + _string(title) + b" /Producer (benchcon) >>",
        *(b"<< /Type /OCG /Name " + _string(layer) + b" >>" for layer in layers),
    ]
    properties = " ".join(f"/{mark} {number} 0 R" for mark, number in marks.values())
    for number, page in enumerate(pages):
        body = zlib.compress(_content(page, pens, {layer: mark for layer, (mark, _) in marks.items()}))
        size = f"{_n(page.width_mm * POINTS_PER_MM)} {_n(page.height_mm * POINTS_PER_MM)}"
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {size}] /Contents {first_page + 2 * number + 1} 0 R "
            f"/Resources << /Font << /F1 3 0 R >> /Properties << {properties} >> >> >>".encode()
        )
        objects.append(f"<< /Length {len(body)} /Filter /FlateDecode >>\nstream\n".encode() + body + b"\nendstream")
    out = bytearray(b"%PDF-1.5\n%\xe2\xe3\xcf\xd3\n")
    offsets = []
    for number, each in enumerate(objects, 1):
        offsets.append(len(out))
        out += f"{number} 0 obj\n".encode() + each + b"\nendobj\n"
    start = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    out += b"".join(f"{offset:010} 00000 n \n".encode() for offset in offsets)
    out += f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info 4 0 R >>\nstartxref\n{start}\n%%EOF\n".encode()
    return bytes(out)


def _content(page: Page, pens: Mapping[str, Pen], marks: Mapping[str, str]) -> bytes:
    k = POINTS_PER_MM
    left, top, right, bottom = page.window
    # Scale and flip to millimetres with y downwards, as the shapes have it.
    out = [
        "q",
        f"{_n(k)} 0 0 {_n(-k)} {_n((page.left_mm - left) * k)} {_n((page.height_mm - page.top_mm + top) * k)} cm",
        f"{_n(left)} {_n(top)} {_n(right - left)} {_n(bottom - top)} re W n",
    ]
    for layer, pen in pens.items():
        found = [shape for shape in page.shapes if shape.layer == layer]
        if not found:
            continue
        out += [f"/OC /{marks[layer]} BDC", "q", *_look(pen)]
        out += [word for shape in found for word in _drawn(shape, pen)]
        out += ["Q", "EMC"]
    out.append("Q")
    foot = Text("", 0, 0, page.foot, _FOOT_SIZE)
    x = (page.width_mm - width_mm(page.foot, _FOOT_SIZE)) / 2
    out += ["q", f"{_n(k)} 0 0 {_n(k)} {_n(x * k)} {_n((FOOT_MM + 2.0) * k)} cm"]
    out += ["BT", f"/F1 {_n(foot.size)} Tf", "0 0 Td", f"{_string(page.foot).decode('latin-1')} Tj", "ET", "Q"]
    return "\n".join(out).encode("latin-1")


def _look(pen: Pen) -> list[str]:
    out = []
    if pen.stroke:
        out += [f"{_colour(pen.stroke)} RG", f"{_n(pen.width_mm)} w"]
    if pen.fill:
        out.append(f"{_colour(pen.fill)} rg")
    if pen.dash_mm:
        out.append(f"[{_n(pen.dash_mm)} {_n(0.6 * pen.dash_mm)}] 0 d")
    if pen.round:
        out.append("1 J")
    return out


def _drawn(shape: Shape, pen: Pen) -> list[str]:
    if isinstance(shape, Text):
        fill = shape.fill or pen.fill
        long = width_mm(shape.text, shape.size)
        back = {"start": 0.0, "middle": long / 2, "end": long}[shape.anchor]
        if shape.upright:
            matrix = f"0 -1 -1 0 {_n(shape.x)} {_n(shape.y + back)} Tm"
        else:
            matrix = f"1 0 0 -1 {_n(shape.x - back)} {_n(shape.y)} Tm"
        text = _string(shape.text).decode("latin-1")
        return [f"{_colour(fill)} rg", "BT", f"/F1 {_n(shape.size)} Tf", matrix, f"{text} Tj", "ET"]
    if isinstance(shape, Stroke):
        return [f"{_n(shape.x1)} {_n(shape.y1)} m {_n(shape.x2)} {_n(shape.y2)} l S"]
    fill = shape.fill or pen.fill
    how = ("B" if pen.stroke else "f") if fill else "S"
    set_fill = [f"{_colour(fill)} rg"] if fill else []
    if isinstance(shape, Circle):
        return [*set_fill, f"{_circle(shape.x, shape.y, shape.radius)} {how}"]
    if isinstance(shape, Box) and shape.radius:
        return [*set_fill, f"{_rounded(shape)} {how}"]
    return [*set_fill, f"{_n(shape.x)} {_n(shape.y)} {_n(shape.width)} {_n(shape.height)} re {how}"]


def _circle(x: float, y: float, radius: float) -> str:
    out = [f"{_n(x + radius)} {_n(y)} m"]
    c = _ROUND * radius
    for ax, ay, bx, by in ((1, 0, 0, 1), (0, 1, -1, 0), (-1, 0, 0, -1), (0, -1, 1, 0)):
        out.append(
            f"{_n(x + ax * radius + bx * c)} {_n(y + ay * radius + by * c)} "
            f"{_n(x + bx * radius + ax * c)} {_n(y + by * radius + ay * c)} "
            f"{_n(x + bx * radius)} {_n(y + by * radius)} c"
        )
    return " ".join([*out, "h"])


def _rounded(box: Box) -> str:
    r = min(box.radius, box.width / 2, box.height / 2)
    left, top, right, bottom = box.bounds()
    c = r * (1 - _ROUND)
    corners = (
        (right - r, top, right - c, top, right, top + c, right, top + r),
        (right, bottom - r, right, bottom - c, right - c, bottom, right - r, bottom),
        (left + r, bottom, left + c, bottom, left, bottom - c, left, bottom - r),
        (left, top + r, left, top + c, left + c, top, left + r, top),
    )
    out = [f"{_n(left + r)} {_n(top)} m"]
    for ax, ay, *rest in corners:
        out.append(f"{_n(ax)} {_n(ay)} l " + " ".join(map(_n, rest)) + " c")
    return " ".join([*out, "h"])


def can_set(text: str) -> bool:
    """Return whether our PDFs can show all of `text`, so that no letter of it becomes ``?``."""
    return all(map(_letter, unicodedata.normalize("NFC", text)))


def _letter(letter: str) -> bytes:
    """Return `letter` in Windows-1252, or in plain letters; empty if neither is possible."""
    try:
        return letter.encode("cp1252")
    except UnicodeEncodeError:
        return unicodedata.normalize("NFKD", _PLAIN.get(letter, letter)).encode("ascii", "ignore")


def _string(text: str) -> bytes:
    """Return a PDF string in Windows-1252; other letters become plain ones where possible, else ``?``."""
    raw = b"".join(_letter(letter) or b"?" for letter in unicodedata.normalize("NFC", text))
    return b"(" + raw.replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)") + b")"


_PLAIN = {"−": "-", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i"}


def _colour(text: str) -> str:
    digits = text.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    return " ".join(_n(int(digits[at : at + 2], 16) / 255) for at in (0, 2, 4))


def _n(number: float) -> str:
    text = f"{number:.5f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
