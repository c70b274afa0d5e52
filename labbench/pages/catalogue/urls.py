"""Addresses of the lab's catalogue."""

from django.urls import path

from labbench.pages.catalogue import glass, procedures, resins, views

urlpatterns = [
    path("catalogue/", views.catalogue, name="catalogue"),
    path("lamps/<int:pk>/", views.lamp, name="lamp"),
    path("resins/new/", resins.new_resin, name="new-resin"),
    path("resins/<int:pk>/", resins.resin, name="resin"),
    path("resins/<int:pk>/change/", resins.edit_resin, name="edit-resin"),
    path("resin-lots/new/", resins.new_lot, name="new-lot"),
    path("resin-lots/<int:pk>/", resins.resin_lot, name="resin-lot"),
    path("resin-lots/<int:pk>/change/", resins.edit_lot, name="edit-lot"),
    path("resin-lots/<int:pk>/opened/", resins.open_lot, name="open-lot"),
    path("resin-lots/<int:pk>/count/", resins.count_lot, name="count-lot"),
    path("resin-lots/counts/<int:pk>/remove/", resins.remove_lot_count, name="remove-lot-count"),
    path("glass/new/", glass.new_glass, name="new-glass"),
    path("glass/<int:pk>/", glass.glass, name="glass"),
    path("glass/<int:pk>/change/", glass.edit_glass, name="edit-glass"),
    path("glass/<int:pk>/count/", glass.count_glass, name="count-glass"),
    path("glass/counts/<int:pk>/remove/", glass.remove_glass_count, name="remove-glass-count"),
    path("procedures/new/", procedures.new_procedure, name="new-procedure"),
    path("procedures/<int:pk>/change/", procedures.edit_procedure, name="edit-procedure"),
    path("procedures/<int:pk>/draft/", procedures.write_draft, name="procedure-draft"),
    path("procedure-versions/<int:pk>/", procedures.procedure_version, name="procedure-version"),
    path("procedure-versions/<int:pk>/approve/", procedures.approve_version, name="approve-version"),
    path("procedure-versions/<int:pk>/discard/", procedures.discard_draft, name="discard-draft"),
    path("chambers/<int:pk>/", views.chamber, name="chamber"),
]
