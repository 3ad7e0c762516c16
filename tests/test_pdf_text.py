"""The reader of Chromium's PDFs, on one made by hand."""

from __future__ import annotations

import zlib

from tests.pdf_text import Run, pages_of, text_of

TABLE = (
    b"1 beginbfchar\n<0003> <0020>\nendbfchar\n1 beginbfrange\n<0010> <0012> <0041>\nendbfrange\n"
)


def stream(number: int, data: bytes) -> bytes:
    packed = zlib.compress(data)
    return b"%d 0 obj\n<</Filter /FlateDecode\n/Length %d>> stream\n%b\nendstream\nendobj\n" % (
        number,
        len(packed),
        packed,
    )


def test_runs_are_read_with_their_size_on_the_paper() -> None:
    first = (
        b".5 0 0 -.5 0 800 cm\nq\n2 0 0 2 0 0 cm\nBT\n/F4 9 Tf\n1 0 0 -1 0 0 Tm\n<00100003> Tj\n"
    )
    first += b"8 0 Td <0011> Tj\nET\nQ\nBT\n/F4 20 Tf\n<0012> Tj\nET\n"
    pdf = b"%PDF-1.4\n" + stream(5, first) + stream(6, b"BT\n/F4 8 Tf\n<0011> Tj\nET\n")
    pdf += stream(7, TABLE) + b"8 0 obj\n<</Type /Font\n/ToUnicode 7 0 R>>\nendobj\n"
    for number, contents in ((3, 6), (2, 5)):
        pdf += b"%d 0 obj\n<</Type /Page\n/Resources <</Font <</F4 8 0 R>>>>\n" % number
        pdf += b"/Contents %d 0 R\n/Parent 1 0 R>>\nendobj\n" % contents
    pdf += b"1 0 obj\n<</Type /Pages\n/Kids [2 0 R 3 0 R]>>\nendobj\n"

    pages = pages_of(pdf)

    assert pages == [[Run("A B", 9.0), Run("C", 10.0)], [Run("B", 8.0)]]
    assert text_of(pages[0]) == "A B C"
