"""Addresses of the pages; each room keeps its own."""

from django.contrib.auth.views import LogoutView, PasswordChangeDoneView, PasswordChangeView
from django.urls import include, path, reverse_lazy
from django.views.generic import RedirectView

from labbench.pages.health import health
from labbench.pages.sign_in import SignInView

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="studies"), name="home"),
    path("health", health, name="health"),
    path("sign-in/", SignInView.as_view(), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("password/", PasswordChangeView.as_view(success_url=reverse_lazy("password-changed")), name="password"),
    path("password/changed/", PasswordChangeDoneView.as_view(), name="password-changed"),
    path("", include("labbench.pages.studies.urls")),
    path("", include("labbench.pages.planning.urls")),
    path("", include("labbench.pages.jobs.urls")),
    path("", include("labbench.pages.today.urls")),
    path("", include("labbench.pages.traces.urls")),
    path("", include("labbench.pages.bench.urls")),
    path("", include("labbench.pages.results.urls")),
    path("", include("labbench.pages.chambers.urls")),
    path("", include("labbench.pages.catalogue.urls")),
    path("", include("labbench.pages.lamps.urls")),
    path("", include("labbench.pages.surveys.urls")),
    path("", include("labbench.pages.profiles.urls")),
]
