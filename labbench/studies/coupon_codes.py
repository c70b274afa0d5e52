"""Codes for new coupons: counted up, or drawn so that they tell nothing about the arm."""

from __future__ import annotations

import secrets
from collections.abc import Collection

# No letters that are read as digits or as one another, and no vowels, so that no words come out.
CODE_LETTERS = "23456789BCDFGHJKMNPQRTVWXZ"
CODE_LENGTH = 4


def counted_codes(prefix: str, count: int, present: Collection[str]) -> list[str]:
    """Codes with running numbers, going on behind the largest that is there."""
    endings = [code.removeprefix(prefix) for code in present if code.startswith(prefix)]
    last = max((int(ending) for ending in endings if ending.isdecimal() and len(ending) < 10), default=0)
    width = max(2, len(str(last + count)))
    return [f"{prefix}{number:0{width}}" for number in range(last + 1, last + count + 1)]


def random_codes(prefix: str, count: int, present: Collection[str]) -> list[str]:
    """Codes drawn at random, each once."""
    # Longer codes where many are wanted, so that a misread letter seldom gives another coupon's code.
    length = CODE_LENGTH + (count + len(present) > 1000)
    taken = set(present)
    codes: list[str] = []
    while len(codes) < count:
        code = prefix + "".join(secrets.choice(CODE_LETTERS) for _ in range(length))
        if code not in taken:
            taken.add(code)
            codes.append(code)
    return codes
