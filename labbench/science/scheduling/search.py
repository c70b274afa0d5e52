"""What a search for a plan shares: the best bookings and the proved bound so far, how long it may still go on."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.lab import Booking, Lab, Score, score
from labbench.science.scheduling.runs import Limits


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a search stands: the best plan's score and the proved lower bound of the makespan."""

    best: Score
    bound_minutes: int


@dataclass(slots=True)
class Search:
    """The state of one search.

    Attributes
    ----------
    lab, chains, taken
        What is planned.
    previous : frozenset of Booking
        The plan before, if there was one.
    bookings, best
        The best plan and its score.
    bound_minutes : int
        No plan with as little lateness has a shorter makespan.
    work : float
        What is left of the solver's deterministic time.
    until : float
        When to end on the monotonic clock, whatever is left.
    is_cut : bool
        Whether the clock ended a part of the search before its work was done.
    """

    lab: Lab
    chains: tuple[Chain, ...]
    taken: tuple[Taken, ...]
    previous: frozenset[Booking]
    seed: int
    bookings: dict[str, tuple[Booking, ...]]
    bound_minutes: int
    work: float
    until: float
    is_stopped: Callable[[], bool]
    progress: Callable[[Progress], None]
    best: Score = field(init=False)
    is_cut: bool = False

    def __post_init__(self) -> None:
        self.best = score(self.lab, self.bookings, self.previous)
        self._tell()

    @property
    def soaks(self) -> int:
        """Soaks of all loads together."""
        return sum(len(chain.profile.stages) for chain in self.chains)

    @property
    def is_over(self) -> bool:
        """Whether there is no more time, no more work or somebody asked to stop."""
        return self.work <= 0 or time.monotonic() >= self.until or self.is_stopped()

    @property
    def is_closed(self) -> bool:
        """Whether nothing can be done for the makespan any more."""
        return self.bound_minutes >= self.best.makespan_minutes or self.is_over

    def limits(self, share: float) -> Limits:
        """Limits of a run that may use a share of the work that is left."""
        return Limits(self.work * share, self.until)

    def offer(self, bookings: Mapping[str, tuple[Booking, ...]]) -> bool:
        """Keep the bookings if they are better."""
        found = score(self.lab, bookings, self.previous)
        if found >= self.best:
            return False
        self.bookings, self.best = dict(bookings), found
        self._tell()
        return True

    def raise_bound(self, minutes: int) -> None:
        """Note a proved lower bound of the makespan."""
        if minutes > self.bound_minutes:
            self.bound_minutes = minutes
            self._tell()

    def _tell(self) -> None:
        self.progress(Progress(self.best, min(self.bound_minutes, self.best.makespan_minutes)))
