"""How much of a file is read before it is refused: what keeps a careless or hostile upload from filling the memory."""

from __future__ import annotations

from dataclasses import dataclass

MEBIBYTE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of one reading; each is far above what a lab's sheet needs.

    Attributes
    ----------
    file_bytes : int
        Of the file as it arrives.
    unpacked_bytes : int
        Of all members of a workbook together, as declared and as really unpacked.
    packing_ratio : int
        Unpacked over packed size of a member above a megabyte. Worksheets of repeated values stay below 100;
        deflate itself ends near 1,030.
    members : int
        Files inside a workbook.
    rows, columns, cells : int
        Of the table; `cells` bounds their product.
    levels : int
        Names of one categorical factor; a numeric factor may have another number for each coupon.
    text_characters : int
        Of one cell.
    faults : int
        Faults that are listed; the rest are counted.
    preview_rows : int
        Rows whose text is kept for showing.
    """

    file_bytes: int = 64 * MEBIBYTE
    unpacked_bytes: int = 256 * MEBIBYTE
    packing_ratio: int = 250
    members: int = 2_000
    rows: int = 200_000
    columns: int = 200
    cells: int = 3_000_000
    levels: int = 1_000
    text_characters: int = 200
    faults: int = 1_000
    preview_rows: int = 200


DEFAULT = Limits()
