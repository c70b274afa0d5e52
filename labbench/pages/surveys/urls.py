"""Addresses of surveys and meters."""

from django.urls import path

from labbench.pages.surveys import compare, entry, meters, survey

urlpatterns = [
    path("surveys/", survey.survey_list, name="surveys"),
    path("surveys/new/", entry.new_survey, name="new-survey"),
    path("surveys/new/check/", entry.check_setup, name="check-survey"),
    path("surveys/import/", entry.import_survey, name="import-survey"),
    path("surveys/compare/", compare.compare, name="compare-surveys"),
    path("surveys/<int:pk>/", survey.survey, name="survey"),
    path("surveys/<int:pk>/points.csv", survey.survey_points, name="survey-points"),
    path("surveys/<int:pk>/correct/", survey.correct_survey, name="correct-survey"),
    path("surveys/<int:pk>/withdraw/", survey.withdraw_survey, name="withdraw-survey"),
    path("survey-drafts/<int:pk>/", entry.survey_draft, name="survey-draft"),
    path("survey-drafts/<int:pk>/conditions/", entry.draft_conditions, name="survey-draft-conditions"),
    path("survey-drafts/<int:pk>/reading/", entry.store_reading, name="store-reading"),
    path("survey-drafts/<int:pk>/place/", entry.add_place, name="add-survey-place"),
    path("survey-drafts/<int:pk>/review/", entry.review_survey, name="review-survey"),
    path("survey-drafts/<int:pk>/discard/", entry.discard_draft, name="discard-survey-draft"),
    path("meters/", meters.meter_list, name="meters"),
    path("meters/new/", meters.new_meter, name="new-meter"),
    path("meters/<int:pk>/", meters.meter, name="meter"),
    path("meters/<int:pk>/change/", meters.change_meter, name="change-meter"),
    path("meters/<int:pk>/calibrations/new/", meters.new_calibration, name="new-calibration"),
    path("calibrations/<int:pk>/change/", meters.change_calibration, name="change-calibration"),
]
