"""Many loads on the timeline."""

from datetime import timedelta

from simple_history.utils import bulk_create_with_history

from labbench.bench.models import Booking, Load, LoadPlace
from labbench.studies.models import Coupon
from tests import factories
from tests.bench import chamber_lab as lab


def large_board(loads=100, rounds=4):
    """So many loads of three soaks a round, booked one day after the other over eight chambers."""
    freezers = [lab.chamber(f"F-{n}", "freeze", 24) for n in range(1, 4)]
    ovens = [lab.chamber(f"O-{n}", "heat", 24) for n in range(1, 4)]
    benches = [lab.chamber(f"B-{n}", "cool", 96) for n in range(1, 3)]
    lab.staffed()
    profile = lab.profile(rounds=rounds)
    steps = list(profile.steps.all())
    study = factories.study(profile=profile, rounds_planned=rounds)
    bookings = []
    for number in range(loads):
        load = Load.objects.create(study=study, name=f"Load {number + 1}")
        coupon = Coupon.objects.create(study=study, code=f"L{number}", stage="repaired")
        LoadPlace.objects.create(load=load, coupon=coupon, place=1)
        first = lab.monday(15, 30) + timedelta(hours=6 * (number // 3))
        for turn in range(rounds):
            at = first + timedelta(days=turn)
            for step, room, start, end in zip(
                steps, (freezers, ovens, benches), (0, 16, 18), (16, 18, 23), strict=True
            ):
                bookings.append(
                    Booking(
                        load=load,
                        chamber=room[number % len(room)],
                        step=step,
                        round_number=turn + 1,
                        planned_start=at + timedelta(hours=start),
                        planned_end=at + timedelta(hours=end),
                    )
                )
    bulk_create_with_history(bookings, Booking)
    return study
