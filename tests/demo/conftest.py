import pytest

from tests.demo.loaded import demo_loaded


@pytest.fixture(scope="package")
def demo(django_db_setup, django_db_blocker):
    """The whole demo, for every test of this folder that asks for it."""
    with django_db_blocker.unblock(), demo_loaded():
        yield
