"""Decimal commas between commas that part the columns: ``6,8,7,1`` may be four cells, or 6.8 and 7.1.

Where a row has spare columns behind its pressures it can be read both ways without a mistake, and one of them is wrong
without a word. So a row that decimal commas in its pressures would explain as well is told, unless the file shows that
its commas part the columns alone.
"""

import re
from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field

_WHOLE = re.compile(r"\d+")
_FRACTION = re.compile(r"\d{1,2}")
"""What is behind a decimal comma in any unit."""
POINTED = re.compile(r"\d+\.\d+")
"""A number with a decimal point."""
QUOTED = re.compile(r'"\d+"')
"""A whole number in quotes, which is a cell of its own."""
NUMBERS = ("counter", "altitude_m", "ambient_abs_kpa")
"""Columns of numbers besides the pressures, that a decimal comma may be in too."""


@dataclass(slots=True)
class Commas:
    """What the rows of a notebook show of its commas."""

    width: int
    """Columns of the header, with those that have no name."""
    pointed: bool = False
    """Whether a pressure has a decimal point."""
    whole: set[int] = field(default_factory=set)
    """How many cells those rows have in which the first pressure is followed by what is no fraction of it: with as many
    columns filled, another row has no decimal comma either."""
    doubts: list[tuple[int, int, str]] = field(default_factory=list)
    """Line, number of cells, and what may be read two ways."""

    def doubt(self, line: int, cells: int, whole: str, fraction: str) -> None:
        """Note that a row can be read two ways, with two cells that may be one pressure."""
        two = f"{whole},{fraction} may be two cells, or {whole}.{fraction} with a decimal comma"
        way_out = f"part the columns by semicolons where commas are decimal, and write {whole}.0 where they are not"
        self.doubts.append((line, cells, f"{two}; {way_out}"))

    def unsettled(self) -> Iterator[tuple[int, str]]:
        """Lines, and what is wrong with them."""
        for line, cells, text in self.doubts:
            if not self.pointed and cells not in self.whole:
                yield line, text


def joined(
    header: Sequence[str], cells: Sequence[str], pressures: Sequence[int], width: int
) -> Iterator[tuple[list[str], tuple[str, str]]]:
    """The ways to read a row with decimal commas in its pressures, and the first of them in its two parts.

    Args:
        header: names of the columns, in small letters.
        cells: of the row, with the empty ones at its end.
        pressures: places of the columns of pressures that the row's machine has. None is left out: one that was not
            read is an empty cell.
        width: columns of the header, with those that have no name.
    """
    numbers = {place for place, name in enumerate(header) if name in NUMBERS} | {*pressures}
    given = [cell.strip() for cell in cells]
    for row, pairs in _ways(len(header), given, {*pressures}, numbers):
        fractions = {len(fraction) for place, (_, fraction) in pairs.items() if place in pressures}
        first = next((pair for place, pair in pairs.items() if place in pressures), None)
        # Who writes the empty cells at the end too has counted them.
        if first is not None and len(fractions) == 1 and (given[-1] or len(given) - len(pairs) == width):
            yield row, first


def _ways(
    columns: int, cells: Sequence[str], pressures: AbstractSet[int], numbers: AbstractSet[int], place: int = 0
) -> Iterator[tuple[list[str], dict[int, tuple[str, str]]]]:
    """All ways to put cells into the columns from `place` on, where two may be one number; those by their places."""
    if place == columns:
        if not any(cells):
            yield [], {}
        return
    if place in pressures and not cells:
        return
    if place in numbers and len(cells) > 1 and _WHOLE.fullmatch(cells[0]) and _FRACTION.fullmatch(cells[1]):
        number, behind = f"{cells[0]}.{cells[1]}", _ways(columns, cells[2:], pressures, numbers, place + 1)
        yield from (([number, *row], {place: (cells[0], cells[1]), **pairs}) for row, pairs in behind)
    cell, behind = cells[0] if cells else "", _ways(columns, cells[1:], pressures, numbers, place + 1)
    yield from (([cell, *row], pairs) for row, pairs in behind)


def no_fraction(cells: Sequence[str], pressures: Sequence[int], digits: int) -> bool:
    """Whether the first pressure is followed by a number of more digits than a pressure has behind its comma."""
    first = next((place for place in pressures if cells[place : place + 1] and cells[place].strip()), None)
    after = "" if first is None else "".join(cells[first + 1 : first + 2]).strip()
    return _WHOLE.fullmatch(after) is not None and len(after) > digits
