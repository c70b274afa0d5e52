"""Addresses of the bench."""

from django.urls import path

from labbench.pages.bench import coupons, deviations, failures, inspections, loads, records, repairs, scan, strength

urlpatterns = [
    path("bench/", scan.bench, name="bench"),
    path("bench/waiting/<int:study_pk>/<slug:action>/", scan.waiting_list, name="waiting"),
    path("bench/cautions/<slug:name>/", scan.dismiss_caution, name="dismiss-caution"),
    path("bench/recorded/<slug:kind>/<int:pk>/", records.recorded, name="recorded"),
    path("bench/undo/<slug:kind>/<int:pk>/", records.undo, name="undo"),
    path("records/<slug:kind>/<int:pk>/correct/", records.correct, name="correct-record"),
    path("records/<slug:kind>/<int:pk>/take-out/", records.take_out, name="take-out-record"),
    path("coupons/<int:pk>/", coupons.coupon, name="coupon"),
    path("coupons/<int:pk>/repair/", repairs.record_repair, name="record-repair"),
    path("coupons/<int:pk>/repair/dose/", repairs.dose_preview, name="dose-preview"),
    path("coupons/<int:pk>/dose/", repairs.recompute, name="recompute-dose"),
    path("coupons/<int:pk>/inspection/", inspections.record_inspection, name="record-inspection"),
    path("coupons/<int:pk>/strength/", strength.record_strength, name="record-strength"),
    path("coupons/<int:pk>/deviation/", deviations.of_coupon, name="record-deviation"),
    path("coupons/<int:pk>/withdraw/", coupons.withdraw, name="withdraw-coupon"),
    path("inspections/<int:pk>/photo/", inspections.photo, name="inspection-photo"),
    path("loads/<int:pk>/", loads.load, name="load"),
    path("loads/<int:pk>/inspect/", loads.inspect_load, name="inspect-load"),
    path("loads/<int:pk>/deviation/", deviations.of_load, name="record-load-deviation"),
    path("loads/<int:pk>/step/<slug:name>/", loads.step, name="step-load"),
    path("traces/<int:pk>/file/", loads.trace_file, name="trace-file"),
    path("failures/", failures.failure_list, name="failures"),
    path("failures/failures.csv", failures.failure_csv, name="failures-csv"),
    path("deviations/", deviations.deviations, name="deviations"),
]
