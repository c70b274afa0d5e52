"""`manage.py serve` as a real process: pages, static files, uploads, the worker beside it, and how it ends."""

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from contextlib import closing

import pytest

from tests.config.processes import answers, free_port, processes_of, workers_of
from tests.installation import ROOT, Installation, installed

pytestmark = pytest.mark.worker


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """One installation for all: making its tables takes longer than any of these tests."""
    with installed(tmp_path_factory.mktemp("served"), embedded=True) as made:
        yield made


def serving(place: Installation, *arguments: str) -> tuple[subprocess.Popen[bytes], int]:
    port = free_port()
    process = place.start("serve", "--port", str(port), *arguments)
    place.wait(lambda: answers(port), "an answer")
    return process, port


def ended(process: subprocess.Popen[bytes], seconds: float = 40) -> int:
    return process.wait(seconds)


def request(port: int, path: str, **headers: str):
    return urllib.request.urlopen(
        urllib.request.Request(
            f"http://127.0.0.1:{port}{path}", headers={k.replace("_", "-"): v for k, v in headers.items()}
        )
    )


def test_pages_and_static_files_are_served_and_nothing_is_left_behind(place):
    process, port = serving(place)
    with request(port, "/sign-in/") as page:
        text = page.read().decode()
        assert page.headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'self'" in page.headers["Content-Security-Policy"]
    style = re.search(r'href="(/static/css/tokens\.[0-9a-f]{12}\.css)"', text).group(1)
    with request(port, style, Accept_Encoding="gzip") as answer:
        assert answer.headers["Content-Encoding"] == "gzip"
        assert "immutable" in answer.headers["Cache-Control"]
    place.wait(lambda: len(workers_of(place.folder)) == 1, "a worker")

    process.send_signal(signal.SIGTERM)
    assert ended(process) == 0
    assert processes_of(place.folder) == {}
    with closing(socket.socket()) as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0

    again, _ = serving(place, "--no-worker")
    assert workers_of(place.folder) == []
    again.send_signal(signal.SIGINT)
    assert ended(again) == 0
    # Collected once, at the first start of this version.
    assert place.logs().count("Collected the static files.") == 1


def test_a_killed_worker_is_started_again_and_ends_when_the_server_is_killed(place):
    process, _ = serving(place)
    place.wait(lambda: len(workers_of(place.folder)) == 1, "a worker")
    first = workers_of(place.folder)[0]
    os.kill(first, signal.SIGKILL)
    place.wait(lambda: workers_of(place.folder) not in ([], [first]), "another worker")
    assert "The worker ended (-9); it is started again in 1 s." in place.logs()
    process.kill()
    process.wait()
    place.wait(lambda: processes_of(place.folder) == {}, "the end of the worker", seconds=60)


@pytest.fixture(scope="module")
def port(place):
    """Where a server without a worker listens."""
    process, port = serving(place, "--no-worker")
    yield port
    process.send_signal(signal.SIGTERM)
    assert ended(process) == 0


def test_an_upload_of_2_gb_is_refused_in_words_while_it_is_sent(place, port):
    sent, answer = 0, b""
    with closing(socket.create_connection(("127.0.0.1", port), timeout=20)) as line:
        line.sendall(b"POST /sign-in/ HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2147483648\r\n\r\n")
        block = bytes(2**16)
        while sent < 8 * 2**20:  # goes on sending as a browser does; the other side must not reset the connection
            line.sendall(block)
            sent += len(block)
        while part := line.recv(2**16):
            answer += part
    text = answer.decode()
    assert text.startswith("HTTP/1.1 413 ")
    assert "The upload of 2,048 MB is more than the 64 MB that are taken at once." in text
    assert answers(port)
    assert sum(path.stat().st_size for path in place.folder.glob("uploads/**/*")) == 0


def test_a_chunked_upload_without_a_length_is_refused_too(port):
    answer = b""
    with closing(socket.create_connection(("127.0.0.1", port), timeout=20)) as line:
        line.sendall(b"POST /sign-in/ HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n")
        chunk = b"100000\r\n" + bytes(2**20) + b"\r\n"
        for _ in range(70):
            line.sendall(chunk)
        line.shutdown(socket.SHUT_WR)
        while part := line.recv(2**16):
            answer += part
    assert b"HTTP/1.1 413 " in answer
    assert b"more than the 64 MB that are taken at once." in answer


def test_a_loggers_file_may_be_larger_than_other_uploads_up_to_a_limit_of_its_own(port):
    heads = {}
    for path, megabytes in (("/loads/1/traces/", 600), ("/loads/1/traces/", 200), ("/studies/import/", 200)):
        with closing(socket.create_connection(("127.0.0.1", port), timeout=20)) as line:
            head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {megabytes * 2**20}\r\n\r\n"
            line.sendall(head.encode())
            line.settimeout(5)
            try:
                heads[path, megabytes] = line.recv(2**16).decode()
            except TimeoutError:  # it waits for the rest of the body
                heads[path, megabytes] = ""
    assert "413" in heads["/loads/1/traces/", 600]
    assert heads["/loads/1/traces/", 200] == ""
    assert "413" in heads["/studies/import/", 200]


def test_a_taken_port_is_told(place):
    with closing(socket.socket()) as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        said = place_says(place, "serve", "--port", str(port))
    assert (
        said
        == f"CommandError: Port {port} of 127.0.0.1 is in use by another program. Stop that one, or choose another with --port."
    )


def place_says(place: Installation, *arguments: str) -> str:
    """What a command that fails says on standard error."""
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=place.environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1, done.stdout
    return done.stderr.strip()


def test_an_outdated_database_is_told(tmp_path):
    said = place_says(Installation(tmp_path, embedded=True), "serve", "--port", str(free_port()))
    assert said == "CommandError: The database is not up to date with this version. Run: python manage.py migrate"


def test_a_data_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    folder = tmp_path / "file" / "data"
    said = place_says(Installation(folder, embedded=True), "serve")
    assert (
        said == f"The data folder {folder} can't be made: Not a directory. Set LABBENCH_DATA_DIR to a folder of yours."
    )


def test_a_time_zone_that_is_none_is_told(tmp_path):
    place = Installation(tmp_path, embedded=True)
    place.environment["LABBENCH_TIME_ZONE"] = "Mars/Base"
    assert place_says(place, "serve") == (
        "LABBENCH_TIME_ZONE is “Mars/Base”, which is no time zone of the IANA database. Write it like Europe/Paris or UTC."
    )
