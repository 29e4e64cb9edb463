"""Tables as people and spreadsheets write them: what parts the columns, and whether a comma is a decimal point."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a table is written. Where commas do not part the columns, one within a number is its decimal point."""

    delimiter: str
    """Comma, semicolon or tab."""

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
        if len(cells) <= len(header):
            return None
        told = f"there are {len(cells)} cells under {len(header)} columns; put quotes around a cell that has the "
        told += "separator in it"
        return told if self.decimal_comma else f"{told}, and part the columns by semicolons where commas are decimal"


def dialect_of(header_line: str) -> Dialect:
    """How a table with this first line is written: by the separator that is there most often."""
    return Dialect(max(",;\t", key=header_line.count))
