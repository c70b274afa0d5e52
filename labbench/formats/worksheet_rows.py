"""Rows of a worksheet as XML: numbers as numbers, texts as texts, never as formulas.

Elements and attributes after ECMA-376 part 1, 18.3.1.4 (c), 18.3.1.73 (row), 18.3.1.53 (is), 18.18.11 (types of a cell). The
library that writes the rest of a workbook makes an object of every cell, which takes ten times as long.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from xml.sax.saxutils import escape

from openpyxl.utils import get_column_letter
from openpyxl.utils.datetime import to_excel

from labbench.formats.cell_text import FORMULA_BEGINNING

Cell = str | int | float | bool | date | datetime | None

LONGEST_TEXT = 32_767
# Characters that XML 1.0 (section 2.2) can't hold, and the format's own way of writing a character by its number
# (ECMA-376 part 1, 22.9.2.19), whose underscore has to be written so itself where it is meant as it stands.
NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
TO_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)|\r")
# Texts come again and again (a lot, an outcome, a time); notes do not, so only so many are kept.
TEXTS_KEPT = 4096


@dataclass(frozen=True, slots=True)
class CellStyles:
    """Numbers of the workbook's styles: of a text that stays one after an edit, of a day, of a time."""

    quoted: int
    day: int
    time: int


def storable(text: str) -> str:
    """A text as a cell can hold it."""
    return TO_ESCAPE.sub(lambda found: f"_x{ord(found[0]):04X}_", NOT_IN_XML.sub("\ufffd", text[:LONGEST_TEXT]))


def rows_xml(rows: Iterable[Sequence[Cell]], styles: CellStyles, *, first: int = 1) -> Iterator[str]:
    """One ``row`` element for each row, numbered from `first`. Empty cells and texts are left out.

    Texts stay texts, whatever they begin with; numbers keep their full precision. NaN and infinite numbers are blank. A time
    with a zone is written as ISO text, because a worksheet's times have none.
    """
    text_xml = texts(styles.quoted)
    letters: list[str] = []
    for number, row in enumerate(rows, start=first):
        while len(letters) < len(row):
            letters.append(get_column_letter(len(letters) + 1))
        cells = "".join(
            f'<c r="{letter}{number}"{content}</c>'
            for letter, value in zip(letters, row, strict=False)
            if value is not None
            and (content := text_xml(value) if type(value) is str else cell_xml(value, styles, text_xml))
        )
        yield f'<row r="{number}">{cells}</row>'


def cell_xml(value: str | int | float | date, styles: CellStyles, text_xml: Callable[[str], str]) -> str:
    """The rest of a ``c`` element behind its place; "" for a number that is none and a text without a letter."""
    if isinstance(value, str):
        return text_xml(value)
    if isinstance(value, bool):
        return f' t="b"><v>{value:d}</v>'
    if isinstance(value, float):
        return f"><v>{float(value)!r}</v>" if math.isfinite(value) else ""
    if isinstance(value, datetime):
        if value.tzinfo is not None:
            return text_xml(value.isoformat())
        return f' s="{styles.time}"><v>{to_excel(value)!r}</v>'
    if isinstance(value, date):
        return f' s="{styles.day}"><v>{to_excel(value)!r}</v>'
    return f"><v>{int(value)}</v>"


def texts(quoted: int) -> Callable[[str], str]:
    """Makes text cells; the last ones are kept."""

    @lru_cache(maxsize=TEXTS_KEPT)
    def text_xml(text: str) -> str:
        if not text:
            return ""
        style = f' s="{quoted}"' if FORMULA_BEGINNING.match(text) else ""
        held = storable(text)
        space = ' xml:space="preserve"' if held != held.strip() or "\n" in held or "  " in held else ""
        return f'{style} t="inlineStr"><is><t{space}>{escape(held)}</t></is>'

    return text_xml
