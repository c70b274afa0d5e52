"""Addresses: pages at the root, endpoints for scripts below api/."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("", include("labbench.pages.urls")),
    path("api/", include("labbench.api.urls")),
    path("admin/", admin.site.urls),
]
