"""TCP connections for commands: what cannot be followed, and one too many, is told why."""

from __future__ import annotations

import contextlib
import socket

import pytest

from liveassist.output.osc_codec import OscMessage, decode
from liveassist.output.osc_stream import LengthReader, SlipReader, length_prefixed, slip
from liveassist.output.osc_tcp import MAX_CONNECTIONS
from liveassist.output.router import Router, open_outputs
from liveassist.output.surface_model import OscIn, Surface, Transport

from .scene import KIT

WAIT_S = 10.0


def _port(router: Router) -> int:
    return router._servers[0].port


@pytest.mark.parametrize(
    ("transport", "sent", "why"),
    [
        ("tcp_slip", length_prefixed(b"/a\0\0,\0\0\0"), "this port expects SLIP framing"),
        ("tcp_slip", b"\xc0/a\xdb\x01\xc0", "a packet was broken"),
        ("tcp_length", slip(b"/a\0\0,\0\0\0"), "this port expects a length before each packet"),
    ],
)
def test_a_stream_that_cannot_be_followed_is_told_why(
    transport: Transport, sent: bytes, why: str
) -> None:
    surface = Surface("t", osc_in=OscIn(port=0, transport=transport))
    router = open_outputs([surface], KIT)
    reader = SlipReader() if transport == "tcp_slip" else LengthReader()
    with socket.create_connection(("127.0.0.1", _port(router)), WAIT_S) as link:
        link.settimeout(WAIT_S)
        link.sendall(sent)
        packets: list[bytes] = []
        while not packets:
            packets += reader.feed(link.recv(65536))
    message = decode(packets[0])
    assert isinstance(message, OscMessage)
    assert message.args[:2] == ("", "refused")
    assert why in str(message.args[2])
    router.close()


def test_a_connection_too_many_is_told_so() -> None:
    router = open_outputs([Surface("t", osc_in=OscIn(port=0, transport="tcp_slip"))], KIT)
    with contextlib.ExitStack() as links:
        last = None
        for _ in range(MAX_CONNECTIONS + 1):
            last = socket.create_connection(("127.0.0.1", _port(router)), WAIT_S)
            links.enter_context(last)
        assert last is not None
        last.settimeout(WAIT_S)
        (packet,) = SlipReader().feed(last.recv(65536))
        message = decode(packet)
        assert isinstance(message, OscMessage)
        assert message.args[2] == "8 connections are open, which is all there may be"
    router.close()
