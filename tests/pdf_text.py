"""The text of a PDF as Chromium writes it: one run of glyphs after another, page by page.

Reads no more than that: plain objects, packed streams, fonts with a table from glyphs to text.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

_OBJECT = re.compile(rb"(\d+) 0 obj\s*")
_STREAM = re.compile(rb"/Length (\d+)[^>]*>>\s*stream\r?\n")
_NUMBER = rb"[-\d.]+"
_STEP = re.compile(
    rb"/(?P<font>\w+) (?P<size>[\d.]+) Tf"
    rb"|<(?P<glyphs>[0-9A-Fa-f]*)> ?(?:Tj|[-\d.\]])"
    rb"|\b(?P<end>ET)\b"
    rb"|\b(?P<keep>q)\b"
    rb"|\b(?P<back>Q)\b"
    rb"|(?P<scale>" + _NUMBER + rb")(?: " + _NUMBER + rb"){5} cm"
)


@dataclass(frozen=True)
class Run:
    """Glyphs set in one go; `size_pt` is how large they stand on the paper. [pt]"""

    text: str
    size_pt: float


def pages_of(pdf: bytes) -> list[list[Run]]:
    """The runs of each page, in the order of the pages."""
    objects = _objects(pdf)
    root = next(
        number
        for number, body in objects.items()
        if re.search(rb"/Type\s*/Pages\b", body) and b"/Parent" not in body
    )
    return [_runs(objects[number], objects) for number in _leaves(root, objects)]


def text_of(page: list[Run]) -> str:
    """A page's text, spaces folded."""
    return re.sub(r"[\s\u202f\xa0]+", " ", " ".join(run.text for run in page)).strip()


def _objects(pdf: bytes) -> dict[int, bytes]:
    """Objects by number; what is packed may hold any bytes, so it is skipped by its length."""
    found: dict[int, bytes] = {}
    place = 0
    while (head := _OBJECT.search(pdf, place)) is not None:
        end = pdf.index(b"endobj", head.end())
        stream = _STREAM.search(pdf, head.end(), end)
        if stream is not None:
            end = pdf.index(b"endobj", stream.end() + int(stream[1]))
        found[int(head[1])] = pdf[head.end() : end]
        place = end
    return found


def _leaves(number: int, objects: dict[int, bytes]) -> list[int]:
    """The pages under a node of the tree of pages."""
    kids = re.search(rb"/Kids\s*\[(.*?)\]", objects[number], re.S)
    if kids is None:
        return [number]
    numbers = re.findall(rb"(\d+) 0 R", kids[1])
    return [leaf for kid in numbers for leaf in _leaves(int(kid), objects)]


def _unpacked(body: bytes) -> bytes:
    stream = _STREAM.search(body)
    assert stream is not None, body[:80]
    data = body[stream.end() : stream.end() + int(stream[1])]
    return zlib.decompress(data) if b"/FlateDecode" in body[: stream.end()] else data


def _runs(page: bytes, objects: dict[int, bytes]) -> list[Run]:
    fonts = _fonts(page, objects)
    contents = re.search(rb"/Contents (\d+) 0 R", page)
    assert contents is not None
    found: list[Run] = []
    kept: list[float] = []
    scale, size, text = 1.0, 0.0, ""
    font: dict[int, str] = {}
    for step in _STEP.finditer(_unpacked(objects[int(contents[1])])):
        if step["font"]:
            font, size = fonts[step["font"]], float(step["size"])
        elif step["glyphs"] is not None:
            codes = step["glyphs"].decode("ascii")
            text += "".join(font[int(codes[n : n + 4], 16)] for n in range(0, len(codes), 4))
        elif step["end"]:
            found.append(Run(text, size * scale))
            text = ""
        elif step["keep"]:
            kept.append(scale)
        elif step["back"]:
            scale = kept.pop()
        else:
            scale *= abs(float(step["scale"]))
    return [run for run in found if run.text.strip()]


def _fonts(page: bytes, objects: dict[int, bytes]) -> dict[bytes, dict[int, str]]:
    """From the page's names of fonts to their tables."""
    names = re.search(rb"/Font <<(.*?)>>", page, re.S)
    found = {}
    for name, number in re.findall(rb"/(\w+) (\d+) 0 R", names[1] if names else b""):
        table = re.search(rb"/ToUnicode (\d+) 0 R", objects[int(number)])
        if table is not None:
            found[name] = _glyphs(_unpacked(objects[int(table[1])]).decode("latin-1"))
    return found


def _glyphs(table: str) -> dict[int, str]:
    """From glyph to text, as a font's table says."""
    found: dict[int, str] = {}
    for block in re.findall(r"beginbfchar(.*?)endbfchar", table, re.S):
        for code, text in re.findall(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            found[int(code, 16)] = bytes.fromhex(text).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", table, re.S):
        for first, last, text in re.findall(
            r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block
        ):
            for step in range(int(last, 16) - int(first, 16) + 1):
                found[int(first, 16) + step] = chr(int(text, 16) + step)
    return found
