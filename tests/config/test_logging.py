"""What the terminal is told."""

import io
import logging

import pytest

from labbench.bench.calendars import give_address
from tests import factories


@pytest.fixture
def terminal():
    """What the console's handler writes, as the settings make it."""
    kept = io.StringIO()
    configured = next(h for h in logging.getLogger().handlers if type(h) is logging.StreamHandler)
    before = configured.setStream(kept)
    yield kept
    configured.setStream(before)


@pytest.mark.django_db
def test_a_refusal_is_one_line(client, terminal):
    client.force_login(factories.person("guest"))
    assert client.get("/studies/new/").status_code == 403
    written = terminal.getvalue().splitlines()
    assert len(written) == 1
    assert written[0].endswith("WARNING django.request: Forbidden (Permission denied): /studies/new/")


def test_a_fault_keeps_its_traceback(terminal):
    try:
        raise RuntimeError("broken")
    except RuntimeError:
        logging.getLogger("labbench").exception("it broke")
    assert "Traceback" in terminal.getvalue()


@pytest.mark.django_db
@pytest.mark.parametrize(("method", "status"), [("options", 405), ("post", 405), ("get", 404)])
def test_the_address_of_a_private_calendar_is_not_told(client, terminal, method, status):
    token = give_address(person=factories.person()).token
    asked = token if status == 405 else f"{token[:-3]}old"
    assert getattr(client, method)(f"/calendar/{asked}/loads.ics").status_code == status
    assert "/calendar/…/loads.ics" in terminal.getvalue()
    assert token[:-3] not in terminal.getvalue()
