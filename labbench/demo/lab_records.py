"""The invented workshop's catalogue: people as roles, resins, lamps with surveys, meters, glass, procedures, chambers.

Temperatures and times of the thermal profile are common practice without a published source (-10 degF air, glass settling near 0 degF,
170 degF, 100 degF); the rest is made up.
"""

from __future__ import annotations

from math import exp, hypot
from random import Random
from typing import Any

Record = dict[str, Any]

PEOPLE: list[Record] = [
    {"username": "lead", "name": "Lab lead", "role": "lead"},
    {"username": "technician", "name": "First technician", "role": "technician"},
    {"username": "technician2", "name": "Second technician", "role": "technician"},
    {"username": "qa", "name": "QA lead", "role": "qa"},
    {"username": "supplier", "name": "Supplier's engineer", "role": "guest"},
]

RESINS: list[Record] = [
    {
        "name": "V40",
        "supplier": "supplier A",
        "purpose": "break",
        "tint": "clear",
        "viscosity_mpa_s": 40.0,
        "use_per_repair_ml": 0.4,
        "low_stock_ml": 40.0,
        "needed_dose_mj_cm2": 300.0,
        "penetration_depth_mm": 0.9,
        "gel_exposure_mj_cm2": 12.0,
        "constants_source": "trials of the workshop under LED-1, June 2026",
        "note": "The workshop's usual resin for bullseyes and half-moons.",
    },
    {
        "name": "V90",
        "supplier": "supplier B",
        "purpose": "break",
        "tint": "clear",
        "viscosity_mpa_s": 90.0,
        "use_per_repair_ml": 0.4,
        "low_stock_ml": 25.0,
        "needed_dose_mj_cm2": 400.0,
        "constants_source": "data sheet of supplier B, 2026",
        "note": "Offered by its supplier for all break types; qualified in QU-26-09.",
    },
    {
        "name": "P600",
        "supplier": "supplier A",
        "purpose": "pit",
        "tint": "clear",
        "viscosity_mpa_s": 600.0,
        "use_per_repair_ml": 0.05,
        "low_stock_ml": 10.0,
        "note": "",
    },
]

RESIN_LOTS: list[Record] = [
    {
        "resin": "V40",
        "code": "2605-A",
        "received_on": "2026-05-18",
        "opened_on": "2026-06-02",
        "expires_on": "2027-05-31",
        "stored_at": "dark cabinet, 8 °C",
        "quantity_ml": 250.0,
    },
    {
        "resin": "V40",
        "code": "2609-C",
        "received_on": "2026-09-28",
        "opened_on": "2026-10-05",
        "expires_on": "2027-09-30",
        "stored_at": "dark cabinet, 8 °C",
        "quantity_ml": 250.0,
    },
    {
        "resin": "V90",
        "code": "0426",
        "received_on": "2026-08-17",
        "opened_on": "2026-08-31",
        "expires_on": "2026-12-11",
        "stored_at": "dark cabinet, 8 °C",
        "quantity_ml": 40.0,
    },
    {
        "resin": "P600",
        "code": "P-098",
        "received_on": "2025-11-10",
        "opened_on": "2025-12-01",
        "expires_on": "2026-10-31",
        "stored_at": "bench drawer, 21 °C",
        "quantity_ml": 50.0,
    },
    {
        "resin": "P600",
        "code": "P-117",
        "received_on": "2026-07-06",
        "opened_on": "2026-08-03",
        "expires_on": "2027-07-31",
        "stored_at": "dark cabinet, 8 °C",
        "quantity_ml": 50.0,
    },
]

LAMPS: list[Record] = [
    {"code": "LED-1", "description": "panel of nine LEDs", "emitter_kind": "led", "peak_wavelength_nm": 365.0, "emitters": 9,
     "emitter_spacing_mm": 30.0, "has_cover": False, "hours_run_h": 410.0, "in_service_on": "2025-03-03",
     "least_irradiance_mw_cm2": 5.0, "least_irradiance_at": "coldest"},
    {"code": "LED-2", "description": "panel of nine LEDs", "emitter_kind": "led", "peak_wavelength_nm": 365.0, "emitters": 9,
     "emitter_spacing_mm": 30.0, "has_cover": False, "hours_run_h": 62.0, "in_service_on": "2026-09-07",
     "least_irradiance_mw_cm2": 5.0, "least_irradiance_at": "coldest"},
    {"code": "LED-3", "description": "bar of four LEDs", "emitter_kind": "led", "peak_wavelength_nm": 365.0, "emitters": 4,
     "emitter_spacing_mm": 45.0, "has_cover": False, "hours_run_h": 2940.0, "in_service_on": "2021-05-10",
     "least_irradiance_mw_cm2": 1.2, "least_irradiance_at": "mean"},
    {"code": "TUBE-1", "description": "two short tubes under a clear cover", "emitter_kind": "fluorescent",
     "peak_wavelength_nm": 365.0, "emitters": 2, "emitter_spacing_mm": 40.0, "has_cover": True, "hours_run_h": 780.0,
     "in_service_on": "2024-01-15"},
    {"code": "TUBE-2", "description": "two short tubes under a clear cover", "emitter_kind": "fluorescent",
     "peak_wavelength_nm": 365.0, "emitters": 2, "emitter_spacing_mm": 40.0, "has_cover": True, "hours_run_h": 1320.0,
     "in_service_on": "2023-06-05"},
]  # fmt: skip

# In mm; coupons are laid in the middle of it.
CURE_AREA: Record = {"area_shape": "rectangle", "area_width_mm": 100.0, "area_height_mm": 100.0}
RADIOMETERS: list[Record] = [
    {"code": "RM-1", "description": "UV-A radiometer, bench", "band_low_nm": 315.0, "band_high_nm": 400.0,
     "range_max_mw_cm2": 200.0, "resolution_mw_cm2": 0.01, "geometry_percent": 3.0, "drift_percent": 2.0},
    {"code": "RM-2", "description": "UV-A radiometer, travelling", "band_low_nm": 315.0, "band_high_nm": 400.0,
     "range_max_mw_cm2": 20.0, "resolution_mw_cm2": 0.01, "geometry_percent": 5.0},
]  # fmt: skip

CALIBRATIONS: list[Record] = [
    {
        "radiometer": "RM-1",
        "calibrated_on": "2025-03-10",
        "due_on": "2026-03-10",
        "factor": 1.02,
        "expanded_uncertainty_percent": 5.0,
        "certificate": "C-1207",
    },
    {
        "radiometer": "RM-1",
        "calibrated_on": "2026-03-02",
        "due_on": "2027-03-02",
        "factor": 1.01,
        "expanded_uncertainty_percent": 5.0,
        "certificate": "C-1391",
    },
    {
        "radiometer": "RM-2",
        "calibrated_on": "2025-10-06",
        "due_on": "2026-10-06",
        "factor": 0.98,
        "expanded_uncertainty_percent": 6.5,
        "certificate": "C-1318",
    },
]

GLASS: list[Record] = [
    {"code": "G-33", "construction": "float 3 / PVB 0.76 / float 3", "thickness_mm": 6.76, "lot": "26-14",
     "received_on": "2026-07-20", "pieces": 160, "low_pieces": 20,
     "note": "Side windows of touring coaches, cut to coupons 100 mm x 300 mm."},
    {"code": "G-44", "construction": "float 4 / PVB 0.76 / float 4", "thickness_mm": 8.76, "lot": "26-19",
     "received_on": "2026-10-12", "pieces": 120, "low_pieces": 20,
     "note": "Windscreens of touring coaches, cut to coupons 100 mm x 300 mm."},
]  # fmt: skip

PROCEDURES: list[Record] = [
    {"code": "REP-01", "title": "Repair of a break in laminated glass"},
    {"code": "SUR-01", "title": "Survey of a curing lamp"},
    {"code": "STR-01", "title": "Strength of repaired coupons"},
]

REPAIR_TEXT = """\
1. Let the glass come to room temperature. Note glass and room temperature.
2. Clean the break; take out loose splinters. Wear eye protection and gloves.
3. Set the bridge. Vacuum, then pressure, for the times of this version. Look for trapped air.
4. Put the lamp at 30 mm. Switch it on only when the shield is closed: UV-A harms eyes and skin. Never look into the lamp.
5. Cure for the time on the coupon's card. Note irradiance and meter.
6. Fill the pit with pit resin, cure under a film, scrape level.
Uncured resin irritates the skin: see its safety data sheet."""

PROCEDURE_VERSIONS: list[Record] = [
    {"procedure": "REP-01", "number": 1, "effective_on": "2025-01-13", "approved_by": "lead",
     "text": f"{REPAIR_TEXT}\nVacuum 5 min, pressure 5 min."},
    {"procedure": "REP-01", "number": 2, "effective_on": "2026-08-24", "approved_by": "lead",
     "text": f"{REPAIR_TEXT}\nVacuum 8 min, pressure 6 min. (Version 1: 5 min each.)"},
    {"procedure": "SUR-01", "number": 1, "effective_on": "2025-01-13", "approved_by": "lead",
     "text": "1. Let the lamp run for 10 min behind its shield. UV-A harms eyes and skin.\n2. Lay the grid sheet, 20 mm pitch, "
             "under the lamp at the distance used for curing.\n3. Read every point once, the centre three times. The meter's "
             "calibration must be valid.\n4. Repeat every 90 days and after any change of the lamp."},
    {"procedure": "STR-01", "number": 1, "effective_on": "2025-02-03", "approved_by": "lead",
     "text": "1. Four-point bending, spans 200 mm and 100 mm, the repaired face in tension.\n2. Cover the coupon with film: "
             "glass fragments fly. Eye protection, closed guard.\n3. Note the force at fracture and where the fracture began."},
]  # fmt: skip

PROFILES: list[Record] = [
    {"name": "Freeze, heat, cool", "version": 1, "rounds": 3, "max_transfer_minutes": 10, "is_common_practice": True,
     "note": "Common practice, no published source: freezer air at -10 °F so that the glass settles near 0 °F, 8 h; oven at 170 °F "
             "about 2 h; cool below 100 °F before the next freeze; three rounds. The freeze step's tolerance reaches down to its "
             "air, so that glass which follows the air all the way still counts: the workshop's own choice."},
]  # fmt: skip

PROFILE_STEPS: list[Record] = [
    {"profile": "Freeze, heat, cool", "number": 1, "name": "freeze", "kind": "freeze", "air_set_point_c": -23.3, "target_c": -17.8,
     "tolerance_k": 6.0, "min_minutes": 480, "max_minutes": 1080},
    {"profile": "Freeze, heat, cool", "number": 2, "name": "heat", "kind": "heat", "air_set_point_c": 76.7, "target_c": 76.7,
     "tolerance_k": 3.0, "min_minutes": 120, "max_minutes": 180},
    {"profile": "Freeze, heat, cool", "number": 3, "name": "cool", "kind": "cool", "air_set_point_c": 21.0, "target_c": 29.4,
     "tolerance_k": 8.4, "min_minutes": 30, "max_minutes": 480},
]  # fmt: skip

CHAMBERS: list[Record] = [
    {"code": "F-1", "kind": "freeze", "capacity_coupons": 24, "lowest_c": -30.0, "highest_c": 0.0,
     "calibration_due_on": "2027-02-15"},
    {"code": "F-2", "kind": "freeze", "capacity_coupons": 16, "lowest_c": -28.0, "highest_c": 0.0,
     "calibration_due_on": "2026-12-14"},
    {"code": "O-1", "kind": "heat", "capacity_coupons": 24, "lowest_c": 40.0, "highest_c": 200.0,
     "calibration_due_on": "2027-02-15"},
    {"code": "O-2", "kind": "heat", "capacity_coupons": 16, "lowest_c": 40.0, "highest_c": 120.0,
     "calibration_due_on": "2027-04-20"},
    {"code": "B-1", "kind": "cool", "capacity_coupons": 48, "lowest_c": None, "highest_c": None, "calibration_due_on": None},
    {"code": "C-1", "kind": "cycler", "capacity_coupons": 20, "lowest_c": -40.0, "highest_c": 120.0,
     "calibration_due_on": "2026-11-02"},
]  # fmt: skip

CLOSURES: list[Record] = [
    {
        "chamber": "F-2",
        "starts_at": "2026-11-26T07:00",
        "ends_at": "2026-11-27T12:00",
        "reason": "defrosting, new door seal",
    },
]

# Monday = 0; Friday is shorter. By the lab's own clock.
STAFFED: list[Record] = [
    {"weekday": weekday, "from": "07:00", "to": "16:00" if weekday == 4 else "18:00"} for weekday in range(5)
]

HOLIDAYS: list[Record] = [
    {"first_on": "2026-12-25", "last_on": "2026-12-26", "name": "Christmas"},
    {"first_on": "2027-01-01", "last_on": "2027-01-01", "name": "New Year"},
]

# What the lamps give at the glass: mean level (mW/cm²) and how much brighter it is under an emitter than between two.
OUTPUT_MW_CM2 = {"LED-1": 9.2, "LED-2": 9.8, "LED-3": 3.4, "TUBE-1": 4.3, "TUBE-2": 3.9}
CONTRAST = {"LED-1": 0.18, "LED-2": 0.20, "LED-3": 0.75, "TUBE-1": 0.08, "TUBE-2": 0.10}
# Common practice, no source: a clear cover about halves the irradiance of a small fluorescent lamp.
COVER_SHARE = 0.5

# lamp, when, who, meter, cover on, hours run, share of today's output
SURVEYS: list[tuple[str, str, str, str, bool, float, float]] = [
    ("LED-3", "2024-11-11T10:00", "technician", "RM-1", False, 2010.0, 1.55),
    ("LED-3", "2026-08-26T10:20", "technician", "RM-1", False, 2870.0, 1.02),
    ("LED-1", "2026-08-26T09:00", "technician", "RM-1", False, 371.0, 1.01),
    ("LED-2", "2026-09-09T13:30", "technician2", "RM-1", False, 1.0, 1.02),
    ("TUBE-1", "2026-08-26T11:10", "technician", "RM-1", False, 741.0, 1.02),
    ("TUBE-2", "2026-06-22T14:00", "technician2", "RM-2", False, 1290.0, 1.05),
    ("LED-1", "2026-10-28T09:00", "technician2", "RM-1", False, 402.0, 1.0),
    ("LED-2", "2026-10-28T09:50", "technician2", "RM-1", False, 48.0, 1.0),
    ("TUBE-1", "2026-10-28T10:40", "technician2", "RM-1", False, 772.0, 1.0),
    ("TUBE-1", "2026-10-28T11:20", "technician2", "RM-1", True, 772.0, COVER_SHARE),
    # Last, so that the readings of the others stay as they are: how LED-3 fades.
    ("LED-3", "2025-06-16T10:00", "technician", "RM-1", False, 2290.0, 1.37),
    ("LED-3", "2026-01-19T14:30", "technician2", "RM-1", False, 2560.0, 1.17),
    # The other meter, three weeks overdue, on the same lamp the same morning.
    ("LED-1", "2026-10-28T08:20", "technician2", "RM-2", False, 402.0, 1.09),
]

# lamp, when, who, what the hours counter showed
HOURS: list[Record] = [
    {"lamp": lamp["code"], "read_at": f"2026-11-23T{8 + number:02}:00", "read_by": "technician", "hours_h": lamp["hours_run_h"]}
    for number, lamp in enumerate(LAMPS)
]  # fmt: skip
RENEWALS: list[Record] = [
    {"lamp": "TUBE-1", "replaced_at": "2026-04-13T09:15", "replaced_by": "technician", "part": "tube", "hours_before_h": 655.0,
     "hours_after_h": 655.0, "reason": "one tube dark at one end"},
]  # fmt: skip


def lab_records(rng: Random) -> Record:
    """Everything of the catalogue, by kind of record."""
    return {
        "people": PEOPLE,
        "resins": RESINS,
        "resin_lots": RESIN_LOTS,
        "lamps": LAMPS,
        "radiometers": RADIOMETERS,
        "calibrations": CALIBRATIONS,
        "surveys": [survey(rng, *row) for row in SURVEYS],
        "hours": HOURS,
        "renewals": RENEWALS,
        "glass": GLASS,
        "procedures": PROCEDURES,
        "procedure_versions": PROCEDURE_VERSIONS,
        "profiles": PROFILES,
        "profile_steps": PROFILE_STEPS,
        "chambers": CHAMBERS,
        "closures": CLOSURES,
        "staffed": STAFFED,
        "holidays": HOLIDAYS,
    }


def survey(
    rng: Random, lamp: str, at: str, by: str, meter: str, is_cover_on: bool, hours: float, share: float
) -> Record:
    """A grid of 5 x 5 points at 20 mm, the centre read three times; brighter under the emitters, fading to the rim."""
    grid = [-40.0, -20.0, 0.0, 20.0, 40.0]
    spots = [(x, y) for x in grid for y in grid] + [(0.0, 0.0)] * 2
    level = OUTPUT_MW_CM2[lamp] * share
    points = []
    for x, y in sorted(spots, key=lambda spot: (spot[1], spot[0])):
        rim = exp(-((hypot(x, y) / 95.0) ** 2))
        under = 1 + CONTRAST[lamp] * emitter_pattern(lamp, x, y)
        points.append([x, y, round(level * rim * under * rng.gauss(1, 0.012), 2)])
    return {
        "lamp": lamp, "surveyed_at": at, "surveyed_by": by, "radiometer": meter, "distance_mm": 30.0, "is_cover_on": is_cover_on,
        "lamp_hours_h": hours, **CURE_AREA, "layout": "grid 5 × 5, 20 mm", "points_x_y_irradiance": points,
    }  # fmt: skip


def at_the_break(lamp: str) -> float:
    """Irradiance in the middle of the lamp's area, where the break is (mW/cm²); between two emitters of LED-3 it is dim."""
    return OUTPUT_MW_CM2[lamp] * (1 + CONTRAST[lamp] * emitter_pattern(lamp, 0.0, 0.0))


def emitter_pattern(lamp: str, x: float, y: float) -> float:
    """Between -1 and 1: bright below an emitter, dark between two."""
    record = next(row for row in LAMPS if row["code"] == lamp)
    spacing, count = record["emitter_spacing_mm"], record["emitters"]
    if record["emitter_kind"] == "fluorescent":
        places = [(x, side * spacing / 2) for side in (-1, 1)]
    elif count == 4:
        places = [((number - 1.5) * spacing, 0.0) for number in range(4)]
    else:
        places = [(column * spacing, row * spacing) for column in (-1, 0, 1) for row in (-1, 0, 1)]
    nearest = min(hypot(x - place_x, y - place_y) for place_x, place_y in places)
    return 2 * exp(-((nearest / 14.0) ** 2)) - 1
