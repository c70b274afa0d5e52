"""Addresses of the chambers' timeline, plans and hours."""

from django.urls import path

from labbench.pages.chambers import hours, loads, plans, timeline

urlpatterns = [
    path("chambers/", timeline.timeline, name="chambers"),
    path("chambers/bookings/", loads.bookings, name="chamber-bookings"),
    path("chambers/bookings/<int:pk>/move/", timeline.move, name="move-booking"),
    path("chambers/changes/<int:pk>/undo/", timeline.undo, name="undo-booking-change"),
    path("chambers/loads/", loads.loads, name="chamber-loads"),
    path("chambers/loads/<int:pk>/", loads.load, name="chamber-load"),
    path("chambers/loads/<int:pk>/book/", loads.book, name="book-load"),
    path("chambers/loads/<int:pk>/unbook/", loads.unbook, name="unbook-load"),
    path("chambers/hours/", hours.hours, name="staffed-hours"),
    path("chambers/hours/<slug:kind>/<int:pk>/take-out/", hours.take_out, name="take-out-hours"),
    path("chambers/plans/", plans.plans, name="chamber-plans"),
    path("chambers/plans/<int:pk>/", plans.plan, name="chamber-plan"),
    path("chambers/plans/<int:pk>/stop/", plans.stop, name="stop-plan"),
    path("chambers/plans/<int:pk>/accept/", plans.accept, name="accept-plan"),
    path("chambers/plans/<int:pk>/others/", plans.others, name="plan-others"),
    path("chambers/plans/<int:pk>/take-back/", plans.take_back, name="take-back-plan"),
    path("chambers/plans/<int:pk>/gains/", plans.gains, name="plan-gains"),
]
