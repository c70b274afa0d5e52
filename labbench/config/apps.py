"""The queue's application is there as soon as Django is: tasks that any process sends go to it."""

from django.apps import AppConfig


class ConfigConfig(AppConfig):
    """Not imported with the settings: a command that needs neither models nor queue starts in half the time."""

    name = "labbench.config"

    def ready(self) -> None:
        # Its import makes it the current application.
        from labbench.config import celery  # noqa: F401
