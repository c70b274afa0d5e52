"""The application's settings, and a worker that also knows the slow task of these tests."""

from labbench.config.settings import *  # noqa: F403

CELERY_IMPORTS = ("tests.jobs.slow_task",)
