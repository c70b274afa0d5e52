"""Fixtures for everybody. Under CI nothing is skipped: what is missing there is a failure."""

from __future__ import annotations

import os
from collections.abc import Iterator

os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):  # type: ignore[no-untyped-def]
    report = yield
    if report.skipped and os.environ.get("CI") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped under CI: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> Iterator[None]:
    """Where several processes test, a file stays in one of them (for its fixtures), and two of them have a browser and a demo each.

    One of these does the work of people, the other looks at pages ("looks"). They take longest and so begin with it. They also must: with
    the browser's loop in the thread Django opens other connections, and those from before would stay open and keep the test database
    from being dropped.
    """
    for item in items:
        if not item.get_closest_marker("xdist_group"):
            item.add_marker(
                pytest.mark.xdist_group("browser" if item.get_closest_marker("browser") else str(item.path))
            )
    yield
    items.sort(key=lambda item: not item.get_closest_marker("browser"))


def pytest_make_parametrize_id(val: object, argname: str) -> str | None:
    """Bytes and long texts are no names: an archive among them holds the time, so that every process would find other tests."""
    return argname if isinstance(val, bytes) or (isinstance(val, str) and len(val) > 80) else None


@pytest.fixture
def eager_queue(settings):  # type: ignore[no-untyped-def]
    """Jobs run in the test's own process as soon as they are sent."""
    from celery import current_app

    before = current_app.conf.task_always_eager
    current_app.conf.task_always_eager = True
    yield
    current_app.conf.task_always_eager = before
