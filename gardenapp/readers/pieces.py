"""Lists of pieces to cut and of boards to cut them from, as tables.

Pieces: name, length_mm (or length_in), count, and if wanted section. Boards: name, length_mm (or
length_in), count (empty: as many as one cares to buy), and if wanted section, is_offcut, price
and defects ("100-140; 900-910", in the table's unit of length).
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from gardenapp.messages import Number, Words, say
from gardenapp.readers import plain_text
from gardenapp.readers.csv_rows import Row, headers_of, rows_of, separator_of
from gardenapp.readers.records import Faults, quoted, refuse
from gardenapp.science.timber.cutting import LONGEST_MM, MOST_PIECES, Piece, Stock
from gardenapp.science.units import CM_PER_INCH

_MM_PER_INCH = CM_PER_INCH * 10.0
_NUMBER = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,6})?")
_WITH_COMMA = re.compile(r"[0-9]{1,9},[0-9]{1,6}")
# "5 11/16" is how a rule in inches is read.
_FRACTION = re.compile(r"(?:([0-9]{1,5})[ -])?([0-9]{1,3})/([0-9]{1,3})")
_YES = frozenset({"1", "yes", "y", "true", "x"})
_NO = frozenset({"", "0", "no", "n", "false"})
_LENGTHS = ("length_mm", "length_in")


class _Table:
    """A table with its columns by name, gathering faults on the way."""

    def __init__(self, data: bytes, needed: tuple[str, ...], known: tuple[str, ...]) -> None:
        text = plain_text.decode(data, encoding=None)
        # By the header alone: the list of defects has semicolons of its own.
        separator = separator_of("".join(text.lstrip().splitlines()[:1]))
        self.has_comma_decimals = separator == ";"
        rows = rows_of(text, separator)
        if not rows:
            raise refuse(say("The file is empty."))
        self.faults = Faults()
        headers = [name.strip().lower() for name in headers_of(rows[:1])]
        self.rows = rows[1:]
        self.columns: Mapping[str, int] = {name: i for i, name in enumerate(headers)}
        for name in headers:
            if name not in known:
                self.faults.add(
                    say("is not a column of this table; it has %(known)s", known=", ".join(known)),
                    line=rows[0].line,
                    column=quoted(name),
                )
        for name in needed:
            if name not in self.columns:
                self.faults.add(say("is missing"), line=rows[0].line, column=name)
        lengths = [name for name in _LENGTHS if name in self.columns]
        if len(lengths) != 1:
            self.faults.add(
                say("give the length in one column, length_mm or length_in"),
                line=rows[0].line,
                column="length_mm",
            )
        self.length = lengths[0] if lengths else "length_mm"
        self.faults.raise_if_any()
        if not self.rows:
            raise refuse(say("The table has a header and no rows."), line=rows[0].line)
        for row in self.rows:
            if len(row.cells) > len(headers):
                self.faults.add(
                    say(
                        "has %(cells)s cells and the header %(width)s",
                        cells=len(row.cells),
                        width=len(headers),
                    ),
                    line=row.line,
                )

    def cell(self, row: Row, name: str) -> str:
        index = self.columns.get(name)
        return row.cells[index] if index is not None and index < len(row.cells) else ""

    def fault(self, row: Row, name: str, message: Words) -> None:
        self.faults.add(message, line=row.line, column=name)

    def number(self, row: Row, name: str, text: str) -> float | None:
        """A number of 0 or more; a fault and None where it is none."""
        if self.has_comma_decimals and _WITH_COMMA.fullmatch(text):
            text = text.replace(",", ".")
        if _NUMBER.fullmatch(text):
            return float(text)
        fraction = _FRACTION.fullmatch(text)
        if fraction and self.length == "length_in" and int(fraction[3]):
            return int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3])
        self.fault(row, name, say("%(text)s is not a number of 0 or more", text=quoted(text)))
        return None

    def millimetres(self, row: Row, name: str, text: str) -> float | None:
        """A length in the table's unit, in mm."""
        value = self.number(row, name, text)
        if value is None:
            return None
        # To the ten-thousandth, so that 5 11/16 in is 144.4625 mm and not a hair less.
        return round(value * (_MM_PER_INCH if self.length == "length_in" else 1.0), 4)

    def length_mm(self, row: Row) -> float | None:
        """The row's own length, above 0 and at most 30 m."""
        value = self.millimetres(row, self.length, self.cell(row, self.length))
        if value is not None and not 0.1 <= value <= LONGEST_MM:
            self.fault(
                row, self.length, say("%(value)s mm is outside 0.1 mm to 30 m", value=Number(value))
            )
            return None
        return value

    def count(self, row: Row, *, may_be_empty: bool) -> int | None:
        """A whole number; None with a fault, or where empty means without limit."""
        text = self.cell(row, "count")
        if not text and may_be_empty:
            return None
        if not re.fullmatch(r"[0-9]{1,9}", text):
            self.fault(row, "count", say("%(text)s is not a whole number", text=quoted(text)))
            return None
        return int(text)


def read_pieces(data: bytes) -> tuple[Piece, ...]:
    """Pieces to be cut.

    Raises UnreadableFile with every fault, each with its line and column.
    """
    table = _Table(data, ("name", "count"), ("name", "length_mm", "length_in", "count", "section"))
    pieces = []
    total = 0
    for row in table.rows:
        name = table.cell(row, "name")
        if not name:
            table.fault(row, "name", say("is empty"))
        length_mm = table.length_mm(row)
        count = table.count(row, may_be_empty=False)
        if count == 0:
            table.fault(row, "count", say("is 0; leave the row out"))
        total += count or 0
        if name and length_mm is not None and count:
            pieces.append(Piece(name, length_mm, count, table.cell(row, "section")))
    if total > MOST_PIECES:
        table.faults.add(
            say(
                "asks for %(pieces)s pieces; at most %(most)s",
                pieces=Number(total, ","),
                most=Number(MOST_PIECES, ","),
            ),
            column="count",
        )
    table.faults.raise_if_any()
    return tuple(pieces)


def read_stock(data: bytes) -> tuple[Stock, ...]:
    """Boards to cut from.

    Raises UnreadableFile with every fault, each with its line and column.
    """
    table = _Table(
        data,
        ("name", "count"),
        (
            *("name", "length_mm", "length_in", "count", "section"),
            *("is_offcut", "price", "defects"),
        ),
    )
    stock = []
    for row in table.rows:
        name = table.cell(row, "name")
        if not name:
            table.fault(row, "name", say("is empty"))
        length_mm = table.length_mm(row)
        count = table.count(row, may_be_empty=True)
        is_offcut = _is_offcut(table, row)
        if is_offcut and not table.cell(row, "count"):
            table.fault(row, "count", say("is empty, but offcuts are counted"))
        text = table.cell(row, "price")
        price = table.number(row, "price", text) if text else None
        defects = _defects(table, row, length_mm)
        if name and length_mm is not None:
            stock.append(
                Stock(name, length_mm, count, table.cell(row, "section"), is_offcut, price, defects)
            )
    table.faults.raise_if_any()
    return tuple(stock)


def _is_offcut(table: _Table, row: Row) -> bool:
    text = table.cell(row, "is_offcut").lower()
    if text not in _YES and text not in _NO:
        table.fault(row, "is_offcut", say("%(text)s is neither yes nor no", text=quoted(text)))
    return text in _YES


def _defects(table: _Table, row: Row, length_mm: float | None) -> tuple[tuple[float, float], ...]:
    text = table.cell(row, "defects")
    found = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        ends = [end.strip() for end in part.replace("–", "-").split("-")]
        if len(ends) != 2:
            table.fault(
                row, "defects", say("%(part)s is not a stretch such as 100-140", part=quoted(part))
            )
            continue
        begin, end = (table.millimetres(row, "defects", end) for end in ends)
        if begin is None or end is None:
            continue
        if begin > end or (length_mm is not None and end > length_mm):
            table.fault(
                row, "defects", say("%(part)s does not lie on the board", part=quoted(part))
            )
            continue
        found.append((begin, end))
    return tuple(found)
