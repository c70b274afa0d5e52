"""The text of a cell: made comparable, checked for what can't be seen, and guarded against being run as a formula."""

from __future__ import annotations

import re
import unicodedata

from labbench.formats.faults import shown
from labbench.formats.tables import MarkedText

# Marks that take no room and carry no meaning in a code or a level; two levels must not differ by them.
INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad"))
# A spreadsheet runs a cell as a formula if it begins with one of these, the full-width forms included.
FORMULA_BEGINNING = re.compile(r"'*[=+\-@\uff1d\uff0b\uff0d\uff20]")
PLAIN_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


def cleaned(text: str) -> str:
    """The text without blanks at its ends, each inner run of white space (line breaks too) as one space, in NFC.

    Decomposed letters, no-break spaces and marks without width would make two levels of one.
    """
    if not text.isascii():
        text = unicodedata.normalize("NFC", text.translate(INVISIBLE))
    spaced = " ".join(text.split())
    # The same object where nothing changes: most cells are clean, and there may be millions.
    return text if spaced == text else spaced


def cleaned_lines(text: str) -> str:
    """The same, but line breaks inside the text stay, as ``\\n``."""
    return (
        "\n".join(cleaned(line) for line in text.strip().splitlines())
        if "\n" in text or "\r" in text
        else cleaned(text)
    )


def text_fault(text: str, most_characters: int) -> str | None:
    """What makes a cleaned text unfit to be stored, or None."""
    if len(text) > most_characters:
        return f"{shown(text, 20)} is longer than {most_characters} characters"
    if text.isprintable():
        return None
    for character in text:
        if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Cn") and character != "\n":
            return f"{shown(text)} contains U+{ord(character):04X}, a character that can't be seen"
    return None


def guarded(text: str) -> str:
    """Text for a CSV cell that no spreadsheet takes for a formula: an apostrophe goes before such beginnings.

    `unguarded` takes it off again, so that what is written and read is the same; numbers need no guard.
    """
    if FORMULA_BEGINNING.match(text) and not PLAIN_NUMBER.fullmatch(text):
        return "'" + text
    return text


def unguarded(text: str) -> str:
    """The text without the one apostrophe that `guarded` put before a formula's beginning."""
    return text[1:] if text.startswith("'") and FORMULA_BEGINNING.match(text) else text


def marked_fault(cell: MarkedText, *, is_number: bool) -> str:
    """What is wrong with a cell whose text alone would mislead."""
    match cell.mark:
        case "date":
            return f"{cell} is a date, not " + (
                "a number" if is_number else "a name: store the cell as text if a name was meant"
            )
        case "error":
            return f"{shown(cell)} is an error value of the spreadsheet"
        case "percent":
            return (
                f"{cell} is shown as a percentage: store it as a plain number, "
                "so that it can't be taken for a hundred times more or less"
            )
        case "no result":
            return "is a formula whose result is not stored in the file: replace it by its value"
