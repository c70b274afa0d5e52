from django.urls import path

from labbench.pages.jobs import views

urlpatterns = [
    path("jobs/<uuid:pk>/", views.job, name="job"),
    path("jobs/<uuid:pk>/cancel/", views.cancel_job, name="cancel-job"),
    path("jobs/<uuid:pk>/retry/", views.retry_job, name="retry-job"),
]
