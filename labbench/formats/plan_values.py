"""Values of a lab file: each checked by type and range, a fault with its path for each that can't be."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from typing import Any

from labbench.formats.cell_text import cleaned, text_fault
from labbench.formats.faults import FaultList, shown
from labbench.formats.limits import Limits

TIME = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(:00(?:\.0+)?)?")
CLOCK = re.compile(r"(\d{2}):(\d{2})")
SHOWN_TYPES = {dict: "an object", list: "a list", str: "a text", bool: "true or false", type(None): "null"}


def type_name(value: object) -> str:
    """What a JSON value is, for a message."""
    return SHOWN_TYPES.get(type(value), "a number")


@dataclass(slots=True)
class Values:
    """Reads values and notes what is wrong with them, under the path where they stand."""

    limits: Limits
    faults: FaultList
    notes: list[str]

    def fault(self, path: str, message: str) -> None:
        """Note one fault."""
        self.faults.add(None, None, f"{path}: {message}" if path else message)

    def mapping(
        self, path: str, value: object, required: Iterable[str], optional: Iterable[str] = ()
    ) -> dict[str, Any] | None:
        """The object, with a fault for each key that is missing; keys that aren't used are noted."""
        if not isinstance(value, dict):
            self.fault(path, f"must be an object, not {type_name(value)}")
            return None
        known = [*required, *optional]
        inner = f"{path}." if path else ""
        for key in required:
            if key not in value:
                self.fault(f"{inner}{key}", "is missing")
        for key in value:
            if key in known:
                continue
            near = get_close_matches(key, [name for name in known if name not in value], n=1, cutoff=0.75)
            if near:
                self.fault(f"{inner}{shown(key)}", f"is not a key that is read; did you mean {near[0]}?")
            else:
                self.notes.append(f"{inner}{shown(key)}: not used")
        return value

    def entries(self, path: str, value: object, most: int) -> list[Any]:
        """The list; empty with a fault if it is none or too long."""
        if not isinstance(value, list):
            self.fault(path, f"must be a list, not {type_name(value)}")
            return []
        if len(value) > most:
            self.fault(path, f"has {len(value):,} entries; at most {most:,} are planned together")
            return []
        return value

    def whole(self, path: str, value: object, low: int, high: int, unit: str = "") -> int | None:
        """A whole number from low to high."""
        if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            what = f"{value!r}" if isinstance(value, float) else type_name(value)
            self.fault(path, f"must be a whole number{' of ' + unit if unit else ''}, not {what}")
            return None
        if not low <= value <= high:
            beyond = f"below {low:,}" if value < low else f"above {high:,}"
            self.fault(path, f"{_cut(value)} is {beyond} {unit}".rstrip())
            return None
        return value

    def name(self, path: str, value: object) -> str | None:
        """A text that is not blank and can be seen."""
        if not isinstance(value, str):
            self.fault(path, f"must be a text, not {type_name(value)}")
            return None
        text = cleaned(value)
        refused = text_fault(text, self.limits.text_characters) if text else "is blank"
        if refused is not None:
            self.fault(path, refused)
            return None
        if text != value:
            # Whoever looks the name up in the plan must know that it is written otherwise there.
            self.notes.append(f'{path}: read as "{shown(text)}"')
        return text

    def choice(self, path: str, value: object, choices: tuple[str, ...]) -> str | None:
        """One of some words."""
        if isinstance(value, str) and value in choices:
            return value
        what = f'"{shown(value)}"' if isinstance(value, str) else type_name(value)
        self.fault(path, f"must be one of {', '.join(choices)}, not {what}")
        return None

    def time(self, path: str, value: object) -> datetime | None:
        """A local time to the minute."""
        if not isinstance(value, str):
            self.fault(path, f'must be a time such as "2026-12-07T08:00", not {type_name(value)}')
            return None
        if re.search(r"(?:Z|[+-]\d{2}:?\d{2})$", value) and "T" in value:
            self.fault(path, f'"{shown(value)}" has a time zone; times of a lab are local and without one')
            return None
        match = TIME.fullmatch(value)
        try:
            if match:
                return datetime.fromisoformat(f"{match[1]}T{match[2]}")
        except ValueError:
            pass  # the 30th of February
        self.fault(path, f'"{shown(value)}" is not a time to the whole minute, such as "2026-12-07T08:00"')
        return None

    def clock(self, path: str, value: object) -> int | None:
        """Minutes after midnight, 24:00 included."""
        match = CLOCK.fullmatch(value) if isinstance(value, str) else None
        minutes = int(match[1]) * 60 + int(match[2]) if match and int(match[2]) < 60 else 1441
        if minutes > 24 * 60:
            what = f'"{shown(value)}"' if isinstance(value, str) else type_name(value)
            self.fault(path, f'must be a time of the day from "00:00" to "24:00", not {what}')
            return None
        return minutes


def _cut(value: int) -> str:
    return f"{value:,}" if abs(value) < 10**15 else "the number"
