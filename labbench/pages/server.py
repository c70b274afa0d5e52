"""The web server in this process: listening, static files, refusing what is too large while it is being sent."""

from __future__ import annotations

import errno
import hashlib
import select
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import django
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command
from django.core.wsgi import get_wsgi_application
from django.template.loader import render_to_string
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import BaseWSGIServer, create_server
from waitress.utilities import RequestEntityTooLarge

from labbench.jobs.worker_process import WorkerProcess
from labbench.pages.uploads import FORM_BYTES, most_bytes, too_large_words

THREADS = 8
LINGER_SECONDS = 60


class PortTaken(Exception):
    """Something listens at this address already, or this user may not listen there; the text is for people."""


# --- listening ------------------------------------------------------------------------------------------------------


def listen(host: str, port: int, *, further_ports: int = 0) -> socket.socket:
    """A bound socket; the next free port of `further_ports` more is taken where the first is not free.

    Raises
    ------
    PortTaken
        If none of them can be had.
    """
    for candidate in range(port, min(port + further_ports, 65535) + 1):
        try:
            return bound(host, candidate)
        except OSError as error:
            reason = error
            if error.errno != errno.EADDRINUSE:
                break
    if reason.errno == errno.EADDRINUSE:
        raise PortTaken(
            f"Port {port} of {host} is in use by another program. Stop that one, or choose another with --port."
        )
    raise PortTaken(f"Can't listen at {host}, port {port}: {reason.strerror or reason}.")


def bound(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    made = socket.socket(family, kind, protocol)
    try:
        if sys.platform == "win32":
            # There SO_REUSEADDR would let two servers share a port.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        # Listening at once: of two programs that start together only one gets here.
        made.listen(1024)
    except OSError:
        made.close()
        raise
    return made


def address_of(listening: socket.socket) -> str:
    """The address to open on this machine."""
    host, port = listening.getsockname()[:2]
    if host in {"0.0.0.0", "::"}:
        host = "127.0.0.1"
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


# --- static files ---------------------------------------------------------------------------------------------------


def collect_static() -> bool:
    """Collect, hash and compress the static files unless this version's are there already; True if it was done."""
    if "Manifest" not in settings.STORAGES["staticfiles"]["BACKEND"]:
        return False
    stamp_file = Path(settings.STATIC_ROOT).with_suffix(".stamp")
    stamp = static_stamp()
    if stamp_file.is_file() and stamp_file.read_text() == stamp:
        return False
    call_command("collectstatic", interactive=False, verbosity=0)
    # Last, so that a collection that was interrupted is made again.
    stamp_file.write_text(stamp)
    return True


def static_stamp() -> str:
    """A hash over every static file, and over what turns it into what is served."""
    digest = hashlib.sha256(f"{django.__version__} {settings.STORAGES['staticfiles']['BACKEND']}".encode())
    for finder in get_finders():
        for path, storage in sorted(finder.list([]), key=lambda found: found[0]):
            with storage.open(path) as file:
                digest.update(path.encode() + b"\0" + file.read() + b"\0")
    return digest.hexdigest()


# --- uploads that are too large -------------------------------------------------------------------------------------


class UploadTooLarge(RequestEntityTooLarge):
    """The answer to a request whose body is larger than this server takes."""

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        page = render_to_string("413.html", {"reason": self.body})
        return f"{self.code} {self.reason}", [("Content-Type", "text/html; charset=utf-8")], page.encode()


class LimitedParser(HTTPRequestParser):
    """Says in words of ours that a body is too large, as soon as that is known."""

    error: Any

    def received(self, data: bytes) -> int:
        consumed: int = super().received(data)
        path = getattr(self, "path", "")
        is_over = max(self.content_length, self.body_bytes_received) > most_bytes(path)
        if is_over and (self.error is None or isinstance(self.error, RequestEntityTooLarge)):
            self.error = UploadTooLarge(too_large_words(self.content_length, path))
            self.completed = True
        return consumed


class LingeringChannel(HTTPChannel):
    """Goes on reading for a while after it has refused a body.

    Closing while the other side is still sending resets the connection, and most browsers then never show the answer.
    What comes is thrown away.
    """

    parser_class = LimitedParser
    close_when_flushed: bool
    lingers_until: float | None = None
    is_refusing = False

    def received(self, data: bytes) -> bool:
        taken: bool = super().received(data)
        self.is_refusing = self.is_refusing or any(
            isinstance(request.error, UploadTooLarge) for request in self.requests
        )
        return taken

    def readable(self) -> bool:
        if self.lingers_until is None:
            return bool(super().readable())
        if time.monotonic() > self.lingers_until:
            self.handle_close()
            return False
        return True

    def writable(self) -> bool:
        return self.lingers_until is None and bool(super().writable())

    def handle_read(self) -> None:
        if self.lingers_until is None:
            super().handle_read()
            return
        try:
            if not self.recv(self.adj.recv_bytes):
                self.handle_close()
        except OSError:
            self.handle_close()

    def handle_write(self) -> None:
        if self.is_refusing and self.close_when_flushed:
            self._flush_exception(self._flush_some, do_close=False)
            if not self.total_outbufs_len and not self.will_close:
                self.close_when_flushed = False
                self.lingers_until = time.monotonic() + LINGER_SECONDS
                try:
                    self.socket.shutdown(socket.SHUT_WR)
                except OSError:
                    self.handle_close()
                return
        super().handle_write()


# --- serving --------------------------------------------------------------------------------------------------------


def server_on(listening: socket.socket, application: Callable[..., Any] | None = None) -> BaseWSGIServer:
    """The server for the pages on a bound socket; `run` serves until it is interrupted."""
    behind_proxy = (
        {"trusted_proxy": "*", "trusted_proxy_count": 1, "trusted_proxy_headers": "x-forwarded-proto x-forwarded-for"}
        if settings.BEHIND_HTTPS
        else {}
    )
    server = create_server(
        application or get_wsgi_application(),
        sockets=[listening],
        threads=THREADS,
        # What a single address takes is looked at as soon as it is known (LimitedParser).
        max_request_body_size=max(settings.MAX_UPLOAD_BYTES, settings.MAX_TRACE_BYTES) + FORM_BYTES + 1,
        ident=None,
        asyncore_use_poll=hasattr(select, "poll"),
        **behind_proxy,
    )
    server.channel_class = LingeringChannel
    return server


def serve(listening: socket.socket, *, worker: WorkerProcess | None, say: Callable[[str], None], welcome: str) -> None:
    """Serve until interrupted, then stop the worker too."""
    server = None
    try:
        if worker is not None and worker.pid is None:
            worker.start()
        if collect_static():
            say("Collected the static files.")
        server = server_on(listening)
        say(welcome)
        # It takes an interrupt as the end, and finishes the answers under way.
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        if server is not None:
            server.close()
        listening.close()
        if worker is not None:
            say("Stopping ...")
            worker.stop()
    say("Stopped.")


@contextmanager
def interruptible() -> Iterator[None]:
    """SIGTERM means the same as Ctrl-C, and both work even where a shell started us with interrupts ignored."""

    def interrupt(*_: Any) -> None:
        raise KeyboardInterrupt

    before = {number: signal.signal(number, interrupt) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
