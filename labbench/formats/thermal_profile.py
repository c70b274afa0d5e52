"""PROFILE.json: the steps of a thermal profile, how many rounds, how long a transfer may take; with every fault.

``{"rounds": 3, "max_transfer_minutes": 5, "steps": [{"name", "target_c", "tolerance_k", "min_minutes", "max_minutes"}, ...]}``.
``max_minutes`` and ``max_transfer_minutes`` may be null: no limit.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from labbench.formats.cell_text import cleaned, text_fault
from labbench.formats.faults import Fault, FaultList, UnreadableFileError, lines_of, shown
from labbench.formats.json_documents import read_json
from labbench.formats.limits import DEFAULT, Limits
from labbench.formats.number_texts import number_text
from labbench.formats.uploads import Readable, read_upload
from labbench.science.soaks.profile import ProfileStep, ThermalProfile
from labbench.science.soaks.traces import HIGHEST_C, LOWEST_C

MOST_ROUNDS = 1_000
MOST_STEPS = 50
MOST_MINUTES = 1e6
STEP_NUMBERS = ("target_c", "tolerance_k", "min_minutes", "max_minutes")
# Keys other documents of a lab carry for a step or profile; they have no meaning here.
KEYS = ("rounds", "max_transfer_minutes", "steps", "name")
STEP_KEYS = ("name", "kind", "air_c", *STEP_NUMBERS)


@dataclass(frozen=True, slots=True)
class ProfileReading:
    """A profile, or None with every fault; notes name keys that are not read."""

    profile: ThermalProfile | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        return lines_of(self.faults, self.faults_left_out)


def read_thermal_profile(data: bytes | Readable, *, limits: Limits = DEFAULT) -> ProfileReading:
    """Read a profile; never raises for what is in the file."""
    faults = FaultList(limits.faults)
    notes: list[str] = []
    profile = None
    try:
        document = _object(read_json(read_upload(data, limits).data, "the profile"))
        _note_other_keys("profile", document, KEYS, notes)
        rounds = _rounds(document, faults)
        transfer = _number("max_transfer_minutes", document, faults, low=0, high=MOST_MINUTES, may_be_null=True)
        steps = _steps(document, rounds or 1, faults, notes)
        if not faults.found:
            profile = ThermalProfile(rounds or 1, transfer, tuple(steps))
    except UnreadableFileError as refused:
        faults.add(None, None, str(refused))
    return ProfileReading(profile, faults.first(), faults.left_out, tuple(notes))


def _object(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise UnreadableFileError('the profile must be an object with "rounds", "max_transfer_minutes" and "steps"')
    return value


def _note_other_keys(where: str, stated: dict[str, Any], known: tuple[str, ...], notes: list[str]) -> None:
    notes.extend(f'{where}: the key "{shown(key)}" is not read' for key in stated if key not in known)


def _rounds(document: dict[str, Any], faults: FaultList) -> int | None:
    rounds = document.get("rounds")
    if rounds is None:
        faults.add(None, None, "rounds: is missing")
    elif isinstance(rounds, bool) or not isinstance(rounds, (int, float)) or rounds != int(_finite(rounds)):
        faults.add(None, None, f"rounds: {_quoted(rounds)} is not a whole number")
    elif not 1 <= rounds <= MOST_ROUNDS:
        faults.add(None, None, f"rounds: {rounds:g} is not from 1 to {number_text(MOST_ROUNDS)}")
    else:
        return int(rounds)
    return None


def _finite(number: float) -> float:
    try:
        return number if math.isfinite(number) else -1.0
    except OverflowError:
        return -1.0


def _number(
    where: str, stated: dict[str, Any], faults: FaultList, *, low: float, high: float, may_be_null: bool = False
) -> float | None:
    """The number of a key, or None with a fault (or where null means no limit)."""
    key = where.rpartition(".")[2]
    if key not in stated:
        faults.add(None, None, f"{where}: is missing{', null means no limit' if may_be_null else ''}")
        return None
    value = stated[key]
    if value is None and may_be_null:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        faults.add(None, None, f"{where}: {_quoted(value)} is not a number")
    elif not low <= value <= high:
        faults.add(None, None, f"{where}: {_quoted(value)} is not from {low:g} to {high:g}")
    else:
        return float(value)
    return None


def _quoted(value: object) -> str:
    return shown(json.dumps(value, ensure_ascii=False))


def _steps(document: dict[str, Any], rounds: int, faults: FaultList, notes: list[str]) -> list[ProfileStep]:
    stated = document.get("steps")
    if not isinstance(stated, list) or not stated:
        faults.add(None, None, "steps: must be a list with at least one step")
        return []
    if len(stated) > MOST_STEPS:
        faults.add(None, None, f"steps: {len(stated)} steps, {MOST_STEPS} are the most")
        return []
    steps = [_step(f"steps[{place}]", step, place, faults, notes) for place, step in enumerate(stated)]
    whole = [step for step in steps if step is not None]
    if len(whole) == len(steps):
        _check_neighbours(whole, rounds, faults)
    return whole


def _step(where: str, stated: object, place: int, faults: FaultList, notes: list[str]) -> ProfileStep | None:
    if not isinstance(stated, dict):
        faults.add(None, None, f"{where}: must be an object with {', '.join(('name', *STEP_NUMBERS))}")
        return None
    _note_other_keys(where, stated, STEP_KEYS, notes)
    name = _name(where, stated, place, faults)
    target_c = _number(f"{where}.target_c", stated, faults, low=LOWEST_C, high=HIGHEST_C)
    tolerance_k = _number(f"{where}.tolerance_k", stated, faults, low=0, high=100)
    min_minutes = _number(f"{where}.min_minutes", stated, faults, low=0, high=MOST_MINUTES)
    before = faults.found
    max_minutes = _number(f"{where}.max_minutes", stated, faults, low=0, high=MOST_MINUTES, may_be_null=True)
    if tolerance_k == 0:
        faults.add(None, None, f"{where}.tolerance_k: 0 is not above 0: no reading would ever be inside")
    if min_minutes is not None and max_minutes is not None and max_minutes < min_minutes:
        faults.add(None, None, f"{where}.max_minutes: {max_minutes:g} is less than min_minutes {min_minutes:g}")
    if target_c is None or not tolerance_k or min_minutes is None or faults.found > before:
        return None
    return ProfileStep(name, target_c, tolerance_k, min_minutes, max_minutes)


def _name(where: str, stated: dict[str, Any], place: int, faults: FaultList) -> str:
    name = stated.get("name", stated.get("kind", f"step {place + 1}"))
    if not isinstance(name, str) or not cleaned(name):
        faults.add(None, None, f"{where}.name: {_quoted(name)} is not a name")
        return ""
    if (refused := text_fault(cleaned(name), DEFAULT.text_characters)) is not None:
        faults.add(None, None, f"{where}.name: {refused}")
    return cleaned(name)


def _check_neighbours(steps: list[ProfileStep], rounds: int, faults: FaultList) -> None:
    """Steps that follow each other must have bands apart: a trace can't tell one from the other else."""
    pairs = [(place, place + 1) for place in range(len(steps) - 1)]
    if rounds > 1 and len(steps) > 1:
        pairs.append((len(steps) - 1, 0))
    for one, other in pairs:
        if steps[one].overlaps(steps[other]):
            faults.add(
                None,
                None,
                f"steps[{other}]: its band {_band(steps[other])} meets that of steps[{one}] {_band(steps[one])}, which it "
                "follows: a trace can't tell them apart",
            )


def _band(step: ProfileStep) -> str:
    return f"{step.low_c:g} to {step.high_c:g} degC"
