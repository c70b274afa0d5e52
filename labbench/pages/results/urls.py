"""Addresses of results, analyses, reports and methods."""

from django.urls import path

from labbench.pages.results import choices, methods, next_coupons, reports, views

urlpatterns = [
    path("studies/<str:code>/results/", views.study_results, name="study-results"),
    path("studies/<str:code>/analyse/", views.analyse, name="request-analysis"),
    path("studies/<str:code>/analyse/choose/", choices.choose_analysis, name="choose-analysis"),
    path("studies/<str:code>/analyse/doses/", choices.recompute_doses, name="recompute-doses"),
    path("studies/<str:code>/analyses/", views.analyses, name="analyses"),
    path("analyses/<int:pk>/", views.analysis, name="analysis"),
    path("analyses/<int:pk>/progress/", views.progress, name="analysis-progress"),
    path("analyses/<int:pk>/standing/", views.standing, name="analysis-standing"),
    path("analyses/<int:pk>/cancel/", views.cancel_analysis, name="cancel-analysis"),
    path("analyses/<int:pk>/retry/", views.retry_analysis, name="retry-analysis"),
    path("analyses/<int:pk>/result.json", views.result_json, name="analysis-result"),
    path("analyses/<int:pk>/sheet.csv", views.sheet_csv, name="analysis-sheet"),
    path("analyses/<int:pk>/next-coupons/", next_coupons.add_next_coupons, name="add-next-coupons"),
    path("analyses/<int:pk>/report/", reports.create_report, name="create-report"),
    path("reports/<int:pk>/", reports.report, name="report"),
    path("reports/<int:pk>/report.pdf", reports.report_pdf, name="report-pdf"),
    path("reports/<int:pk>/sign/", reports.sign_report, name="sign-report"),
    path("methods/", methods.methods, name="methods"),
]
