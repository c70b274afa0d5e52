"""Addresses of the planner, of allocations and of sample sizes."""

from django.urls import path

from labbench.pages.planning import allocations, comparisons, plan, power

urlpatterns = [
    path("power/", power.power, name="power"),
    path("studies/<str:code>/plan/", plan.plan, name="study-plan"),
    path("studies/<str:code>/plan/impossible/", plan.impossible, name="add-impossible"),
    path("studies/<str:code>/plan/impossible/<int:pk>/remove/", plan.possible, name="remove-impossible"),
    path("studies/<str:code>/plan/compare/", comparisons.compare, name="compare-plans"),
    path("plan-comparisons/<int:pk>/progress/", comparisons.progress, name="comparison-progress"),
    path("plan-comparisons/<int:pk>/cancel/", comparisons.cancel_comparison, name="cancel-comparison"),
    path("plan-comparisons/<int:pk>/retry/", comparisons.retry_comparison, name="retry-comparison"),
    path("plan-comparisons/<int:pk>/use/<slug:key>/", comparisons.use, name="use-plan"),
    path("allocations/<int:pk>/", allocations.allocation, name="allocation"),
    path("allocations/<int:pk>/lock/", allocations.lock, name="lock-allocation"),
    path("allocations/<int:pk>/undo/", allocations.undo, name="undo-allocation"),
]
