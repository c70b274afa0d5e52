"""JSON from a file, with what people get wrong told in words."""

from __future__ import annotations

import json
from typing import Any, NoReturn

from labbench.formats.faults import UnreadableFileError, shown


def read_json(data: bytes, name: str) -> object:
    """The value in the bytes of a JSON file, UTF-8 with or without byte-order mark; `name` is what messages call the file.

    Raises
    ------
    UnreadableFileError
        If it is not JSON, has a key twice in one object, or holds NaN or an infinite number, which JSON has not.
    """

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        seen: dict[str, Any] = {}
        for key, value in pairs:
            if key in seen:
                raise UnreadableFileError(f'{name} has the key "{shown(key)}" twice in one object')
            seen[key] = value
        return seen

    def refused(constant: str) -> NoReturn:
        raise UnreadableFileError(f"{name} holds {constant}, which is not a number")

    try:
        return json.loads(data.decode("utf-8-sig"), object_pairs_hook=unique, parse_constant=refused)
    except UnreadableFileError:
        raise
    except UnicodeDecodeError as broken:
        raise UnreadableFileError(f"{name} is not UTF-8 text") from broken
    except json.JSONDecodeError as broken:
        place = f"line {broken.lineno}, character {broken.colno}"
        raise UnreadableFileError(f"{name} is not JSON: {broken.msg.lower()} at {place}") from broken
    except (ValueError, RecursionError) as broken:
        raise UnreadableFileError(f"{name} is not JSON that can be read") from broken
