"""The queue: one Celery application, set up from Django's settings."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labbench.config.settings")

app = Celery("labbench")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
