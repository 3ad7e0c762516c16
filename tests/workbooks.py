"""Workbooks for the tests: `.xlsx` by another library, `.ods` by hand as its standard says."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Sequence
from typing import Any
from xml.sax.saxutils import escape

import openpyxl


def xlsx(*sheets: Iterable[Sequence[Any]], merged: Sequence[str] = ()) -> bytes:
    """An `.xlsx` workbook of these sheets; `merged` are ranges of the first."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, rows in enumerate(sheets, 1):
        sheet = book.create_sheet(f"Sheet{number}")
        for row in rows:
            sheet.append(list(row))
        if number == 1:
            for area in merged:
                sheet.merge_cells(area)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods(rows: Iterable[Sequence[str]], *, tail: str = "") -> bytes:
    """An `.ods` workbook of text cells (OASIS OpenDocument 1.3, part 3, section 9)."""
    body = "".join(
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="string"><text:p>{escape(str(cell))}</text:p>'
            "</table:table-cell>"
            for cell in row
        )
        + "</table:table-row>"
        for row in rows
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    return archive(
        {
            "mimetype": kind,
            "META-INF/manifest.xml": (
                '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
                f'<m:file-entry m:full-path="/" m:media-type="{kind}"/></m:manifest>'
            ),
            "content.xml": (
                f'<?xml version="1.0"?><office:document-content {spaces}><office:body>'
                f'<office:spreadsheet><table:table table:name="Plots">{body}{tail}</table:table>'
                "</office:spreadsheet></office:body></office:document-content>"
            ),
        }
    )


def archive(files: dict[str, str | bytes]) -> bytes:
    """A zip archive of these files."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in files.items():
            made.writestr(name, content)
    return out.getvalue()


def with_file(workbook: bytes, name: str, content: bytes) -> bytes:
    """A workbook with one more file in it, or another in the place of one."""
    with zipfile.ZipFile(io.BytesIO(workbook)) as before:
        files: dict[str, str | bytes] = {f: before.read(f) for f in before.namelist()}
    return archive(files | {name: content})
