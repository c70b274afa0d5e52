"""LEVELS.json: what a lab could run beyond what the sheet shows, checked against the sheet's factors.

The file is ``{"levels": {factor: [level, ...]}, "impossible": [{factor: level, ...}], "left": {factor: {level: coupons}},
"levels_per_load": {factor: levels}, "baseline": {factor: level}}``; any key may be absent. `left` names the coupons that a
level is still enough for, `levels_per_load` how many levels of a factor one load can have, `baseline` the repair that failed
and whose cause is looked for.
Levels of the sheet need not be repeated. A combination that occurs in the sheet may well be impossible by now (a lot
that is used up), so that is noted, not refused.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import numpy as np

from labbench.formats.cell_text import cleaned, text_fault
from labbench.formats.factor_levels import level_text, natural_order
from labbench.formats.faults import Fault, FaultList, UnreadableFileError, lines_of, shown
from labbench.formats.json_documents import read_json
from labbench.formats.limits import DEFAULT, Limits
from labbench.formats.number_texts import number_text
from labbench.formats.tables import listed
from labbench.formats.uploads import Readable, read_upload
from labbench.science.sheet import CouponSheet, FactorColumn, Level, RunnableLevels

MOST_LEVELS = 200
MOST_IMPOSSIBLE = 10_000
LARGEST_LEVEL = 1e12
KEYS = ("levels", "impossible", "left", "levels_per_load", "baseline")


@dataclass(frozen=True, slots=True)
class LevelsReading:
    """What came of reading a levels file; `levels` is None as soon as there is one fault."""

    levels: RunnableLevels | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        return lines_of(self.faults, self.faults_left_out)


def levels_of_sheet(sheet: CouponSheet) -> RunnableLevels:
    """What can be run if nothing else is said: the levels of the sheet, in every combination."""
    return RunnableLevels({factor.name: factor.levels for factor in sheet.factors}, ())


def read_runnable_levels(data: bytes | Readable, sheet: CouponSheet, *, limits: Limits = DEFAULT) -> LevelsReading:
    """Read a levels file; never raises for what is in the file.

    Parameters
    ----------
    data : bytes or binary file
        JSON.
    sheet : CouponSheet
        Names the factors, says which are numeric and brings the levels that were run.
    limits : Limits

    Returns
    -------
    LevelsReading
        With levels (those of the sheet among them, numbers ascending, names in natural order), or with every fault.
    """
    faults = FaultList(limits.faults)
    try:
        document = _object(read_json(read_upload(data, limits).data, "the levels file"))
    except UnreadableFileError as refused:
        faults.add(None, None, str(refused))
        return LevelsReading(None, faults.first())
    _check_keys(document, faults)
    factors = {factor.name: factor for factor in sheet.factors}
    levels = _read_levels(document.get("levels", {}), factors, faults, limits)
    impossible = _read_impossible(document.get("impossible", []), factors, levels, faults, limits)
    left = _read_left(document.get("left", {}), factors, levels, faults, limits)
    per_load = _read_levels_per_load(document.get("levels_per_load", {}), factors, faults)
    baseline = _read_baseline(document.get("baseline", {}), factors, levels, faults, limits)
    if faults.found:
        return LevelsReading(None, faults.first(), faults.left_out)
    runnable = RunnableLevels(levels, impossible, left, per_load, baseline)
    return LevelsReading(runnable, (), notes=tuple(_notes(sheet, impossible)))


def _object(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise UnreadableFileError('the levels file must hold an object with the keys "levels" and "impossible"')
    return value


def _check_keys(document: dict[str, Any], faults: FaultList) -> None:
    for key in document:
        if key not in KEYS:
            faults.add(None, None, f'"{shown(key)}" is not a key of a levels file; {_meant(key, KEYS)}')


def _read_levels(
    stated: object, factors: dict[str, FactorColumn], faults: FaultList, limits: Limits
) -> dict[str, tuple[Level, ...]]:
    """Levels per factor of the sheet: its own and those stated."""
    extra: dict[str, list[Level]] = {name: [] for name in factors}
    if not isinstance(stated, dict):
        faults.add(None, None, "levels: must be an object of factors")
        stated = {}
    for name, values in stated.items():
        where = f"levels.{shown(name)}"
        if name not in factors:
            faults.add(None, None, f"{where}: is not a factor of the sheet; {_meant(name, factors)}")
        elif not isinstance(values, list):
            faults.add(None, None, f"{where}: must be a list of levels")
        else:
            extra[name] = _read_level_list(where, values, factors[name], faults, limits)
    levels: dict[str, tuple[Level, ...]] = {}
    for name, factor in factors.items():
        together = dict.fromkeys((*factor.levels, *extra[name]))
        if len(together) > MOST_LEVELS and extra[name]:
            faults.add(None, None, f"levels.{shown(name)}: more than {MOST_LEVELS} levels")
        levels[name] = _in_order(together)
    return levels


def _read_level_list(
    where: str, values: list[Any], factor: FactorColumn, faults: FaultList, limits: Limits
) -> list[Level]:
    places: dict[Level, int] = {}
    for place, value in enumerate(values):
        level = _level(f"{where}[{place}]", value, factor, faults, limits)
        if level is None:
            continue
        if level in places:
            faults.add(None, None, f"{where}[{place}]: {level_text(level)} is already at [{places[level]}]")
        places.setdefault(level, place)
    return list(places)


def _read_impossible(
    stated: object,
    factors: dict[str, FactorColumn],
    levels: dict[str, tuple[Level, ...]],
    faults: FaultList,
    limits: Limits,
) -> tuple[dict[str, Level], ...]:
    """Combinations that can't be made, each once."""
    if not isinstance(stated, list):
        faults.add(None, None, "impossible: must be a list of combinations")
        return ()
    if len(stated) > MOST_IMPOSSIBLE:
        faults.add(None, None, f"impossible: more than {number_text(MOST_IMPOSSIBLE)} combinations")
        return ()
    combinations = []
    for place, pairs in enumerate(stated):
        where = f"impossible[{place}]"
        if not isinstance(pairs, dict) or not pairs:
            faults.add(None, None, f"{where}: must be an object with at least one factor and its level")
            continue
        combination: dict[str, Level] = {}
        for name, value in pairs.items():
            if name not in factors:
                faults.add(None, None, f"{where}: {shown(name)} is not a factor of the sheet; {_meant(name, factors)}")
                continue
            level = _level(f"{where}.{shown(name)}", value, factors[name], faults, limits)
            if level is not None and level not in levels[name]:
                names = [level_text(known) for known in levels[name]]
                meant = _meant(level_text(level), names)
                faults.add(None, None, f"{where}.{shown(name)}: {shown(level_text(level))} is not a level; {meant}")
            elif level is not None:
                combination[name] = level
        if combination not in combinations:
            combinations.append(combination)
    return tuple(combinations)


def _read_left(
    stated: object,
    factors: dict[str, FactorColumn],
    levels: dict[str, tuple[Level, ...]],
    faults: FaultList,
    limits: Limits,
) -> dict[str, dict[Level, int]]:
    """Coupons that a level is still enough for, of the levels named."""
    found: dict[str, dict[Level, int]] = {}
    for name, counts in _factors_in("left", stated, factors, faults):
        if not isinstance(counts, dict):
            faults.add(None, None, f"left.{shown(name)}: must be an object of levels and coupons")
            continue
        for key, count in counts.items():
            where = f"left.{shown(name)}.{shown(key)}"
            level = _level(where, _number_or_text(key, factors[name]), factors[name], faults, limits)
            if level is not None and level not in levels[name]:
                meant = _meant(level_text(level), [level_text(known) for known in levels[name]])
                faults.add(None, None, f"{where}: is not a level; {meant}")
            elif level is not None and _is_count(count, least=0):
                found.setdefault(name, {})[level] = count
            elif level is not None:
                faults.add(None, None, f"{where}: must be a whole number of coupons, 0 or more")
    return found


def _read_levels_per_load(stated: object, factors: dict[str, FactorColumn], faults: FaultList) -> dict[str, int]:
    found = {}
    for name, count in _factors_in("levels_per_load", stated, factors, faults):
        if _is_count(count, least=1):
            found[name] = count
        else:
            faults.add(None, None, f"levels_per_load.{shown(name)}: must be a whole number, 1 or more")
    return found


def _read_baseline(
    stated: object,
    factors: dict[str, FactorColumn],
    levels: dict[str, tuple[Level, ...]],
    faults: FaultList,
    limits: Limits,
) -> dict[str, Level]:
    """The level of the repair that failed, of the factors named."""
    found = {}
    for name, value in _factors_in("baseline", stated, factors, faults):
        where = f"baseline.{shown(name)}"
        level = _level(where, value, factors[name], faults, limits)
        if level is not None and level not in levels[name]:
            meant = _meant(level_text(level), [level_text(known) for known in levels[name]])
            faults.add(None, None, f"{where}: {shown(level_text(level))} is not a level; {meant}")
        elif level is not None:
            found[name] = level
    return found


def _factors_in(
    key: str, stated: object, factors: dict[str, FactorColumn], faults: FaultList
) -> Iterable[tuple[str, Any]]:
    """Factors of the sheet that an object names, with their values; a fault for each that is none."""
    if not isinstance(stated, dict):
        faults.add(None, None, f"{key}: must be an object of factors")
        return
    for name, value in stated.items():
        if name in factors:
            yield name, value
        else:
            faults.add(None, None, f"{key}.{shown(name)}: is not a factor of the sheet; {_meant(name, factors)}")


def _is_count(value: object, *, least: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and least <= value <= LARGEST_LEVEL


def _number_or_text(key: str, factor: FactorColumn) -> str | float:
    """A level as JSON can name it in an object: always a text, though it may mean a number."""
    if factor.kind != "numeric":
        return key
    try:
        return float(key)
    except ValueError:
        return key


def _level(where: str, value: object, factor: FactorColumn, faults: FaultList, limits: Limits) -> Level | None:
    """A stated level as the factor's kind holds it, or None with a fault."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        faults.add(None, None, f"{where}: a level must be a text or a number")
        return None
    if factor.kind == "numeric":
        if isinstance(value, str):
            faults.add(None, None, f'{where}: "{shown(value)}" is a text, but {factor.name} has numbers in the sheet')
            return None
        if abs(value) > LARGEST_LEVEL:
            faults.add(None, None, f"{where}: the number is absurdly large")
            return None
        return float(value) + 0.0
    text = cleaned(value if isinstance(value, str) else level_text(value))
    refused = text_fault(text, limits.text_characters) if text else "the level is blank"
    if refused is not None:
        faults.add(None, None, f"{where}: {refused}")
        return None
    return text


def _in_order(levels: Iterable[Level]) -> tuple[Level, ...]:
    numbers = sorted(level for level in levels if not isinstance(level, str))
    names = sorted((level for level in levels if isinstance(level, str)), key=natural_order)
    return (*numbers, *names)


def _notes(sheet: CouponSheet, impossible: tuple[dict[str, Level], ...]) -> Iterable[str]:
    """A note for each impossible combination that was run nevertheless."""
    for combination in impossible:
        was_run = np.ones(len(sheet.coupons), dtype=np.bool_)
        for factor in sheet.factors:
            if factor.name in combination:
                level = combination[factor.name]
                code = factor.levels.index(level) if level in factor.levels else -2
                was_run &= factor.codes == code
        if was_run.any():
            pairs = ", ".join(f"{name} = {level_text(level)}" for name, level in combination.items())
            coupon = sheet.coupons[int(np.argmax(was_run))]
            yield f"{pairs} is called impossible, though coupon {coupon} has it: it is not proposed again"


def _meant(name: str, names: Iterable[str]) -> str:
    known = list(names)
    near = get_close_matches(name, known, n=1, cutoff=0.6)
    return f"did you mean {near[0]}?" if near else f"known: {listed(known) or 'none'}"
