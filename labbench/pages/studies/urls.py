from django.urls import path

from labbench.pages.studies import coupons, editing, exports, factors, imports, lists, overview

# What stands where a study's code stands is in RESERVED_CODES of forms.py.
urlpatterns = [
    path("studies/", lists.studies, name="studies"),
    path("studies/new/", editing.new_study, name="new-study"),
    path("studies/import/", imports.hand_in, name="import-new"),
    path("studies/import/empty.<slug:ending>", exports.empty_sheet, name="empty-sheet"),
    path("studies/import/<uuid:token>/", imports.sheet, name="sheet"),
    path("studies/import/<uuid:token>/put-aside/", imports.put_aside, name="put-aside-sheet"),
    path("studies/<str:code>/", overview.study, name="study"),
    path("studies/<str:code>/edit/", editing.edit_study, name="edit-study"),
    path("studies/<str:code>/state/", editing.study_state, name="study-state"),
    path("studies/<str:code>/delete/", editing.remove_study, name="delete-study"),
    path("studies/<str:code>/factors/", factors.factors, name="study-factors"),
    path("studies/<str:code>/factors/<int:factor_pk>/", factors.levels, name="study-levels"),
    path("studies/<str:code>/factors/<int:factor_pk>/remove/", factors.take_factor, name="remove-factor"),
    path("studies/<str:code>/levels/<int:level_pk>/baseline/", factors.baseline, name="set-baseline"),
    path("studies/<str:code>/levels/<int:level_pk>/remove/", factors.take_level, name="remove-level"),
    path("studies/<str:code>/coupons/add/", coupons.add_coupons, name="add-coupons"),
    path("studies/<str:code>/coupons/edit/", coupons.edit_coupons, name="edit-coupons"),
    path("studies/<str:code>/loads/add/", coupons.add_load, name="add-load"),
    path("studies/<str:code>/import/", imports.hand_in, name="import-sheet"),
    path("studies/<str:code>/import/empty.<slug:ending>", exports.empty_sheet, name="empty-study-sheet"),
    path("studies/<str:code>/sheets/<int:pk>/undo/", imports.undo_import, name="undo-import"),
    path("studies/<str:code>/coupons.csv", exports.study_csv, name="study-csv"),
    path("studies/<str:code>/study.xlsx", exports.study_xlsx, name="study-xlsx"),
]
