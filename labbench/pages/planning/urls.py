"""Addresses of the planner, of allocations and of sample sizes."""

from django.urls import path

from labbench.pages.planning import allocations, plan, power

urlpatterns = [
    path("power/", power.power, name="power"),
    path("studies/<str:code>/plan/", plan.plan, name="study-plan"),
    path("studies/<str:code>/plan/impossible/", plan.impossible, name="add-impossible"),
    path("studies/<str:code>/plan/impossible/<int:pk>/remove/", plan.possible, name="remove-impossible"),
    path("allocations/<int:pk>/", allocations.allocation, name="allocation"),
    path("allocations/<int:pk>/lock/", allocations.lock, name="lock-allocation"),
    path("allocations/<int:pk>/undo/", allocations.undo, name="undo-allocation"),
]
