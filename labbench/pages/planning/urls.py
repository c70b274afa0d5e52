"""Addresses of the planner, of allocations and of sample sizes."""

from django.urls import path

from labbench.pages.planning import plan

urlpatterns = [
    path("studies/<str:code>/plan/", plan.plan, name="study-plan"),
    path("studies/<str:code>/plan/impossible/", plan.impossible, name="add-impossible"),
    path("studies/<str:code>/plan/impossible/<int:pk>/remove/", plan.possible, name="remove-impossible"),
]
