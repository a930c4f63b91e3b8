"""The description over HTTP. Attribute names: the open query proposal for OSC namespaces."""

from __future__ import annotations

import json
import socket
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import Any

import pytest

from liveassist.errors import OutputError
from liveassist.output.addresses import ADDRESSES, COMMANDS, ROOT, kit_addresses
from liveassist.output.catalogue import description, find
from liveassist.output.osc_messages import state_of
from liveassist.output.osc_query import QueryServer, reply

from .scene import KIT, SNAPSHOT

VALUES = state_of(SNAPSHOT).values
INFO = {"NAME": "x"}


def _get(target: str) -> Any:
    return reply(target, KIT, VALUES, INFO)


def _leaves(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    if "TYPE" in node:
        yield node
    for inner in node.get("CONTENTS", {}).values():
        yield from _leaves(inner)


def test_every_address_of_the_session_is_described() -> None:
    leaves = {leaf["FULL_PATH"]: leaf for leaf in _leaves(description(KIT, VALUES))}
    assert {path for path, *_ in kit_addresses(KIT)} <= set(leaves)
    assert set(COMMANDS) <= set(leaves)
    assert not any("{" in path for path in leaves)
    for path, leaf in leaves.items():
        assert leaf["ACCESS"] == (2 if path in COMMANDS else 1)
        assert len(leaf["RANGE"]) == len(leaf["UNIT"]) == len(leaf["TYPE"])


def test_a_figure_with_its_value() -> None:
    status, node = _get(f"{ROOT}/drum/snare/spread_db")
    assert status == 200
    assert node == {
        "FULL_PATH": f"{ROOT}/drum/snare/spread_db",
        "DESCRIPTION": "How uneven main hits are about their local trend.",
        "ACCESS": 1,
        "TYPE": "f",
        "UNIT": ["dB"],
        "RANGE": [{"MIN": 0, "MAX": 60}],
        "VALUE": [1.4],
        "ARGUMENTS": ["spread_db"],
        "OPTIONAL": [False],
        "SENT": "when it changes",
        "EXAMPLE": [1.4],
    }


@pytest.mark.parametrize(
    ("target", "status", "content"),
    [
        (f"{ROOT}/drum/snare/spread_db?VALUE", 200, {"VALUE": [1.4]}),
        (f"{ROOT}/drum/snare/spread_db?TYPE", 200, {"TYPE": "f"}),
        (f"{ROOT}/drum/snare/note_hz?VALUE", 204, None),
        ("/?HOST_INFO", 200, INFO),
        ("/nothing/here", 404, None),
        (f"{ROOT}?PASSWORD", 400, None),
        ("/" + "a" * 600, 414, None),
        ("//[", 400, None),
    ],
)
def test_answers(target: str, status: int, content: object) -> None:
    assert _get(target) == (status, content)


def test_an_address_may_have_a_value_and_contents() -> None:
    node = find(description(KIT), f"{ROOT}/drum/snare/hit")
    assert node is not None
    assert node["TYPE"] == "iffisf"
    assert "complete" in node["CONTENTS"]


def test_over_http() -> None:
    server = QueryServer("127.0.0.1", 0, 9001, KIT, lambda: VALUES, lambda host: True)
    base = f"http://127.0.0.1:{server.port}"
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(f"{base}/", timeout=5) as answer:
        assert answer.headers["Content-Type"] == "application/json"
        tree = json.load(answer)
    assert {leaf["FULL_PATH"] for leaf in _leaves(tree)} >= set(COMMANDS)
    with opener.open(f"{base}/?HOST_INFO", timeout=5) as answer:
        info = json.load(answer)
    assert (info["OSC_PORT"], info["OSC_TRANSPORT"]) == (9001, "UDP")
    with pytest.raises(urllib.error.HTTPError, match="404") as caught:
        opener.open(f"{base}/nothing", timeout=5)
    caught.value.close()
    server.close()


def test_strangers_get_nothing() -> None:
    server = QueryServer("127.0.0.1", 0, 9001, KIT, lambda: VALUES, lambda host: False)
    with socket.create_connection(("127.0.0.1", server.port), 5) as link:
        link.sendall(b"GET / HTTP/1.0\r\n\r\n")
        assert link.recv(100) == b""
    server.close()


def test_nonsense_does_no_harm() -> None:
    server = QueryServer("127.0.0.1", 0, 9001, KIT, lambda: VALUES, lambda host: True)
    for nonsense in (b"\xff" * 5000 + b"\r\n\r\n", b"GET\r\n\r\n", b"PUT / HTTP/1.1\r\n\r\n"):
        with socket.create_connection(("127.0.0.1", server.port), 5) as link:
            link.sendall(nonsense)
            link.shutdown(socket.SHUT_WR)
            while link.recv(4096):
                pass
    with socket.create_connection(("127.0.0.1", server.port), 5) as link:
        link.sendall(b"GET /?HOST_INFO HTTP/1.0\r\n\r\n")
        assert link.recv(100).startswith(b"HTTP/1.0 200")
    server.close()


def test_a_busy_port_is_one_clear_sentence() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(OutputError, match="choose another query_port"):
            QueryServer("127.0.0.1", port, 9001, KIT, lambda: VALUES, lambda host: True)


def test_the_table_has_no_two_rows_in_one_place() -> None:
    assert len({row.path for row in ADDRESSES}) == len(ADDRESSES)
