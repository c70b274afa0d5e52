"""Photos of an inspection: what is taken, what is refused, how they are shown."""

from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from labbench.bench.models import Inspection
from tests import factories
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db


def picture(kind="JPEG", size=(40, 30)):
    file = BytesIO()
    Image.new("RGB", size, "grey").save(file, kind)
    return file.getvalue()


def send(client, coupon, content, name="camera.jpg"):
    data = {"outcome": "intact", "round_number": "1", "inspector": client.person.pk}
    photo = SimpleUploadedFile(name, content, "image/jpeg")
    return client.post(f"/coupons/{coupon.pk}/inspection/", data | {"photo": photo})


@pytest.mark.parametrize(("kind", "served"), [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")])
def test_a_photo_is_kept_and_shown_as_what_it_is(sign_in, repaired, kind, served):
    client, coupon = sign_in(), repaired()
    send(client, coupon, picture(kind), name="evil.html")
    look = Inspection.objects.get()
    assert "evil" not in look.photo.name
    answer = sign_in("guest").get(f"/inspections/{look.pk}/photo/")
    assert b"".join(answer) == picture(kind)
    assert (answer.headers["Content-Type"], answer.headers["X-Content-Type-Options"]) == (served, "nosniff")
    assert f'src="/inspections/{look.pk}/photo/"' in text_of(client.get(f"/coupons/{coupon.pk}/"))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a photo that can be read"),
        (picture("BMP"), "kept as JPEG, PNG or WebP, not as BMP"),
        (picture("JPEG")[:120], "not a photo that can be read"),
        (b"", "not a photo that can be read"),
    ],
)
def test_what_is_no_photo_is_refused_and_nothing_is_stored(sign_in, repaired, content, message):
    answer = send(sign_in(), repaired(), content)
    assert [message in fault for fault in answer.context["form"].errors["photo"]] == [True]
    assert Inspection.objects.count() == 0


def test_a_photo_over_the_size_is_refused(sign_in, repaired, settings):
    settings.MAX_PHOTO_BYTES = 2**20
    answer = send(sign_in(), repaired(), picture() + b"\0" * 2**21)
    assert "at most 1 MB are kept" in text_of(answer)


def test_a_photo_with_too_many_pixels_is_refused(sign_in, repaired, monkeypatch):
    monkeypatch.setattr("labbench.pages.bench.fields.MOST_PIXELS", 1000)
    assert "too many pixels" in text_of(send(sign_in(), repaired(), picture()))


def test_a_photo_is_for_people_who_signed_in(sign_in, client, repaired, looked):
    look = looked(repaired())
    assert client.get(f"/inspections/{look.pk}/photo/").status_code == 302
    assert sign_in().get(f"/inspections/{look.pk}/photo/").status_code == 404


def test_the_field_asks_for_the_camera(sign_in):
    html = text_of(sign_in().get(f"/coupons/{factories.coupon(role='unrepaired').pk}/inspection/"))
    assert 'capture="environment"' in html
    assert 'enctype="multipart/form-data"' in html
