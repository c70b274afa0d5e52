"""Addresses of temperature traces; the file itself stands with the loads."""

from django.urls import path

from labbench.pages.traces import columns, downloads, take_in, views

urlpatterns = [
    path("loads/<int:pk>/traces/", take_in.of_load, name="take-in-trace"),
    path("chambers/<int:pk>/traces/", take_in.of_chamber, name="take-in-chamber-trace"),
    path("traces/<int:pk>/", views.trace, name="trace"),
    path("traces/<int:pk>/columns/", columns.columns, name="trace-columns"),
    path("traces/<int:pk>/evaluate/", views.evaluate, name="evaluate-trace"),
    path("traces/<int:pk>/job/", views.job, name="trace-job"),
    path("traces/<int:pk>/clock/", views.clock, name="correct-trace-clock"),
    path("traces/<int:pk>/deviations/", views.findings, name="record-trace-findings"),
    path("traces/<int:pk>/take-out/", views.take_out, name="take-out-trace"),
    path("traces/evaluations/<int:pk>/points/", downloads.points, name="trace-points"),
    path("traces/evaluations/<int:pk>/evaluation.json", downloads.document, name="trace-document"),
    path("traces/evaluations/<int:pk>/columns.parquet", downloads.parquet, name="trace-parquet"),
    path("traces/evaluations/<int:pk>/columns.csv", downloads.csv, name="trace-csv"),
]
