"""Puts up the lab of the soak day: a technician, five chambers, one load of four repaired coupons for three rounds."""

from labbench.lab.models import Person
from tests.bench import soaks
from tests.factories import NOON


def put_up(passphrase: str) -> None:
    person = Person(username="technician", first_name="First", last_name="technician", role="technician")
    person.set_password(passphrase)
    person.save()
    soaks.load("Tray 1", rooms=soaks.chambers(), start=NOON, coupons=4, is_running=False)
