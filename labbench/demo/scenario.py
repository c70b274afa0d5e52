"""The four studies of the workshop. Which coupons fail is drawn at random with the chances named here.

Elimination: the chance to crack out hangs on the resin lot alone. The lamp that came in at the same time was mostly used with that lot.
Qualification: one of four lamps has faded and shines unevenly; repairs cured under it fail more often and are weaker.
Small study: three coupons per arm, too few to say anything.
Dose study: what counts is the dose where the lamp is dimmest, not the name of the lamp nor the time by itself.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

from labbench.demo.lab_records import Record
from labbench.demo.study_records import StudyRecords, failing_round, other, stamp

PROFILE = ["Freeze, heat, cool", 1]
FAILING = {"2609-C": 0.85, "2605-A": 0.05}
# (lot, lamp): coupons in the first and in the second load. The first was cured as the workshop had worked, new lot under new lamp;
# the second pulls the two apart.
ARMS = {
    ("2609-C", "LED-2"): (10, 5),
    ("2609-C", "LED-1"): (0, 4),
    ("2609-C", "TUBE-1"): (0, 3),
    ("2605-A", "LED-2"): (1, 3),
    ("2605-A", "LED-1"): (6, 4),
    ("2605-A", "TUBE-1"): (5, 3),
}


def elimination_study(rng: Random) -> Record:
    """Two loads done, a third prepared."""
    book = StudyRecords(rng, {
        "code": "EL-26-11", "title": "Autumn repairs of coach windscreens crack out", "state": "running", "lead": "lead",
        "question": "Since October repairs of coach windscreens crack out in the first cold nights. Lamp LED-2 came in September, "
                    "lot 2609-C of resin V40 a little later. Is it the lamp, the lot, the cure time, the break type, or who repairs?",
        "profile": PROFILE, "procedure_version": ["REP-01", 2], "rounds_planned": 3, "confidence": 0.95, "margin": 0.15, "is_blind": True,
        "created_at": "2026-10-29T14:00", "started_at": "2026-10-30T08:00", "closed_at": None,
    })  # fmt: skip
    book.factor("resin_lot", "resin_lot", [["V40", "2605-A"], ["V40", "2609-C"]], baseline=["V40", "2609-C"])
    book.factor("lamp", "lamp", ["LED-1", "LED-2", "TUBE-1"], baseline="LED-2")
    book.factor("cure_time_s", "number", [90.0, 150.0], baseline=90.0)
    book.factor("break_type", "text", ["bullseye", "star"])
    book.factor("technician", "technician", ["technician", "technician2"])
    # A load takes twelve test coupons beside its controls; two lamps stand on the bench, and the suspected lot runs out.
    book.plan = {
        "settings": {"places_per_load": 14, "loads_ready": 2, "reference_per_load": 1, "unrepaired_per_load": 1},
        "factors": [
            {"name": "resin_lot", "reference": ["V40", "2605-A"]},
            {"name": "lamp", "reference": "LED-1", "is_hard_to_change": True, "levels_per_session": 2},
            {"name": "cure_time_s", "reference": 150.0},
        ],
        "stock": [{"name": "resin_lot", "level": ["V40", "2609-C"], "coupons": 34}],
    }
    for number, first_freeze in enumerate((datetime(2026, 11, 3, 15, 30), datetime(2026, 11, 17, 15, 30))):
        name = f"Load {number + 1}"
        coupons, fates = [], {}
        for (lot, lamp), counts in ARMS.items():
            for _ in range(counts[number]):
                levels = {"resin_lot": ["V40", lot], "lamp": lamp}
                coupons.append(book.coupon("test", "G-44", first_freeze - timedelta(days=4, hours=5), levels=levels))
        spread_evenly(rng, coupons, "cure_time_s", [90.0, 150.0])
        spread_evenly(rng, coupons, "technician", ["technician", "technician2"])
        spread_evenly(rng, coupons, "break_type", ["bullseye", "star"])
        for coupon in coupons:
            coupon["break_type"] = coupon["levels"]["break_type"]
            coupon["legs"] = rng.randint(3, 6) if coupon["break_type"] == "star" else 0
            fates[coupon["code"]] = failing_round(rng, FAILING[coupon["levels"]["resin_lot"][1]])
        reference = book.coupon("reference", "G-44", first_freeze - timedelta(days=4, hours=5))
        bare = book.coupon("unrepaired", "G-44", first_freeze - timedelta(days=4, hours=5))
        fates |= {reference["code"]: None, bare["code"]: 1}
        repaired_at = first_freeze - timedelta(days=1, hours=7, minutes=20)
        for turn, coupon in enumerate(rng.sample(coupons, len(coupons))):
            levels = coupon["levels"]
            book.repair(
                coupon,
                bench_time(repaired_at, turn // 2),
                technician=levels["technician"],
                resin_lot=levels["resin_lot"],
                lamp=levels["lamp"],
                cure_time_s=levels["cure_time_s"],
                # The old pit resin stood on the second technician's bench on the first morning of load 2.
                pit_lot="P-098" if number == 1 and turn < 6 and levels["technician"] == "technician2" else "P-117",
            )
        book.repair(
            reference,
            bench_time(repaired_at, 12),
            technician="technician",
            resin_lot=["V90", "0426"],
            lamp="LED-1",
            cure_time_s=150.0,
        )
        book.load(name, [*coupons, reference, bare], first_freeze)
        looked_at = [*coupons, reference, bare]
        for place, coupon in enumerate(looked_at):
            repairer = coupon["levels"].get("technician", "technician")
            book.looks(coupon, first_freeze, fates[coupon["code"]], inspector=other(repairer), place=place)
    blind_slips(book)
    door = datetime(2026, 11, 18, 6, 10)
    book.deviation("chamber", door, "Door of freezer F-1 found open; air at -11 °C, coupons near -14 °C. Closed at once.", load="Load 2",
                   reason="Door not latched after the evening round.", by="technician")  # fmt: skip
    prepared = [book.coupon("test", "G-44", datetime(2026, 11, 23, 10, 30)) for _ in range(12)]
    reference = book.coupon("reference", "G-44", datetime(2026, 11, 23, 10, 30))
    book.load("Load 3", [*prepared, reference], datetime(2026, 12, 1, 15, 30), is_run=False)
    book.loads[-1] |= {"created_at": "2026-11-24T09:00", "ready_at": "2026-12-01T12:00"}
    return book.document()


def spread_evenly(rng: Random, coupons: list[Record], factor: str, levels: list[object]) -> None:
    """Random allocation, the levels equally often within each resin lot."""
    for lot in FAILING:
        arm = [coupon for coupon in coupons if coupon["levels"]["resin_lot"][1] == lot]
        for place, coupon in enumerate(rng.sample(arm, len(arm))):
            coupon["levels"][factor] = levels[place % len(levels)]


def bench_time(start: datetime, turn: int, minutes: int = 24) -> datetime:
    """When a bench's n-th repair of a day is made; the lunch hour is kept."""
    at = start + timedelta(minutes=minutes * turn)
    return at if at.hour < 12 else at + timedelta(hours=1)


def blind_slips(book: StudyRecords) -> None:
    """On the last day of load 2 one technician was alone, and so looked at two coupons of their own."""
    repairers = {row["coupon"]: row["technician"] for row in book.repairs}
    last_day = [
        row
        for row in book.inspections
        if row["round_number"] == 3 and row["seen_at"] > "2026-11-19" and row["coupon"] in repairers
    ]
    for row in last_day[:2]:
        row["inspector"] = repairers[row["coupon"]]


WINTER_LOADS = (
    ("Load 1", datetime(2026, 11, 30, 15, 30), ("F-2", "O-2", "B-1"), 1, None),
    ("Load 2", datetime(2026, 12, 7, 15, 30), ("F-1", "O-1", "B-1"), 2, "2026-12-11T12:00"),
    ("Load 3", datetime(2026, 12, 7, 15, 30), ("F-2", "O-2", "B-1"), 1, "2026-12-18T12:00"),
)


def winter_study(rng: Random) -> Record:
    """Loads that are planned for the next weeks, one of them in the programmable chamber: nothing has run yet."""
    book = StudyRecords(rng, {
        "code": "WI-26-12", "title": "Stars and bullseyes of the winter series", "state": "running", "lead": "lead",
        "question": "Do star breaks hold three rounds as well as bullseyes, repaired with the resin lot that held in autumn?",
        "profile": PROFILE, "procedure_version": ["REP-01", 2], "rounds_planned": 3, "confidence": 0.95, "margin": 0.15, "is_blind": True,
        "created_at": "2026-11-20T10:00", "started_at": "2026-11-20T11:00", "closed_at": None,
    })  # fmt: skip
    book.factor("break_type", "text", ["bullseye", "star"], baseline="bullseye")
    prepared_at = datetime(2026, 11, 24, 8, 30)
    planned = {"created_at": "2026-11-24T14:00"}

    def load_of_ten() -> list[Record]:
        test = [
            book.coupon("test", "G-33", prepared_at, levels={"break_type": kind}, break_type=kind)
            for kind in ("bullseye", "star") * 4
        ]
        return [*test, book.coupon("reference", "G-33", prepared_at), book.coupon("unrepaired", "G-33", prepared_at)]

    for name, first_freeze, chambers, priority, due_at in WINTER_LOADS:
        book.load(name, load_of_ten(), first_freeze, is_run=False, chambers=chambers)
        book.loads[-1] |= planned | {"priority": priority, "due_at": due_at}
    start = datetime(2026, 11, 30, 8, 30)
    # Three rounds of least soaks: (480 + 120 + 30) min each.
    run = {"round": None, "step": None, "chamber": "C-1", "planned_start": stamp(start)}
    run["planned_end"] = stamp(start + timedelta(minutes=3 * (480 + 120 + 30)))
    book.load("Load 4", load_of_ten(), start, is_run=False)
    book.loads[-1] |= planned | {"bookings": [run], "priority": 1, "due_at": None}
    return book.document()


LAMP_CHANCES = {"LED-1": 0.04, "LED-2": 0.04, "LED-3": 0.66, "TUBE-1": 0.06}
LAMP_STRENGTH = {"LED-1": 0.86, "LED-2": 0.88, "LED-3": 0.63, "TUBE-1": 0.83}
NEW_GLASS_MPA = 58.0
CURE_S = {"LED-1": 120.0, "LED-2": 120.0, "LED-3": 120.0, "TUBE-1": 240.0}


def qualification_study(rng: Random) -> Record:
    """Resin V90 under four lamps, twelve coupons each, with strength."""
    book = StudyRecords(rng, {
        "code": "QU-26-09", "title": "Resin V90 under the workshop's four lamps", "state": "closed", "lead": "lead",
        "question": "The supplier of resin V90 wants to know under which of our lamps it may be used: do repairs hold three rounds, "
                    "and how strong are they beside new glass?",
        "profile": PROFILE, "procedure_version": ["REP-01", 2], "rounds_planned": 3, "confidence": 0.95, "margin": 0.15, "is_blind": True,
        "created_at": "2026-09-10T09:00", "started_at": "2026-09-11T08:00", "closed_at": "2026-10-14T16:00",
    })  # fmt: skip
    book.factor("lamp", "lamp", list(LAMP_CHANCES))
    book.factor("break_type", "text", ["bullseye", "star"])
    survivors = []
    starts = (datetime(2026, 9, 15, 15, 30), datetime(2026, 9, 22, 15, 30), datetime(2026, 9, 29, 15, 30))
    for number, first_freeze in enumerate(starts):
        coupons = []
        for lamp in LAMP_CHANCES:
            for kind in ("bullseye", "star", "bullseye", "star"):
                coupons.append(book.coupon("test", "G-33", first_freeze - timedelta(days=4, hours=5),
                                           levels={"lamp": lamp, "break_type": kind}, break_type=kind))  # fmt: skip
        references = [book.coupon("reference", "G-33", first_freeze - timedelta(days=4, hours=5)) for _ in range(2)]
        bare = book.coupon("unrepaired", "G-33", first_freeze - timedelta(days=4, hours=5))
        repaired_at = first_freeze - timedelta(days=1, hours=7, minutes=20)
        for turn, coupon in enumerate(rng.sample(coupons, len(coupons))):
            lamp = coupon["levels"]["lamp"]
            book.repair(coupon, bench_time(repaired_at, turn // 2), technician=("technician", "technician2")[turn % 2],
                        resin_lot=["V90", "0426"], lamp=lamp, cure_time_s=CURE_S[lamp])  # fmt: skip
        for turn, coupon in enumerate(references):
            book.repair(coupon, bench_time(repaired_at, 8 + turn), technician="technician", resin_lot=["V40", "2605-A"], lamp="TUBE-1",
                        cure_time_s=240.0)  # fmt: skip
        book.load(f"Load {number + 1}", [*coupons, *references, bare], first_freeze)
        repairers = {row["coupon"]: row["technician"] for row in book.repairs}
        handled = coupons[6] if number == 1 else None
        for place, coupon in enumerate([*coupons, *references, bare]):
            chance = 1.0 if coupon is bare else 0.0 if coupon in references else LAMP_CHANCES[coupon["levels"]["lamp"]]
            fate = failing_round(rng, chance, (0.3, 0.3, 0.4)) if coupon is not bare else 1
            if coupon is handled:
                book.looks(
                    coupon, first_freeze, None, inspector=other(repairers[coupon["code"]]), place=place, last_round=2
                )
                dropped = first_freeze + timedelta(days=1, hours=20, minutes=40)
                book.withdrawals.append({"coupon": coupon["code"], "at": stamp(dropped), "by": "technician2",
                                         "reason": "slipped from the rack on the way to the freezer and broke"})  # fmt: skip
                continue
            book.looks(
                coupon, first_freeze, fate, inspector=other(repairers.get(coupon["code"], "technician")), place=place
            )
            if fate is None:
                survivors.append(coupon)
    late = book.delay("Load 2", 2, 3, 21)
    book.deviation("late_transfer", late, "Oven to cool-down bench took 26 min; 10 min are allowed.", load="Load 2", by="technician2",
                   reason="A coupon had slipped in the rack and was looked for.")  # fmt: skip
    new_glass = [book.coupon("pristine", "G-33", datetime(2026, 10, 5, 9, 0)) for _ in range(12)]
    for turn, coupon in enumerate(rng.sample([*survivors, *new_glass], len(survivors) + len(new_glass))):
        share = (
            1.0
            if coupon["role"] == "pristine"
            else LAMP_STRENGTH[coupon["levels"]["lamp"]]
            if coupon["levels"]
            else 0.87
        )
        stress = NEW_GLASS_MPA * share * rng.weibullvariate(1.045, 11)
        at = datetime(2026, 10, 6 + turn // 30, 9, 0) + timedelta(minutes=11 * (turn % 30))
        origin = "elsewhere" if coupon["role"] == "pristine" or rng.random() < 0.3 else "at_repair"
        book.break_it(
            coupon, at, stress, thickness_mm=6.76, origin=origin, by="technician" if turn < 30 else "technician2"
        )
    retyped = book.strength_tests[17]
    book.corrections.append({
        "kind": "strength_test", "coupon": retyped["coupon"], "at": "2026-10-08T10:05", "by": "technician",
        "reason": "Digits changed over when typing; the test machine's printout has the force as corrected.",
        "changes": {"force_n": retyped["force_n"]},
    })  # fmt: skip
    retyped["force_n"] = changed_over(retyped["force_n"])
    return book.document()


def changed_over(force_n: float) -> float:
    """A force with its last two digits in the wrong order (or ten more, where they are alike)."""
    tens, ones = int(force_n) // 10 % 10, int(force_n) % 10
    return float(int(force_n) // 100 * 100 + 10 * ones + tens) if tens != ones else force_n + 10


def small_study(rng: Random) -> Record:
    """Three coupons with the cover on, three without."""
    book = StudyRecords(rng, {
        "code": "CO-26-10", "title": "Cover of TUBE-2 on or off", "state": "closed", "lead": "lead",
        "question": "May the cover of lamp TUBE-2 stay on while a repair cures? A quick trial with six coupons.",
        "profile": PROFILE, "procedure_version": ["REP-01", 2], "rounds_planned": 3, "confidence": 0.95, "margin": 0.15, "is_blind": True,
        "created_at": "2026-10-16T11:00", "started_at": "2026-10-16T12:00", "closed_at": "2026-10-23T15:00",
    })  # fmt: skip
    book.factor("cover", "text", ["off", "on"])
    first_freeze = datetime(2026, 10, 20, 15, 30)
    coupons = [
        book.coupon("test", "G-33", datetime(2026, 10, 16, 13, 0), levels={"cover": cover}, break_type="bullseye")
        for cover in ("off", "on") * 3
    ]
    reference = book.coupon("reference", "G-33", datetime(2026, 10, 16, 13, 0), break_type="bullseye")
    fates = dict(zip([c["code"] for c in coupons], [None, 2, 3, 1, None, 2], strict=True))
    for turn, coupon in enumerate(rng.sample(coupons, len(coupons))):
        # The bench meter was away for a survey during the first two.
        book.repair(coupon, bench_time(datetime(2026, 10, 19, 9, 0), turn), technician="technician2", resin_lot=["V40", "2605-A"],
                    lamp="TUBE-2", cure_time_s=180.0, is_cover_on=coupon["levels"]["cover"] == "on",
                    meter="RM-2" if turn < 2 else "RM-1")  # fmt: skip
    book.repair(reference, bench_time(datetime(2026, 10, 19, 9, 0), 6), technician="technician2", resin_lot=["V40", "2605-A"], lamp="LED-1",
                cure_time_s=150.0)  # fmt: skip
    book.load("Load 1", [*coupons, reference], first_freeze)
    for place, coupon in enumerate([*coupons, reference]):
        book.looks(coupon, first_freeze, fates.get(coupon["code"]), inspector="technician", place=place)
    return book.document()


# (lamp, cure time in s): coupons. LED-3 is dim between its emitters: at the coldest place it gives a tenth of what LED-1 gives.
DOSE_ARMS = {
    ("LED-1", 60.0): 2,
    ("LED-1", 120.0): 2,
    ("LED-1", 240.0): 1,
    ("TUBE-1", 60.0): 4,
    ("TUBE-1", 120.0): 3,
    ("TUBE-1", 240.0): 1,
    ("LED-3", 60.0): 2,
    ("LED-3", 240.0): 3,
    ("LED-3", 480.0): 4,
}
# Irradiance at the coldest place of each lamp's survey of August (mW/cm²), about.
COLDEST = {"LED-1": 6.1, "TUBE-1": 2.85, "LED-3": 0.6}
ENOUGH_MJ_CM2 = 220.0


def dose_study(rng: Random) -> Record:
    """Lamps against cure times: repairs that got too little light anywhere crack out."""
    book = StudyRecords(rng, {
        "code": "DO-26-10", "title": "How long to cure under each lamp", "state": "closed", "lead": "lead",
        "question": "Repairs under LED-3 fail unless they cure very long, some under TUBE-1 fail too. Is it the lamp, the time, or the "
                    "dose that the dimmest place gets?",
        "profile": PROFILE, "procedure_version": ["REP-01", 2], "rounds_planned": 3, "confidence": 0.95, "margin": 0.15, "is_blind": True,
        "created_at": "2026-10-01T09:00", "started_at": "2026-10-01T10:00", "closed_at": "2026-10-12T15:00",
    })  # fmt: skip
    book.factor("lamp", "lamp", ["LED-1", "LED-3", "TUBE-1"])
    book.factor("cure_time_s", "number", [60.0, 120.0, 240.0, 480.0])
    first_freeze = datetime(2026, 10, 6, 15, 30)
    prepared_at = datetime(2026, 10, 2, 10, 30)
    coupons = [
        book.coupon("test", "G-33", prepared_at, levels={"lamp": lamp, "cure_time_s": cure_s}, break_type="bullseye")
        for (lamp, cure_s), count in DOSE_ARMS.items()
        for _ in range(count)
    ]
    reference = book.coupon("reference", "G-33", prepared_at, break_type="bullseye")
    fates: dict[str, int | None] = {}
    for coupon in coupons:
        levels = coupon["levels"]
        is_enough = COLDEST[levels["lamp"]] * levels["cure_time_s"] >= ENOUGH_MJ_CM2
        fates[coupon["code"]] = failing_round(rng, 0.03 if is_enough else 0.95)
    start = datetime(2026, 10, 5, 8, 20)
    for turn, coupon in enumerate(rng.sample(coupons, len(coupons))):
        levels = coupon["levels"]
        book.repair(coupon, bench_time(start, turn // 2), technician=("technician", "technician2")[turn % 2],
                    resin_lot=["V40", "2605-A"], lamp=levels["lamp"], cure_time_s=levels["cure_time_s"])  # fmt: skip
    book.repair(
        reference,
        bench_time(start, 11),
        technician="technician",
        resin_lot=["V40", "2605-A"],
        lamp="LED-1",
        cure_time_s=150.0,
    )
    book.load("Load 1", [*coupons, reference], first_freeze)
    repairers = {row["coupon"]: row["technician"] for row in book.repairs}
    for place, coupon in enumerate([*coupons, reference]):
        book.looks(
            coupon, first_freeze, fates.get(coupon["code"]), inspector=other(repairers[coupon["code"]]), place=place
        )
    return book.document()
