from django.apps import AppConfig


class HeadlessConfig(AppConfig):
    name = "labbench.headless"
