"""Addresses of the pages; each room keeps its own."""

from django.contrib.auth.views import LoginView, LogoutView
from django.urls import include, path
from django.views.generic import RedirectView

from labbench.pages.health import health

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="studies"), name="home"),
    path("health", health, name="health"),
    path("sign-in/", LoginView.as_view(redirect_authenticated_user=True), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("", include("labbench.pages.studies.urls")),
    path("", include("labbench.pages.bench.urls")),
    path("", include("labbench.pages.results.urls")),
    path("", include("labbench.pages.catalogue.urls")),
]
