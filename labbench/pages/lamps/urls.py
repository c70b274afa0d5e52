"""Addresses of lamps' own pages and of the cure calculator."""

from django.urls import path, re_path

from labbench.pages.lamps import cure, views

urlpatterns = [
    path("lamps/new/", views.new_lamp, name="new-lamp"),
    path("lamps/<int:pk>/change/", views.edit_lamp, name="edit-lamp"),
    path("lamps/<int:pk>/hours/", views.read_hours, name="lamp-hours"),
    path("lamps/<int:pk>/renewal/", views.renew_part, name="lamp-renewal"),
    re_path(r"^lamps/(?P<kind>hours|renewals)/(?P<pk>\d{1,18})/remove/$", views.remove_event, name="remove-lamp-event"),
    path("cure/", cure.calculator, name="cure"),
]
