"""The heat model through its pages: published values, what a range of coefficients leaves open, fits of a trace, refusals."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from labbench.bench.models import Load, LoadPlace, TraceFile
from labbench.formats.glass_construction import Construction, read_construction
from labbench.lab.models import GlassStock
from labbench.lab.profiles import STARTING_PROFILES, create_profile
from labbench.pages.profiles import heat_forms
from labbench.science.heat.conduction import coupon_temperatures
from labbench.science.heat.layers import laminate
from tests import factories

pytestmark = pytest.mark.django_db
DATA = Path(__file__).resolve().parents[2] / "published" / "data"
WINDSCREEN = {"outer_mm": "2.1", "interlayer_mm": "0.76", "inner_mm": "2.1"}
STEP = {"start_c": "-23", "air_c": "77", "target_c": "77", "tolerance_k": "5"}
OWN = {"air_flow": "own", "h_low": "10", "h_high": "50", "is_fitted": "on"}


def table(name):
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def asked(client, **query):
    return client.get(reverse("coupon-heat"), query)


def test_the_page_gives_the_published_times_and_temperatures(guest):
    # tests/published/physics.md, 2.5 and 2.6: exact expansion, laminate 2.1/0.76/2.1 mm, step of 100 K.
    answer = asked(guest, **WINDSCREEN, **STEP, **OWN)
    exact = {
        float(row["h_w_m2k"]): float(row["t_exact_mid_to_5k_s"])
        for row in table("physics_time_to_within")
        if row["build"].startswith("laminate")
    }
    slow, _, fast = answer.context["answer"].rows
    assert slow.case.reach.seconds == pytest.approx(exact[10.0], abs=0.2)  # printed to 0.1 s
    assert fast.case.reach.seconds == pytest.approx(exact[50.0], abs=0.2)
    page = answer.content.decode()
    # 1378 s are 23 min, rounded up; 287 s are 4.8 min.
    assert "<b>23\u202fmin</b>" in page
    assert "4.8\u202fmin" in page
    rows = [
        row for row in table("physics_laminate_step") if float(row["h_w_m2k"]) == 10 and 10 <= float(row["t_s"]) <= 3000
    ]
    assert len(rows) > 10
    for row in rows:
        at = slow.case.mid_c_at(np.array([float(row["t_s"])]))[0]
        assert at == pytest.approx(float(row["heating_mid_c"]), abs=0.02)


def test_without_a_fit_the_heat_capacity_widens_the_range(guest):
    fitted = asked(guest, **WINDSCREEN, **STEP, **OWN).context["answer"]
    loose = asked(guest, **WINDSCREEN, **STEP, **OWN | {"is_fitted": ""}).context["answer"]
    assert loose.rows[0].case.reach.seconds > 1.05 * fitted.rows[0].case.reach.seconds
    assert loose.rows[2].case.reach.seconds < fitted.rows[2].case.reach.seconds
    assert loose.rows[0].case.capacity_share == pytest.approx(1.118, abs=0.01)


def test_a_page_opened_plainly_answers_and_names_its_uncertainty(guest):
    page = asked(guest).content.decode()
    assert "at the latest" in page
    assert "depends on the fan and the rack" in page
    assert "typical, from memory" in page
    assert "not measured" in page
    assert "insulated gloves" in page


def test_air_outside_the_tolerance_never_gets_the_glass_there(guest):
    page = asked(guest, **WINDSCREEN, **STEP | {"air_c": "70"}).content.decode()
    assert "<b>never</b>" in page
    assert "only comes closer and closer" in page


def test_a_coupon_that_is_there_already_is_said_so(guest):
    assert "it already is" in asked(guest, **WINDSCREEN, **STEP | {"start_c": "76"}).content.decode()


@pytest.mark.parametrize(
    ("query", "words"),
    [
        (WINDSCREEN | STEP | {"outer_mm": "thin"}, "is not a number"),
        (WINDSCREEN | STEP | {"outer_mm": ""}, "Type the thickness, or choose a glass from stock."),
        (WINDSCREEN | STEP | {"target_c": ""}, "Type it, or choose a step of a profile that states it."),
        (WINDSCREEN | STEP | {"air_flow": "own", "h_low": "", "h_high": ""}, "A range of your own needs its lower end."),
        (WINDSCREEN | STEP | {"air_flow": "own", "h_low": "60", "h_high": "20"}, "The upper end 20 is below the lower end 60."),
        (WINDSCREEN | STEP | {"air_flow": "gale"}, "not one of the available choices"),
        (WINDSCREEN | STEP | {"step": "999"}, "not one of the available choices"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words(guest, query, words):
    answer = asked(guest, **query)
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert answer.context["answer"] is None


def test_a_load_brings_its_glass_and_its_profile(technician):
    profile = create_profile(values=STARTING_PROFILES["common"], by=None)
    glass = GlassStock.objects.create(code="G-33", construction="float 3 / PVB 0.76 / float 3", thickness_mm=6.76)
    coupon = factories.coupon(glass=glass)
    load = Load.objects.create(study=coupon.study, name="Load 1", profile=profile)
    LoadPlace.objects.create(load=load, coupon=coupon, place=1)
    answer = asked(technician, load=load.pk)
    used = answer.context["answer"].used
    assert used["construction"] == Construction(3.0, 0.76, 3.0)
    # The coupon comes from the last step of the round before, into air of -10 degF, to be near 0 degF.
    assert (used["start_c"], used["air_c"], used["target_c"]) == (28.0, -23.33, -17.78)
    heat = asked(technician, load=load.pk, step=profile.steps.get(number=2).pk)
    assert heat.context["answer"].used["start_c"] == -17.78
    assert "from door to door at least" in heat.content.decode()


def test_a_range_wider_than_the_soak_allows_is_said(guest):
    start = STARTING_PROFILES["common"]
    short = start.steps[1].__class__("flash", "heat", 10, 15, 80.0, 78.0, 5.0)
    profile = create_profile(values=start.__class__("Short", 1, 5, (short,)), by=None)
    page = asked(guest, step=profile.steps.get().pk, start_c="-20").content.decode()
    assert "without a sensor no time is sure to keep both" in page


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("float 3 / PVB 0.76 / float 3", Construction(3, 0.76, 3)),
        ("2,1 mm/0,76mm/1.6", Construction(2.1, 0.76, 1.6)),
        ("float 3 | PVB 0.76 | float 3", Construction(3, 0.76, 3)),
        ("float 6 mm", None),
        ("3 / 0.76 / 3 / 0.76 / 3", None),
        ("float 3 / PVB / float 3", None),
        ("type 44 of 3 / PVB 0.76 / float 3", None),
        ("300 / 0.76 / 3", None),
        ("", None),
    ],
)
def test_a_construction_is_read_only_where_it_is_sure(text, read):
    assert read_construction(text) == read


def test_a_stock_whose_construction_says_too_little_asks_for_thicknesses(guest):
    stock = GlassStock.objects.create(code="G-0", construction="laminated", thickness_mm=5)
    page = asked(guest, glass=stock.pk, **dict.fromkeys(WINDSCREEN, ""), **STEP).content.decode()
    assert "does not say three thicknesses" in page


def log_of(times_s, air, coupon):
    start = datetime(2026, 3, 2, 8)
    lines = ["time,air_c,coupon_A_c"]
    lines += [
        f"{(start + timedelta(seconds=float(t))).isoformat()},{a:.4f},{c:.4f}"
        for t, a, c in zip(times_s, air, coupon, strict=True)
    ]
    return "\n".join(lines).encode()


def fitted(client, data, **extra):
    given = WINDSCREEN | {"channel": "", "sensor": "mid", "from_minutes": "", "to_minutes": ""} | extra
    return client.post(reverse("coupon-heat-fit"), given | {"log": SimpleUploadedFile("log.csv", data)})


def test_the_coefficient_behind_the_published_temperatures_is_found(guest):
    # tests/published/physics.md, 2.5: exact temperatures half-way through for h = 25 W/(m² K).
    rows = [
        row for row in table("physics_laminate_step") if float(row["h_w_m2k"]) == 25 and float(row["theta_mid"]) > 1e-5
    ]
    known_s = [float(row["t_s"]) for row in rows]
    theta = np.log([float(row["theta_mid"]) for row in rows])
    seconds = np.arange(30, 1200, 10.0)
    coupon = 77 - 100 * np.exp(np.interp(seconds, known_s, theta))
    answer = fitted(guest, log_of(seconds, np.full(len(seconds), 77.0), coupon), from_minutes="0", to_minutes="60")
    fit = answer.context["answer"].fit
    assert fit.h_w_m2_k == pytest.approx(25, rel=0.02)
    assert fit.is_converged
    assert "Compute with this range" in answer.content.decode()


def step_log(h=18.0, noise_k=0.1):
    """A freezer's rack into an oven and back out, the air taking some minutes."""
    seconds = np.arange(0, 4 * 3600, 10.0)
    air = np.where(seconds < 3600, -22.0, np.where(seconds < 3 * 3600, 77 - 99 * np.exp(-(seconds - 3600) / 120), 21.0))
    coupon = coupon_temperatures(laminate(2.1, 0.76, 2.1), h_w_m2_k=h, start_c=-22, air_c=air, step_s=10).mean_c
    scatter = np.random.default_rng(5).normal(0, noise_k, len(seconds))
    return log_of(seconds, air, coupon + scatter)


def test_the_largest_step_of_the_air_is_found_and_its_fit_leads_on(guest):
    answer = fitted(guest, step_log(), sensor="mean")
    found = answer.context["answer"]
    assert 55 < found.from_minutes < 62
    assert 175 < found.to_minutes < 185
    assert found.fit.h_w_m2_k == pytest.approx(18, rel=0.005)
    link = (
        answer.content.decode()
        .split("Compute with this range")[0]
        .rsplit('href="', 1)[1]
        .split('"')[0]
        .replace("&amp;", "&")
    )
    onward = guest.get(link)
    assert onward.context["answer"].used["is_fitted"]
    assert onward.context["answer"].used["h_range"] == pytest.approx((found.fit.low, found.fit.high), rel=1e-3)
    assert "one coupon in one place" in onward.content.decode()


def test_a_kept_trace_of_the_load_is_fitted(technician):
    load = Load.objects.create(study=factories.study(), name="Load 1")
    trace = TraceFile.objects.create(
        load=load, file=ContentFile(step_log(), "t.csv"), filename="t.csv", sha256="0" * 64,
        uploaded_at=factories.NOON, uploaded_by=factories.person("technician"),
    )  # fmt: skip
    given = WINDSCREEN | {"load": load.pk, "trace": trace.pk, "sensor": "mean", "channel": "A"}
    found = technician.post(reverse("coupon-heat-fit"), given).context["answer"]
    assert found.channel == "coupon_A_c"
    assert found.fit.h_w_m2_k == pytest.approx(18, rel=0.005)


@pytest.mark.parametrize(
    ("data", "extra", "words"),
    [
        (b"", {}, "is empty"),
        (b"time,air_c\n2026-03-02T08:00,1\n2026-03-02T08:01,x\n", {}, "row 3"),
        (b"time,coupon_A_c\n2026-03-02T08:00,1\n2026-03-02T08:01,2\n", {}, "no channel air_c"),
        (b"time,air_c,coupon_A_c\n2026-03-02T08:00,20,20\n2026-03-02T08:01,20,20\n", {}, "there is no step to fit"),
        (None, {"channel": "B"}, "no channel B; its coupons are coupon_A_c"),
        (None, {"from_minutes": "900", "to_minutes": "901"}, "no reading between these times"),
        (None, {"from_minutes": "9", "to_minutes": ""}, "Both ends, or neither."),
        (None, {"from_minutes": "10", "to_minutes": "20"}, "changes too little"),
    ],
)
def test_a_trace_that_says_too_little_is_refused_in_words(guest, data, extra, words):
    answer = fitted(guest, step_log() if data is None else data, **extra)
    assert answer.status_code == 200
    assert words in answer.content.decode()


@pytest.mark.parametrize("name", ["load", "step"])
def test_a_number_longer_than_any_record_has_is_none(guest, name):
    assert asked(guest, **{name: "9" * 5000}).status_code == 200


def test_a_file_too_large_to_wait_for_is_refused(guest, monkeypatch):
    monkeypatch.setattr(heat_forms, "MOST_BYTES", 1000)
    answer = fitted(guest, step_log())
    assert "A fit needs one change of the air: hand in a part of it" in answer.content.decode()
