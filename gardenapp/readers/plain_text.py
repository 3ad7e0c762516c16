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
_WEB_PAGE = re.compile(r"\s*<(?:!doctype|html|head|body|\?xml)", re.IGNORECASE)

SAVE_AS_UTF8 = say(
    "Save it again as “CSV UTF-8” (in a text editor: encoding UTF-8), or choose "
    "Windows-1252 as its encoding here."
)


def decode(data: bytes, *, encoding: str | None, largest_bytes: int = LARGEST_BYTES) -> str:
    """Text of a file: UTF-8 with or without a mark, or Windows-1252 when a person has said so.

    Windows-1252 is never guessed: nearly any bytes are text in it, and the wrong text.

    Raises UnreadableFile for an empty or too large file, another kind of file, another encoding
    or control characters, each with what to do.
    """
    if len(data) > largest_bytes:
        raise refuse(
            say(
                "The file has %(bytes)s bytes; at most %(most)s are read. Export fewer days.",
                bytes=Number(len(data), ","),
                most=Number(largest_bytes, ","),
            )
        )
    if not data.strip():
        raise refuse(say("The file is empty."))
    for start, what in _OTHER_FILES:
        if data.startswith(start):
            raise refuse(
                say("This is %(what)s, not a table or a forecast. Export it as CSV.", what=what)
            )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refuse(say("The file is in UTF-16. %(advice)s", advice=SAVE_AS_UTF8), line=1)
    marked = data.startswith(codecs.BOM_UTF8)  # the mark says UTF-8 whatever was chosen
    try:
        text = data.decode("cp1252" if encoding == "cp1252" and not marked else "utf-8-sig")
    except UnicodeDecodeError as error:
        # Counted in what was decoded: without the mark, which `data` may begin with.
        line = error.object.count(b"\n", 0, error.start) + 1
        if encoding == "cp1252" and not marked:
            raise refuse(say("This is not Windows-1252 text."), line=line) from error
        raise refuse(
            say("This is not UTF-8 text. %(advice)s", advice=SAVE_AS_UTF8), line=line
        ) from error
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
    if _WEB_PAGE.match(text):
        raise refuse(
            say("This is a web page, not a forecast. Was the wrong address saved?"), line=1
        )
    return text
