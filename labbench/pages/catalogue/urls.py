"""Addresses of the lab's catalogue."""

from django.urls import path

from labbench.pages.catalogue import views

urlpatterns = [
    path("catalogue/", views.catalogue, name="catalogue"),
    path("lamps/<int:pk>/", views.lamp, name="lamp"),
    path("resin-lots/<int:pk>/", views.resin_lot, name="resin-lot"),
    path("procedure-versions/<int:pk>/", views.procedure_version, name="procedure-version"),
    path("chambers/<int:pk>/", views.chamber, name="chamber"),
]
