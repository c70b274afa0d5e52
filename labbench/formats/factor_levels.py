"""A factor's column of texts to its levels: what is a number, in which order levels stand, which ones are unknown."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.faults import FaultList, shown
from labbench.formats.number_texts import number_text
from labbench.formats.tables import listed
from labbench.science.sheet import UNIT_SUFFIXES, FactorColumn, Level

# Quantities below these are not possible; the other suffixes name differences or shares, which may be negative.
LOWEST_BY_SUFFIX = {"_c": -273.15} | dict.fromkeys(("_s", "_min", "_h", "_mm", "_mpa", "_mw_cm2", "_mj_cm2"), 0.0)
# More names than this, most of them for one coupon, are rather codes or remarks than levels.
MANY_LEVELS = 30
NUMBER_WITH_MORE = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)? ?(?:[^\W\d_]|[%°µ])")
WORDS_FOR_BLANK = frozenset(("?", "-", "--", "n/a", "na", "nan", "none", "null", "unknown", "tbd"))


@dataclass(frozen=True, slots=True)
class DecimalMarks:
    """How a file writes numbers: see `read_number`."""

    decimal_commas: bool = False
    points_are_certain: bool = True

    def number(self, text: str) -> float | NumberFault:
        """The number a cleaned text means, or why it means none."""
        return read_number(text, decimal_commas=self.decimal_commas, points_are_certain=self.points_are_certain)


def natural_order(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Sort key that puts L2 before L10 and does not let capitals decide, unless nothing else does."""
    parts = re.split(r"([0-9]+)", name)
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part.casefold()) for part in parts if part], name


def unit_suffix(factor: str) -> str | None:
    """The unit a factor's name ends in, or None."""
    lower = factor.lower()
    return max((suffix for suffix in UNIT_SUFFIXES if lower.endswith(suffix)), key=len, default=None)


def read_factor(
    name: str,
    cells: list[str],
    row_numbers: list[int],
    *,
    marks: DecimalMarks,
    most_levels: int,
    faults: FaultList,
    notes: list[str],
) -> FactorColumn:
    """The factor in a column of cleaned texts, "" where not known.

    It is numeric if its name ends in a unit and all its values are numbers. A text that must have been meant as a
    number but is none (``inf``, ``1,200``) is a fault in such a column, not a name.
    """
    distinct = dict.fromkeys(cells)
    distinct.pop("", None)
    suffix = unit_suffix(name)
    if suffix is not None:
        read = {text: marks.number(text) for text in distinct}
        names = [
            text for text, number in read.items() if isinstance(number, NumberFault) and not number.is_meant_as_number
        ]
        if not names:
            return _numeric(name, suffix, cells, read, row_numbers, faults)
        # Where no value is a number, the ending of the name may well mean no unit, unless a value begins like one.
        doubtful = names if len(names) < len(distinct) else [text for text in names if NUMBER_WITH_MORE.match(text)]
        if doubtful:
            row = row_numbers[cells.index(doubtful[0])]
            notes.append(
                f"factor.{name} is read as names, not as numbers, because of {shown(doubtful[0])} in row {row}"
            )
    if len(distinct) > most_levels:
        message = (
            f"has {number_text(len(distinct))} different levels, and a factor of names has at most "
            f"{number_text(most_levels)}: is it one?"
        )
        faults.add(None, f"factor.{name}", message)
        return FactorColumn(name, "categorical", (), np.full(len(cells), -1, dtype=np.int64))
    _note_doubtful(name, distinct, notes)
    if len(distinct) > MANY_LEVELS and 2 * len(distinct) > sum(map(bool, cells)):
        notes.append(
            f"factor.{name} has {number_text(len(distinct))} levels, most for a single coupon: is it a factor?"
        )
    levels = tuple(sorted(distinct, key=natural_order))
    position: dict[str, int] = {"": -1} | {level: place for place, level in enumerate(levels)}
    return FactorColumn(name, "categorical", levels, _codes(cells, position))


def check_level_names(
    factors: Iterable[FactorColumn],
    row_numbers: NDArray[np.int64],
    allowed: Mapping[str, Collection[Level]],
    faults: FaultList,
) -> None:
    """A fault for each factor that `allowed` does not name, and for each coupon whose level it does not list."""
    for factor in factors:
        column = f"factor.{factor.name}"
        if factor.name not in allowed:
            faults.add(None, column, f"is not a factor of this study{_known(factor.name, allowed)}")
            continue
        known = {_comparable(level) for level in allowed[factor.name]}
        is_known = np.array([_comparable(level) in known for level in factor.levels] + [True])
        unknown = np.flatnonzero(~is_known[factor.codes])
        message = _unknown_level_message(factor, unknown, [level_text(level) for level in allowed[factor.name]])
        faults.add_each(row_numbers[unknown].tolist(), column, message)


def _unknown_level_message(factor: FactorColumn, places: NDArray[np.int64], allowed: list[str]) -> Callable[[int], str]:
    """What makes the message of one of the places; only those that are listed are made, each level's once."""

    @lru_cache
    def of_level(code: int) -> str:
        text = level_text(factor.levels[code])
        return f"{shown(text)} is not a level of this factor{_known(text, allowed)}"

    return lambda at: of_level(int(factor.codes[places[at]]))


def level_text(level: Level) -> str:
    """A level as a message or a file shows it: the shortest text that reads back as the same."""
    if isinstance(level, str):
        return level
    return str(int(level)) if float(level).is_integer() and abs(level) < 1e15 else repr(float(level))


def _numeric(
    name: str,
    suffix: str,
    cells: list[str],
    read: dict[str, float | NumberFault],
    row_numbers: list[int],
    faults: FaultList,
) -> FactorColumn:
    lowest = LOWEST_BY_SUFFIX.get(suffix)
    refused, numbers = {}, {}
    for text, number in read.items():
        if isinstance(number, NumberFault):
            refused[text] = number.message
        elif lowest is not None and number < lowest:
            refused[text] = f"{shown(text)} is negative" if lowest == 0 else f"{shown(text)} is below {lowest}"
        else:
            numbers[text] = number
    if refused:
        places = [place for place, text in enumerate(cells) if text in refused]
        faults.add_each(
            [row_numbers[place] for place in places], f"factor.{name}", lambda at: refused[cells[places[at]]]
        )
    levels = tuple(sorted(set(numbers.values())))
    place_of = {level: place for place, level in enumerate(levels)}
    position = dict.fromkeys(refused, -1) | {"": -1} | {text: place_of[number] for text, number in numbers.items()}
    return FactorColumn(name, "numeric", levels, _codes(cells, position))


def _codes(cells: list[str], position: dict[str, int]) -> NDArray[np.int64]:
    return np.fromiter(map(position.__getitem__, cells), dtype=np.int64, count=len(cells))


def _note_doubtful(name: str, distinct: Iterable[str], notes: list[str]) -> None:
    """Say where levels are probably not meant: two that differ in capitals or zeros only, or a word for "not known"."""
    by_fold: dict[Level, str] = {}
    for text in distinct:
        number = _comparable(text)
        fold = text.casefold() if isinstance(number, str) else number
        if fold in by_fold:
            notes.append(f"factor.{name}: {shown(by_fold[fold])} and {shown(text)} are read as two levels")
            return
        by_fold[fold] = text
    word = next((text for fold, text in by_fold.items() if fold in WORDS_FOR_BLANK), None)
    if word is not None:
        notes.append(f"factor.{name}: {shown(word)} is read as a level; leave the cell blank where it is not known")


def _comparable(level: Level) -> Level:
    """A level as two files or a file and a database agree on it: `60`, `60.0` and ``"60"`` are one."""
    if isinstance(level, str):
        number = read_number(level, decimal_commas=False) if level else level
        return level if isinstance(number, (NumberFault, str)) else number
    return float(level)


def _known(name: str, names: Collection[str]) -> str:
    """What to say about the names there are: the nearest one, else all if they are few."""
    near = get_close_matches(name, list(names), n=1, cutoff=0.7)
    if near:
        return f"; did you mean {near[0]}?"
    return f"; known: {listed(list(names))}" if names else ""
