"""Mail and web servers on loopback that keep what they receive."""

import contextlib
import email
import email.policy
import http.server
import json
import socketserver
import threading
from collections.abc import Iterator
from email.message import EmailMessage
from typing import Any, cast


class _Mail(socketserver.StreamRequestHandler):
    """As much of SMTP as a client needs to hand over a message."""

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        for line in self.rfile:
            word = line[:4].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                body = b"".join(iter(self.rfile.readline, b".\r\n"))
                parsed = email.message_from_bytes(body, policy=email.policy.default)
                cast("Any", self.server).received.append(parsed)
            if word == b"QUIT":
                self.wfile.write(b"221 bye\r\n")
                return
            self.wfile.write(b"250 yes\r\n")


class _Web(http.server.BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        cast("Any", self.server).received.append(json.loads(body))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        pass


@contextlib.contextmanager
def _served(server: Any) -> Iterator[tuple[int, list[Any]]]:
    server.received = []
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1], server.received
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextlib.contextmanager
def mail_server() -> Iterator[tuple[int, list[EmailMessage]]]:
    """Yield the port of a mail server, and the list of messages that it has received."""
    with _served(socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Mail)) as served:
        yield served


@contextlib.contextmanager
def web_server() -> Iterator[tuple[int, list[dict[str, Any]]]]:
    """Yield the port of a web server, and the list of JSON bodies posted to it."""
    with _served(http.server.HTTPServer(("127.0.0.1", 0), _Web)) as served:
        yield served
