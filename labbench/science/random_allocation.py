"""Coupons to loads, people and turns at random, as evenly as their levels allow. The generator's seed repeats the draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labbench.science.hypotheses import Integers

# Random draws of which the most even one is taken.
DRAWS = 60


@dataclass(frozen=True, slots=True)
class Allocated:
    """Where each coupon goes; every array has shape (coupons,).

    Attributes
    ----------
    load : ndarray of int
        From 0.
    turn : ndarray of int
        Order of repair over all coupons, from 0, load after load.
    person : ndarray of int
        From 0; all 0 where one person repairs.
    loads : int
    """

    load: Integers
    turn: Integers
    person: Integers
    loads: int


def allocate(
    codes: Integers,
    *,
    places: int,
    rng: np.random.Generator,
    people: int = 1,
    hard: tuple[int, ...] = (),
    levels_per_load: tuple[int | None, ...] | None = None,
) -> Allocated:
    """Allocate coupons at random, blocked by load and by person.

    Every load and every person gets each level about equally often: of 60 random draws, in which a coupon goes where its
    levels are rarest so far, the most even one is taken. Within a load the order of repair is random; where factors are
    hard to change it is random within their levels, and the order of these is random.

    Parameters
    ----------
    codes : ndarray of int, shape (coupons, factors)
        Level numbers.
    places : int
        Coupons of a load.
    rng : numpy.random.Generator
    people : int
    hard : tuple of int
        Factors that are hard to change, the hardest first.
    levels_per_load : tuple of (int or None), optional
        For each factor how many of its levels one load can have. Loads are added where it takes more.

    References
    ----------
    D. R. Cox, Planning of Experiments (Wiley, 1958), chapters 3 and 5 (from memory): blocking, and randomising within
    the blocks.
    """
    if places < 1 or people < 1:
        raise ValueError("a load needs a place, and a repair a person")
    count = len(codes)
    if not count:
        nobody = np.empty(0, dtype=np.int64)
        return Allocated(nobody, nobody, nobody, 0)
    most = tuple(None for _ in range(codes.shape[1])) if levels_per_load is None else levels_per_load
    draws = [_dealt(codes, places, most, rng) for _ in range(DRAWS)]
    load = min(draws, key=lambda drawn: (int(drawn.max()), _unevenness(codes, drawn)))
    person = np.zeros(count, dtype=np.int64)
    if people > 1:
        shared = [_shared(codes, load, people, rng) for _ in range(DRAWS)]
        person = min(shared, key=lambda drawn: _unevenness(codes, drawn))
    return Allocated(load, _turns(codes, load, hard, rng), person, int(load.max()) + 1)


def _dealt(codes: Integers, places: int, most: tuple[int | None, ...], rng: np.random.Generator) -> Integers:
    """One random deal of the coupons into loads."""
    count = len(codes)
    loads = -(-count // places)
    drawn = np.full(count, -1, dtype=np.int64)
    # Loads as full as one another, the larger ones first at random.
    room = [count // loads + (number < count % loads) for number in range(loads)]
    seen: list[list[dict[int, int]]] = [[{} for _ in range(codes.shape[1])] for _ in range(loads)]
    for coupon in rng.permutation(count):
        fitting = [
            number
            for number in range(len(room))
            if room[number] > 0
            and all(
                limit is None or int(codes[coupon, f]) in seen[number][f] or len(seen[number][f]) < limit
                for f, limit in enumerate(most)
            )
        ]
        if not fitting:
            room.append(places)
            seen.append([{} for _ in range(codes.shape[1])])
            fitting = [len(room) - 1]
        met = [
            sum(levels.get(int(codes[coupon, f]), 0) for f, levels in enumerate(seen[number])) - room[number] / places
            for number in fitting
        ]
        rarest = [number for number, times in zip(fitting, met, strict=True) if times <= min(met) + 1e-9]
        pick = int(rng.choice(rarest))
        drawn[coupon] = pick
        room[pick] -= 1
        for f, levels in enumerate(seen[pick]):
            levels[int(codes[coupon, f])] = levels.get(int(codes[coupon, f]), 0) + 1
    return np.asarray(np.unique(drawn, return_inverse=True)[1].ravel(), dtype=np.int64)


def _shared(codes: Integers, load: Integers, people: int, rng: np.random.Generator) -> Integers:
    """One random share-out among people, as many coupons each within every load as its number allows."""
    person = np.empty(len(codes), dtype=np.int64)
    for number in np.unique(load):
        members = rng.permutation(np.flatnonzero(load == number))
        person[members] = (np.arange(len(members)) + rng.integers(people)) % people
    return person


def _unevenness(codes: Integers, groups: Integers) -> float:
    """How far the counts of each level in each group are from proportional, squared and summed."""
    total = 0.0
    sizes = np.bincount(groups)
    for factor in range(codes.shape[1]):
        levels = np.unique(codes[:, factor], return_inverse=True)[1].ravel()
        table = np.zeros((int(levels.max()) + 1, len(sizes)))
        np.add.at(table, (levels, groups), 1)
        total += float(((table - np.outer(table.sum(axis=1), sizes) / len(codes)) ** 2).sum())
    return total


def _turns(codes: Integers, load: Integers, hard: tuple[int, ...], rng: np.random.Generator) -> Integers:
    """The order of repair: load after load; within one in random order, level by level of what is hard to change."""
    keys = [rng.random(len(codes))]
    for factor in reversed(hard):
        ranks = np.empty((int(load.max()) + 1, int(codes[:, factor].max()) + 1))
        for number in range(len(ranks)):
            ranks[number] = rng.permutation(ranks.shape[1])
        keys.append(ranks[load, codes[:, factor]])
    order = np.lexsort((*keys, load))
    turn = np.empty(len(codes), dtype=np.int64)
    turn[order] = np.arange(len(codes))
    return turn
