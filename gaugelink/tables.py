"""Tables as people, spreadsheets and loggers write them: their text, what parts the columns, and how numbers look."""

import codecs
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

_STATED = re.compile(r'"?sep=([,;\t|])"?', re.IGNORECASE)
"""The line that spreadsheet programs put first to say what parts the columns."""
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+")
"""A number whose thousands may be parted."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a table is written. Where commas do not part the columns, one within a number is its decimal point."""

    delimiter: str
    """Comma, semicolon, tab, or a bar where the table says so."""

    @property
    def decimal_comma(self) -> bool:
        """Whether a number may have a decimal comma."""
        return self.delimiter != ","

    def number(self, cell: str) -> float:
        """The number in a cell. Raises ValueError when there is none."""
        return float(cell.replace(",", ".") if self.decimal_comma else cell)

    def surplus(self, header: Sequence[str], cells: Sequence[str]) -> str | None:
        """What is wrong with a row that has more cells than there are columns, and the way out; None when it has not.

        That is what decimal commas between commas look like: read on, a number would lose what is behind its comma.
        """
        count = len(named(cells))
        if count <= len(header):
            return None
        told = f"there are {count} cells under {len(header)} columns; put quotes around a cell that has the "
        told += "separator in it"
        return told if self.decimal_comma else f"{told}, and part the columns by semicolons where commas are decimal"

    def in_thousands(self, cell: str) -> float | None:
        """The number in a cell where its comma or point parts the thousands; None where it cannot."""
        if not self.decimal_comma or not _GROUPED.fullmatch(cell.strip()):
            return None
        return float(re.sub("[.,]", "", cell))

    def two_ways(self, columns: Sequence[Sequence[str]]) -> tuple[int, str] | None:
        """Place of a number, in columns of numbers, that may be another one than is read, and why; None where none is.

        In a spreadsheet's numbers commas or points may part the thousands. They may where every one of a column has
        three digits behind it, and either stands only in some of its numbers or the other one is used too.
        """
        if not self.decimal_comma:
            return None
        used = [mark for mark in ".," if any(mark in cell for cells in columns for cell in cells)]
        for cells in columns:
            for mark in used:
                marked = [cell for cell in cells if mark in cell]
                sure = len(used) == 1 and len(marked) == len(cells)
                if marked and not sure and all(_GROUPED.fullmatch(cell.strip()) for cell in marked):
                    cell = marked[0].strip()
                    told = f"in {cell} the {'comma' if mark == ',' else 'point'} may part the thousands or the decimals"
                    return cells.index(marked[0]), f"{told}; write all numbers with as many decimals and nothing else"
        return None


@dataclass(frozen=True, slots=True)
class Table:
    """A table from its header on."""

    lines: list[str]
    """With their ends."""
    above: int
    """Lines above them in the file."""
    dialect: Dialect


def named(cells: Sequence[str]) -> list[str]:
    """Cells without the empty ones at their end: spreadsheets write as many in every row as the longest has."""
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return list(cells[:count])


def dialect_of(header_line: str) -> Dialect:
    """How a table with this first line is written: by the separator that is there most often."""
    return Dialect(max(",;\t", key=header_line.count))


def text_of(raw: bytes) -> str:
    """The text of a file: UTF-8, or the UTF-16 that spreadsheets call Unicode, which begins with its mark.

    Raises:
        UnicodeError: it is neither.
    """
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    text = raw.decode("utf-16" if wide else "utf-8-sig")
    if "\0" in text:
        raise UnicodeError("there is a zero character in it, as in what is no text and in UTF-16 without its mark")
    return text


def table_of(text: str, is_header: Callable[[Sequence[str]], bool] = lambda names: False) -> Table:
    """Find a table's header under a first line ``sep=;``, empty lines, and comments that begin with ``#``.

    Args:
        text: of the whole file.
        is_header: whether these names, in small letters, are those of a header: a comment that is one is taken for it,
            as some loggers write theirs.
    """
    lines = text.splitlines(keepends=True)
    stated = _STATED.fullmatch(lines[0].rstrip("\r\n")) if lines else None
    above = 1 if stated else 0
    while above < len(lines):
        line = lines[above].lstrip()
        if line.startswith("#"):
            line = line.lstrip("# ")
            if is_header(names_of(line, Dialect(stated[1]) if stated else dialect_of(line))):
                lines[above] = line
                break
        elif line:
            break
        above += 1
    if above == len(lines):
        return Table([], 0, Dialect(","))
    return Table(lines[above:], above, Dialect(stated[1]) if stated else dialect_of(lines[above]))


def names_of(header_line: str, dialect: Dialect) -> list[str]:
    """The names in a header without quotes, in small letters."""
    return [name.strip().strip('"').casefold() for name in header_line.split(dialect.delimiter)]
