"""Addresses for scripts: read only, JSON (and the sheet as CSV)."""

from django.urls import path, re_path

from labbench.api import analyses, studies, traces
from labbench.api.answers import nothing_here

urlpatterns = [
    path("", studies.index, name="api"),
    path("studies/", studies.study_list, name="api-studies"),
    path("studies/<str:code>/", studies.study, name="api-study"),
    path("studies/<str:code>/coupons/", studies.coupon_list, name="api-coupons"),
    path("studies/<str:code>/sheet.csv", studies.sheet, name="api-sheet"),
    path("studies/<str:code>/analyses/", analyses.analysis_list, name="api-analyses"),
    path("studies/<str:code>/trace-evaluations/", traces.evaluation_list, name="api-trace-evaluations"),
    path("trace-evaluations/<int:pk>/", traces.evaluation, name="api-trace-evaluation"),
    path("analyses/<int:pk>/", analyses.analysis, name="api-analysis"),
    path("analyses/<int:pk>/result/", analyses.result, name="api-result"),
    path("jobs/<uuid:pk>/", analyses.job, name="api-job"),
    re_path(r"^.*$", nothing_here),
]
