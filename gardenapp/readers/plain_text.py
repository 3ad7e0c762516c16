"""From bytes to text, refusing early what is no text at all.

What a file is gets judged by its first bytes and by its encoding, never by its name.
"""

from __future__ import annotations

import codecs
import re

from gardenapp.messages import Number, say
from gardenapp.readers.records import Faults, refuse

LARGEST_BYTES = 2_000_000

_OTHER_FILES = (
    (b"\x89PNG", say("a picture")),
    (b"\xff\xd8\xff", say("a picture")),
    (b"GIF8", say("a picture")),
    (b"%PDF", say("a PDF document")),
    (b"PK\x03\x04", say("a spreadsheet workbook or a zip archive")),
    (b"\xd0\xcf\x11\xe0", say("a spreadsheet workbook")),
    (b"\x1f\x8b", say("a compressed file")),
    (b"SQLite format 3", say("a database")),
)
# Everything of the C0 and C1 control blocks but tab, line feed and carriage return.
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_SIGNS = "°²³µ·º–—\u00a0€£½¼¾ª×"
_WEB_PAGE = re.compile(r"\s*<(?:!doctype|html|head|body|\?xml)", re.IGNORECASE)

SAVE_AS_UTF8 = say(
    "Save it again as “CSV UTF-8” (in a text editor: encoding UTF-8), or choose "
    "Windows-1252 as its encoding here."
)


def decode(data: bytes, *, encoding: str | None, largest_bytes: int = LARGEST_BYTES) -> str:
    """Text of a file: UTF-8, UTF-16 with its mark, or Windows-1252 where it can be nothing else.

    A mark at the beginning wins over what a person has said, and so does text that is plainly
    UTF-8. Nearly any bytes are text in Windows-1252, and the wrong text: unasked, it is taken only
    where what stands outside ASCII is letters and signs such as °, and little of the whole.

    Raises UnreadableFile for an empty or too large file, another kind of file, another encoding
    or control characters, each with what to do.
    """
    return decode_as(data, encoding=encoding, largest_bytes=largest_bytes)[0]


def decode_as(
    data: bytes, *, encoding: str | None, largest_bytes: int = LARGEST_BYTES
) -> tuple[str, str]:
    """`decode`, and the name of the encoding: "utf-8", "utf-16" or "cp1252"."""
    if len(data) > largest_bytes:
        raise refuse(
            say(
                "The file has %(bytes)s bytes; at most %(most)s are read. Export fewer days.",
                bytes=Number(len(data), ","),
                most=Number(largest_bytes, ","),
            )
        )
    for start, what in _OTHER_FILES:
        if data.startswith(start):
            raise refuse(
                say("This is %(what)s, not a table or a forecast. Export it as CSV.", what=what)
            )
    text, used = _decoded(data, encoding)
    text = text.rstrip("\0")  # some loggers fill the file's last block
    if not text.strip():
        raise refuse(say("The file is empty."))
    _refuse_controls(text)
    if _WEB_PAGE.match(text):
        raise refuse(
            say("This is a web page, not a forecast. Was the wrong address saved?"), line=1
        )
    return text, used


def _decoded(data: bytes, encoding: str | None) -> tuple[str, str]:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return data.decode("utf-16"), "utf-16"
        except UnicodeDecodeError as error:
            raise refuse(say("This is not UTF-16 text. %(advice)s", advice=SAVE_AS_UTF8)) from error
    marked = data.startswith(codecs.BOM_UTF8)
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        # Counted in what was decoded: without the mark, which `data` may begin with.
        line = error.object.count(b"\n", 0, error.start) + 1
        if not marked:
            try:
                text = data.decode("cp1252")
            except UnicodeDecodeError:
                text = ""
            if text and (encoding == "cp1252" or _looks_right(text)):
                return text, "cp1252"
            if encoding == "cp1252":
                raise refuse(say("This is not Windows-1252 text."), line=line) from error
        raise refuse(
            say("This is not UTF-8 text. %(advice)s", advice=SAVE_AS_UTF8),
            line=line,
            ask="encoding",
        ) from error


def _looks_right(text: str) -> bool:
    """Whether what stands outside ASCII are letters and signs that tables have, here and there."""
    outside = [character for character in text if not character.isascii()]
    return len(outside) * 20 <= len(text) and all(
        character in _SIGNS or (character.isalpha() and character.islower() | character.isupper())
        for character in outside
    )


def _refuse_controls(text: str) -> None:
    faults = Faults()
    line, counted = 1, 0
    for found in _CONTROL.finditer(text):
        line += text.count("\n", counted, found.start())
        counted = found.start()
        faults.add(
            say(
                "holds the control character U+%(code)s; this is not a text file",
                code=f"{ord(found[0]):04X}",
            ),
            line=line,
        )
    faults.raise_if_any()
