"""Addresses of thermal profiles and of the heat in a coupon."""

from django.urls import path

from labbench.pages.profiles import heat, heat_fit, views

urlpatterns = [
    path("profiles/", views.profile_list, name="profiles"),
    path("profiles/new/", views.new_profile, name="new-profile"),
    path("profiles/coupon-heat/", heat.coupon_heat, name="coupon-heat"),
    path("profiles/coupon-heat/fit/", heat_fit.fit, name="coupon-heat-fit"),
    path("profiles/<int:pk>/", views.profile, name="profile"),
    path("profiles/<int:pk>/new-version/", views.new_version, name="new-profile-version"),
    path("profiles/<int:pk>/take-out/", views.take_out, name="take-out-profile"),
]
