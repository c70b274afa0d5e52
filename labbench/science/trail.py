"""How the probabilities moved from load to load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labbench.science.confirmation import ISOLATED, block_order, cause_of, judged_load
from labbench.science.evidence import posterior
from labbench.science.hypotheses import ClassWeights, hypotheses
from labbench.science.isolation import listed_causes
from labbench.science.sheet import CouponSheet, RunnableLevels
from labbench.science.suspects import suspects

MOST_STEPS = 16


@dataclass(frozen=True, slots=True)
class TrailStep:
    """What was known once a load was through.

    Attributes
    ----------
    block : str
    coupons, failed : int
        Of this load.
    coupons_so_far : int
    hypotheses : tuple of (str, float)
        Causes and their probability, most probable first.
    guilt : dict
        Probability per factor of taking part in the cause.
    isolated : str or None
    confirms : bool or None
        Whether this load alone confirms the cause that the loads before it had isolated; None where it could not, being too
        small, or where nothing or another cause was isolated.
    """

    block: str
    coupons: int
    failed: int
    coupons_so_far: int
    hypotheses: tuple[tuple[str, float], ...]
    guilt: dict[str, float]
    isolated: str | None
    confirms: bool | None


def trail(
    sheet: CouponSheet,
    *,
    runnable: RunnableLevels | None = None,
    weights: ClassWeights | None = None,
    load_order: tuple[str, ...] | None = None,
    most: int = MOST_STEPS,
) -> tuple[TrailStep, ...]:
    """A step per load, in the order they ran; of very many loads the last ones.

    Coupons without a load have no known time and are in no step, so the last step need not agree with the analysis of
    the whole sheet. Empty without loads or without a factor that was varied.
    """
    table = suspects(sheet, runnable)
    order = list(load_order or ())
    order += [name for name in block_order(table.data.blocks) if name not in order]
    if not table.factors:
        return ()
    space = hypotheses(table.factors, weights=weights, coupons=table.coupons)
    position = {name: number for number, name in enumerate(order)}
    load = np.array([-1 if block is None else position[str(block)] for block in table.data.blocks], dtype=np.int64)
    steps = []
    causes, _ = space.cause_numbers()
    # The cause isolated by the loads before.
    before = None
    for number in [n for n in range(len(order)) if (load == n).any()][-most:]:
        ran = (load >= 0) & (load <= number)
        so_far = table.data.only(ran)
        found = posterior(space, so_far)
        row, probability = cause_of(found)
        now = int(causes[row]) if probability >= ISOLATED else None
        judged = None
        if now is not None and now == before:
            judged = judged_load(found, row, so_far, order[number], load[ran] == number)
        before = now
        steps.append(
            TrailStep(
                block=order[number],
                coupons=int((load == number).sum()),
                failed=int(table.data.is_failed[load == number].sum()),
                coupons_so_far=len(so_far),
                hypotheses=listed_causes(found),
                guilt={factor.name: found.guilt(f) for f, factor in enumerate(table.factors)},
                isolated=space.text(row) if now is not None else None,
                confirms=None if judged is None else judged.confirmed,
            )
        )
    return tuple(steps)
