"""`manage.py demo` as a real process: from nothing to the verdicts and a page to sign in to; again; interrupted."""

import http.cookiejar
import re
import signal
import stat
import subprocess
import sys
import urllib.parse
import urllib.request
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from tests import factories
from tests.config.processes import answers, free_port, processes_of
from tests.installation import ROOT, Installation

pytestmark = pytest.mark.worker

# An analysis is made once per inputs and code; what counts here is that the inputs of the second start are those of the first.
KEPT = (
    "SELECT (SELECT count(*) FROM bench_inspection), "
    "(SELECT count(*) FROM (SELECT DISTINCT study_id, inputs_sha256 FROM analysis_analysis) AS inputs)"
)


def run_demo(place: Installation, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", "demo", *arguments],
        cwd=ROOT,
        env=place.environment,
        capture_output=True,
        text=True,
        timeout=600,
    )


def signs_in(port: int, username: str, passphrase: str) -> bool:
    """Whether the sign-in page takes them."""
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
    page = browser.open(f"http://127.0.0.1:{port}/sign-in/").read().decode()
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page).group(1)
    fields = {"username": username, "password": passphrase, "csrfmiddlewaretoken": token, "next": "/health"}
    answer = browser.open(f"http://127.0.0.1:{port}/sign-in/", urllib.parse.urlencode(fields).encode())
    # Refused, the form is shown again at its own address.
    return urllib.parse.urlsplit(answer.geturl()).path == "/health"


def test_from_nothing_to_verdicts_and_again(tmp_path):
    place = Installation(tmp_path, embedded=True)
    try:
        first = run_demo(place, "--no-serve")
        assert first.returncode == 0, first.stderr
        for sentence in (
            "EL-26-11 Autumn repairs",
            "QU-26-09 Resin V90",
            "CO-26-10 Cover of TUBE-2",
            "DO-26-10 How long",
        ):
            assert sentence in first.stdout
        assert re.search(r"^resin_lot +implicated +2609-C", first.stdout, re.M)
        assert re.search(r"^cover +undecided", first.stdout, re.M)
        kept = tmp_path / "demo-sign-in.txt"
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        passphrases = dict(line.split() for line in kept.read_text().splitlines()[1:])
        assert set(passphrases) == {"lead", "technician", "technician2", "qa", "supplier"}
        assert len(set(passphrases.values())) == 5
        assert all(passphrase in first.stdout for passphrase in passphrases.values())
        assert processes_of(tmp_path) == {}
        counted = place.row(KEPT)

        port = free_port()
        process = place.start("demo", "--port", str(port))
        place.wait(lambda: answers(port), "an answer")
        assert signs_in(port, "qa", passphrases["qa"])
        assert not signs_in(port, "qa", passphrases["lead"])
        assert f"Open http://127.0.0.1:{port}/ and sign in." in place.logs()
        process.send_signal(signal.SIGINT)
        assert process.wait(40) == 0
        assert processes_of(tmp_path) == {}
        assert place.row(KEPT) == counted
    finally:
        place.stop()


def test_an_interrupt_leaves_all_or_nothing(tmp_path):
    place = Installation(tmp_path, embedded=True)
    try:
        process = place.start("demo", "--no-serve")
        place.wait(lambda: has_tables(place), "the tables")
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130
        assert "Stopped. Start it again to go on." in place.logs()
        assert "Traceback" not in place.logs()
        assert processes_of(tmp_path) == {}
        assert place.row("SELECT count(*) FROM studies_study") in {(0,), (5,)}
    finally:
        place.stop()


def has_tables(place: Installation) -> bool:
    try:
        return place.row("SELECT count(*) FROM reports_signature") is not None
    except Exception:  # not there yet
        return False


@pytest.mark.django_db
def test_it_does_not_mix_with_a_labs_own_studies():
    factories.study()
    with pytest.raises(
        CommandError, match="This installation holds studies of its own, so the demo is not loaded into it"
    ):
        call_command("demo", no_serve=True, stdout=StringIO())
