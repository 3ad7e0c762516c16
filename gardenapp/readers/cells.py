"""Tables as people have them, pasted or as a file, turned into rows of plain text.

Pasted cells, CSV, and the workbooks `.xlsx`, `.xlsm` and `.ods`. A workbook is unpacked and counted
first: what it claims of its size, and a cell in its last corner, must not fill the memory.
Formulas give the value that was kept with them; macros are never run.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.parsers import expat

from gardenapp.messages import Number, Words, say
from gardenapp.readers import plain_text
from gardenapp.readers.csv_rows import rows_of, separator_of
from gardenapp.readers.records import UnreadableFile, quoted, refuse

MOST_BYTES = 4_000_000
MOST_UNPACKED_BYTES = 60_000_000
MOST_FILES = 500
MOST_CELLS = 2_000_000
MOST_ROWS = 20_000
MOST_SHEETS = 20
LONGEST_CELL = 2_000
_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_REFERENCE = re.compile(rb"""\sr=["']([A-Za-z]{1,3})(\d{1,7})["']""")
_TABLE = "urn:oasis:names:tc:opendocument:xmlns:table:1.0 "
_OFFICE = "urn:oasis:names:tc:opendocument:xmlns:office:1.0 "


@dataclass(frozen=True, slots=True)
class CellRow:
    """One row: its number as the spreadsheet shows it, and its cells without outer blanks."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class CellSheet:
    """One sheet, or the whole of what was pasted; empty rows are left out.

    merged : ranges of merged cells as (first row, first column, last row, last column), from 1.
    notes : what is to be known of it.
    """

    name: str
    rows: tuple[CellRow, ...]
    merged: tuple[tuple[int, int, int, int], ...] = ()
    notes: tuple[Words, ...] = ()


def address_of(column: int, row: int) -> str:
    """A cell's address as a spreadsheet shows it, both counted from 1: (2, 7) is B7."""
    letters = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"


def read_pasted(text: str) -> tuple[CellSheet, ...]:
    """What was pasted out of a spreadsheet or typed with commas. Raises UnreadableFile."""
    return (_of_text(text),)


def read_file(data: bytes) -> tuple[CellSheet, ...]:
    """The sheets of a file that hold anything, judged by what is in it and never by its name.

    Raises UnreadableFile with what to do.
    """
    if len(data) > MOST_BYTES:
        raise refuse(
            say(
                "The file has %(bytes)s bytes; at most %(most)s are read. Split it.",
                bytes=Number(len(data), ","),
                most=Number(MOST_BYTES, ","),
            )
        )
    if data.startswith(_ZIP):
        return _of_workbook(data)
    if data.startswith(_OLD):
        raise refuse(
            say(
                "This is an old .xls workbook, or one with a password. Save it as .xlsx or .ods, "
                "without a password."
            )
        )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return (_of_text(data.decode("utf-16")),)
        except UnicodeDecodeError as error:
            raise refuse(say("This is not UTF-16 text.")) from error
    encoding = None
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        encoding = "cp1252"  # a spreadsheet of western Europe or America saved it as plain CSV
    return (_of_text(plain_text.decode(data, encoding=encoding, largest_bytes=MOST_BYTES)),)


# --- text -------------------------------------------------------------------------------------


def _of_text(text: str) -> CellSheet:
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    found = re.search("[\x00-\x08\x0b\x0c\x0e-\x1f]", plain)
    if found:
        line = plain.count("\n", 0, found.start()) + 1
        raise refuse(say("This holds a character that is no text."), line=line)
    if "\t" in plain and '"' not in plain:
        # Out of a spreadsheet: a tab between cells, nothing to unquote.
        rows = [
            CellRow(number, cells)
            for number, line in enumerate(plain.split("\n"), 1)
            if any(cells := tuple(cell.strip() for cell in line.split("\t")))
        ]
    else:
        separator = "\t" if "\t" in plain else separator_of(plain)
        rows = [CellRow(row.line, row.cells) for row in rows_of(plain, separator)]
    if not rows:
        raise refuse(say("There is nothing in it."))
    _check_size(len(rows))
    return CellSheet("", tuple(rows))


def _check_size(rows: int) -> None:
    if rows > MOST_ROWS:
        raise refuse(
            say(
                "More than %(most)s lines. Import them in parts.",
                most=Number(MOST_ROWS, ","),
            )
        )


# --- workbooks --------------------------------------------------------------------------------


def _of_workbook(data: bytes) -> tuple[CellSheet, ...]:
    names, has_macros = _check_archive(data)
    if not ({"xl/workbook.xml", "content.xml"} & names):
        raise refuse(say("This is no spreadsheet. Save the table as .xlsx, .ods or CSV."))
    from python_calamine import CalamineError, CalamineWorkbook, SheetVisibleEnum

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = []
        for about in book.sheets_metadata[:MOST_SHEETS]:
            if about.visible != SheetVisibleEnum.Visible:
                continue
            sheet = book.get_sheet_by_name(about.name)
            rows = tuple(_rows(sheet.to_python(skip_empty_area=False)))
            if rows:
                _check_size(len(rows))
                merged = tuple(
                    (a + 1, b + 1, c + 1, d + 1)
                    for (a, b), (c, d) in (sheet.merged_cell_ranges or ())
                )
                found.append(CellSheet(about.name, rows, merged, _notes(has_macros)))
    except (CalamineError, ValueError, OSError) as error:
        raise refuse(
            say("The workbook can’t be read. Save it again as .xlsx, .ods or CSV.")
        ) from error
    if not found:
        raise refuse(say("There is nothing in it."))
    return tuple(found)


def _notes(has_macros: bool) -> tuple[Words, ...]:
    return (say("The workbook holds macros. We read its cells and run nothing."),) * has_macros


def _rows(values: Sequence[Sequence[Any]]) -> Iterator[CellRow]:
    for number, row in enumerate(values, 1):
        cells = [value.strip() if type(value) is str else _text(value) for value in row]
        while cells and not cells[-1]:
            cells.pop()
        if any(cells):
            if any(len(cell) > LONGEST_CELL for cell in cells):
                column = next(i for i, cell in enumerate(cells, 1) if len(cell) > LONGEST_CELL)
                raise refuse(
                    say(
                        "%(cell)s holds more than %(most)s characters.",
                        cell=address_of(column, number),
                        most=Number(LONGEST_CELL, ","),
                    ),
                    line=number,
                )
            yield CellRow(number, tuple(cells))


def _text(value: Any) -> str:
    """A cell's value as somebody would type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, datetime):
        is_day = value.time() == time(0)
        return value.date().isoformat() if is_day else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat("minutes")
    if isinstance(value, timedelta):
        return str(value)
    return str(value).strip()


def _check_archive(data: bytes) -> tuple[set[str], bool]:
    """The names in a workbook's archive, after its true size was counted; and if it has macros.

    Raises UnreadableFile for what is broken, encrypted, too much, or reaches too far.
    """
    total = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            files = archive.infolist()
            if len(files) > MOST_FILES:
                raise refuse(say("The archive holds too many files to be a spreadsheet."))
            if any(file.flag_bits & 1 for file in files):
                raise refuse(say("The workbook has a password. Save it without one."))
            names = {file.filename for file in files}
            for file in files:
                whole = bytearray()
                with archive.open(file) as unpacked:
                    # Counted as it comes out: the size in the directory may be a lie.
                    while piece := unpacked.read(262_144):
                        total += len(piece)
                        if total > MOST_UNPACKED_BYTES:
                            raise _too_large()
                        if file.filename.endswith(".xml"):
                            whole += piece
                if file.filename.startswith("xl/worksheets/"):
                    _check_corner(bytes(whole))
                elif file.filename == "content.xml":
                    _check_repeats(bytes(whole))
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, RuntimeError) as error:
        raise refuse(say("The workbook is broken. Save it again as .xlsx, .ods or CSV.")) from error
    except Exception as error:
        if isinstance(error, UnreadableFile):
            raise
        raise refuse(say("The workbook is broken. Save it again as .xlsx, .ods or CSV.")) from error
    return names, any(name.endswith("vbaProject.bin") for name in names)


def _too_large() -> UnreadableFile:
    return refuse(
        say(
            "Unpacked, the workbook has over %(most)s MB. Copy the cells into a new one.",
            most=MOST_UNPACKED_BYTES // 1_000_000,
        )
    )


def _check_corner(sheet: bytes) -> None:
    """Refuse a sheet whose last cell makes a table that fills the memory."""
    last_row, last_column, last = 0, 0, b""
    for letters, digits in _REFERENCE.findall(sheet):
        row, column = int(digits), 0
        for letter in letters.upper():
            column = column * 26 + letter - 64
        if row > last_row or column > last_column:
            last = letters + digits
        last_row, last_column = max(row, last_row), max(column, last_column)
    if last_row * last_column > MOST_CELLS:
        raise refuse(
            say(
                "A sheet reaches as far as %(cell)s. Delete the empty rows and columns past the "
                "table, or copy the table into a new workbook.",
                cell=quoted(last.decode("ascii")),
            )
        )


def _check_repeats(content: bytes) -> None:
    """Refuse an OpenDocument sheet whose repeated cells make a table that fills the memory."""
    parser = expat.ParserCreate(namespace_separator=" ")
    seen = {"cells": 0, "of_row": 0, "times": 1}
    cells = {_TABLE + "table-cell", _TABLE + "covered-table-cell"}

    def begin(name: str, attributes: dict[str, str]) -> None:
        if name == _TABLE + "table-row":
            seen["times"] = int(attributes.get(_TABLE + "number-rows-repeated", 1))
            seen["of_row"] = 0
        elif name in cells and _OFFICE + "value-type" in attributes:
            seen["of_row"] += int(attributes.get(_TABLE + "number-columns-repeated", 1))

    def end(name: str) -> None:
        if name == _TABLE + "table-row":
            seen["cells"] += seen["of_row"] * seen["times"]
            if seen["cells"] > MOST_CELLS:
                raise _too_large()

    def no_entities(*_what: Any) -> None:
        raise refuse(say("The workbook is broken. Save it again as .xlsx, .ods or CSV."))

    parser.StartElementHandler, parser.EndElementHandler = begin, end
    parser.StartDoctypeDeclHandler = no_entities
    parser.EntityDeclHandler = no_entities
    parser.Parse(content, True)
