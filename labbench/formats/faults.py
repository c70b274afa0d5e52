"""What is wrong with a file, fault by fault, with the row and the column where it was found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from labbench.formats.number_texts import number_text


class UnreadableFileError(Exception):
    """The file can't be read any further; its text says why, in words for whoever sent the file."""

    def __init__(self, message: str, row: int | None = None) -> None:
        super().__init__(message)
        self.row = row


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong.

    Attributes
    ----------
    row : int or None
        The file's own row number, the header being row 1 where it comes first; None where no row is to blame.
    column : str or None
        Name of the column in the header; None where no column is to blame.
    message : str
        What the value is and which rule it breaks.
    """

    row: int | None
    column: str | None
    message: str

    def __str__(self) -> str:
        places = []
        if self.row is not None:
            places.append(f"row {self.row}")
        if self.column is not None:
            places.append(f"column {self.column}")
        return f"{', '.join(places)}: {self.message}" if places else self.message


def lines_of(faults: Sequence[Fault], left_out: int) -> list[str]:
    """One line per fault, and a last one that counts those left out."""
    lines = [str(fault) for fault in faults]
    return [*lines, f"and {number_text(left_out)} more"] if left_out else lines


@dataclass(slots=True)
class FaultList:
    """Faults as they are found, in any order; only the first `most` by row are kept, the rest are counted.

    A sheet of 100,000 rows with a wrong column must not cost 100,000 messages: each check hands in its rows in
    ascending order, so that the first `most` of every check hold the first `most` of all.
    """

    most: int
    found: int = 0
    _kept: list[Fault] = field(default_factory=list)

    def add(self, row: int | None, column: str | None, message: str) -> None:
        """Note one fault."""
        self.found += 1
        self._kept.append(Fault(row, column, message))
        if len(self._kept) > 4 * self.most + 1000:
            self._kept = self._first()

    def add_each(self, rows: Sequence[int], column: str | None, message_at: Callable[[int], str]) -> None:
        """Note one fault per row number of one check; `message_at` gets the position within `rows`, which ascend."""
        listed = min(len(rows), self.most)
        for position in range(listed):
            self.add(rows[position], column, message_at(position))
        self.found += len(rows) - listed

    def first(self) -> tuple[Fault, ...]:
        """The faults to list: those of the whole file first, then by row, at most `most`."""
        return tuple(self._first())

    @property
    def left_out(self) -> int:
        """How many faults were found beyond those listed."""
        return max(self.found - self.most, 0)

    def _first(self) -> list[Fault]:
        # Sorting is stable: within a row the faults stay in the order of the checks, which is that of the columns.
        return sorted(self._kept, key=lambda fault: -1 if fault.row is None else fault.row)[: self.most]


def shown(text: str, most: int = 40) -> str:
    """A cell's text as a message quotes it: on one line, cut, with unprintable characters spelled out."""
    spelled = text[:most]
    if not spelled.isprintable():
        spelled = "".join(character if character.isprintable() else f"\\u{ord(character):04x}" for character in spelled)
    return spelled if len(text) <= most else spelled + "…"
