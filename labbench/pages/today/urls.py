"""Addresses of the page of the day, of moves, of chambers that fail, and of private calendars."""

from django.urls import path

from labbench.pages.today import calendar, failures, moves, split, views

urlpatterns = [
    path("today/", views.today, name="today"),
    path("today/calendar/", calendar.address, name="calendar-address"),
    path("today/calendar/<slug:name>/", calendar.act, name="change-calendar"),
    path("calendar/<str:token>/loads.ics", calendar.feed, name="calendar-feed"),
    path("today/work/", views.work, name="todays-work"),
    path("loads/<int:pk>/bookings/<int:booking_pk>/<slug:name>/", moves.move, name="move-load"),
    path("loads/<int:pk>/reasons/", moves.reasons, name="load-reasons"),
    path("loads/<int:pk>/found-elsewhere/", split.split, name="split-load"),
    path("deviations/<int:pk>/reason/", moves.reason, name="deviation-reason"),
    path("chambers/<int:pk>/failure/", failures.failure, name="chamber-failure"),
    path("chambers/failures/<int:pk>/works-again/", failures.works_again, name="chamber-works-again"),
    path("chambers/failures/<int:pk>/take-back/", failures.take_back, name="take-back-failure"),
    path("chambers/failures/<int:pk>/bookings/<int:booking_pk>/go-on/", failures.go_on, name="go-on-after-failure"),
]
