"""The production server, with its refusal of a body that is too large put into words."""

import json
import logging
import socket
import time
from typing import Any

import flask
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import create_server
from waitress.utilities import Error, RequestEntityTooLarge

from dashboards.uploads import UPLOAD_LIMIT_BYTES

THREADS = 8
# a connection holds an open file; a process may have 1,024 on most systems, and jobs and logs need some
MOST_CONNECTIONS = 900
IDLE_S = 30  # until a silent connection is closed, looked for every LOOK_S; an answer that is being made is not silent
LOOK_S = 5
DRAIN_S = 20  # of a body that goes on after it was refused; of a local network that is some gigabytes
MOST_BYTES = UPLOAD_LIMIT_BYTES + 1_000_000  # an upload and its headers
NO_ROOM = "The upload cannot be taken in ({}): no room for temporary files on this computer; free some space."
TOO_LARGE = "The file is larger than 1 GB; export a shorter section or fewer channels."


class _InWords(Error):
    """An answer that the pages can show."""

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        body = json.dumps({"error": self.body}).encode()
        return f"{self.code} {self.reason}", [("Content-Type", "application/json")], body


class _TooLarge(_InWords, RequestEntityTooLarge):
    pass


class _Full(_InWords):
    code, reason = 507, "Insufficient Storage"  # RFC 4918, section 11.5


class _Parser(HTTPRequestParser):
    """Refuses as early as waitress does, before the body is taken in, but says what to do."""

    error: Any  # waitress sets it while it parses

    def received(self, data: bytes) -> int:
        try:
            taken: int = super().received(data)
        except OSError as error:  # a large body waits in a file of the system's folder for temporary ones
            self.error, self.completed, self.connection_close = _Full(NO_ROOM.format(error.strerror)), True, True
            return len(data)
        if isinstance(self.error, RequestEntityTooLarge):
            self.error = _TooLarge(TOO_LARGE)
        return taken


class _Channel(HTTPChannel):
    """A connection that stays open for the rest of a body that was refused. Closed at once, the system would answer
    what still comes in with a reset, and the client would lose the words (RFC 9112, section 9.6)."""

    parser_class = _Parser
    will_close: bool
    close_when_flushed: bool
    _refused = False
    _drains_until_s: float | None = None

    def service(self) -> None:
        self._refused = self.requests[0].error is not None
        super().service()

    def handle_write(self) -> None:
        if self.close_when_flushed and self._refused and not self.will_close:
            self._flush_exception(self._flush_some)
            if not self.total_outbufs_len and not self.will_close:
                self.close_when_flushed, self._drains_until_s = False, time.monotonic() + DRAIN_S
                self.socket.shutdown(socket.SHUT_WR)
            return
        super().handle_write()

    def received(self, data: bytes) -> bool:
        if self._drains_until_s is None:
            return bool(super().received(data))
        self.will_close = time.monotonic() > self._drains_until_s
        return False


def make_server(application: flask.Flask, *, host: str, port: int) -> Any:
    """A waitress server that listens; `run()` serves.

    Raises
    ------
    OSError : the address cannot be listened on.
    """
    # it would tell whoever started the page that a request waits a moment for its turn
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    server = create_server(
        application,
        host=host,
        port=port,
        threads=THREADS,
        max_request_body_size=MOST_BYTES,
        ident=None,
        connection_limit=MOST_CONNECTIONS,
        channel_timeout=IDLE_S,
        cleanup_interval=LOOK_S,
        backlog=MOST_CONNECTIONS,
        asyncore_use_poll=True,  # `select` ends at file 1,024
    )
    # a name with several addresses gets several sockets
    for part in (server, *getattr(server, "map", {}).values()):
        if hasattr(part, "channel_class"):
            part.channel_class = _Channel
    return server
