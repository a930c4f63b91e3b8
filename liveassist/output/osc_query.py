"""Being found and described: the address tree over HTTP, and an announcement by mDNS.

The HTTP side follows the open query proposal for OSC namespaces: GET of an address gives its node
as JSON, ``?VALUE`` (or another attribute) that attribute alone, ``?HOST_INFO`` the OSC port. It
only answers questions: nothing can be changed here. One connection is served at a time, each
with a time limit, so that it cannot take more than a thread.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any
from urllib.parse import unquote, urlsplit

from liveassist.errors import OutputError
from liveassist.model import Kit

from .catalogue import description, find
from .quantities import Value

Values = Mapping[str, tuple[str, Value]]
#: A client that is slower than this is hung up on, seconds.
CLIENT_S = 2.0
#: Longest address asked for, characters.
MAX_PATH = 512
ATTRIBUTES = (
    *("VALUE", "TYPE", "RANGE", "DESCRIPTION", "ACCESS", "FULL_PATH", "CONTENTS", "UNIT"),
    *("ARGUMENTS", "OPTIONAL", "SENT", "EXAMPLE"),
)
_EXTENSIONS = dict.fromkeys(
    ("ACCESS", "VALUE", "RANGE", "DESCRIPTION", "UNIT", *ATTRIBUTES[-4:]), True
)


def reply(target: str, kit: Kit, values: Values, host_info: Mapping[str, Any]) -> tuple[int, Any]:
    """HTTP status and JSON content for a request target such as ``/liveassist/1?VALUE``."""
    if len(target) > MAX_PATH:
        return HTTPStatus.REQUEST_URI_TOO_LONG, None
    try:
        parts = urlsplit(target)
    except ValueError:
        return HTTPStatus.BAD_REQUEST, None
    attribute = parts.query.split("=")[0].split("&")[0]
    if attribute == "HOST_INFO":
        return HTTPStatus.OK, host_info
    node = find(description(kit, values), unquote(parts.path))
    if node is None:
        return HTTPStatus.NOT_FOUND, None
    if not attribute:
        return HTTPStatus.OK, node
    if attribute not in ATTRIBUTES:
        return HTTPStatus.BAD_REQUEST, None
    if attribute not in node:
        return HTTPStatus.NO_CONTENT, None
    return HTTPStatus.OK, {attribute: node[attribute]}


class QueryServer:
    """The HTTP side of one [osc_in], with its announcement."""

    def __init__(
        self,
        host: str,
        port: int,
        osc_port: int,
        kit: Kit,
        values: Callable[[], Values],
        allowed: Callable[[str], bool],
    ) -> None:
        host_info = {
            "NAME": "liveassist",
            "OSC_PORT": osc_port,
            "OSC_TRANSPORT": "UDP",
            "EXTENSIONS": _EXTENSIONS,
        }

        class Handler(BaseHTTPRequestHandler):
            """Answers one request."""

            timeout = CLIENT_S
            server_version = "liveassist"
            sys_version = ""

            def do_GET(self) -> None:
                if not allowed(str(self.client_address[0])):
                    self.close_connection = True
                    return
                status, content = reply(self.path, kit, values(), host_info)
                body = b"" if content is None else json.dumps(content).encode()
                self.send_response(status)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: object) -> None:
                """Requests are not logged: the terminal belongs to the dashboard."""

        try:
            self._server = _QuietServer((host, port), Handler)
        except OSError as error:
            why = (error.strerror or "it is not allowed").lower()
            raise OutputError(
                f"the OSC description cannot be served on {host}:{port} ({why}); choose another "
                "query_port in [osc_in] of the surface profile, or 0 for none"
            ) from None
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.2,), name="OSC query", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Stop serving. May be called twice."""
        self._server.shutdown()
        self._thread.join(5.0)
        self._server.server_close()


class _QuietServer(HTTPServer):
    """Clients that hang up are no news."""

    allow_reuse_address = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that breaks off is its own affair."""


class Announcement:
    """``_osc._udp`` and ``_oscjson._tcp`` by mDNS (RFC 6762, 6763), if the library is there."""

    def __init__(self, host: str, osc_port: int, query_port: int | None) -> None:
        self.note = ""
        self._zeroconf: Any = None
        try:
            import zeroconf
        except ImportError:
            self.note = "not announced: the zeroconf package is not installed"
            return
        addresses = [host] if host not in ("0.0.0.0", "::") else _own_addresses()
        packed = [socket.inet_pton(_family(text), text) for text in addresses]
        kinds = [("_osc._udp.local.", osc_port)]
        if query_port is not None:
            kinds.append(("_oscjson._tcp.local.", query_port))
        try:
            self._zeroconf = zeroconf.Zeroconf(interfaces=addresses)
            for kind, port in kinds:
                name = f"liveassist on {socket.gethostname()}"[:60]
                info = zeroconf.ServiceInfo(kind, f"{name}.{kind}", port, addresses=packed)
                self._zeroconf.register_service(info, allow_name_change=True)
            self.note = "announced by mDNS"
        except Exception as error:  # the network may refuse in many ways; none of them matters
            self.note = f"not announced: {error or type(error).__name__}"

    def close(self) -> None:
        """Take the announcement back."""
        if self._zeroconf is not None:
            self._zeroconf.close()
            self._zeroconf = None


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


def _own_addresses() -> list[str]:
    """The IPv4 address by which this computer reaches others; loopback if it reaches nobody."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737 test address; nothing is sent
            return [str(probe.getsockname()[0])]
        except OSError:
            return ["127.0.0.1"]
