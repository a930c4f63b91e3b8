"""Found by mDNS (RFC 6762, 6763): a browser of the zeroconf library on the loopback interface."""

from __future__ import annotations

import json
import urllib.request

import pytest

from liveassist.output.osc_query import Announcement
from liveassist.output.router import open_outputs
from liveassist.output.surface_model import OscIn, Surface

from ..unit.output.scene import KIT
from .conftest import wait_until

pytestmark = pytest.mark.realparts


def test_osc_and_its_description_are_found() -> None:
    import zeroconf

    found: dict[str, zeroconf.ServiceInfo] = {}

    class Listener(zeroconf.ServiceListener):
        def add_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            info = zc.get_service_info(type_, name)
            if info is not None and "liveassist" in name:
                found[type_] = info

        def remove_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            if "liveassist" in name:
                found.pop(type_, None)

        def update_service(self, zc: zeroconf.Zeroconf, type_: str, name: str) -> None:
            """Nothing to do."""

    browser = zeroconf.Zeroconf(interfaces=["127.0.0.1"])
    kinds = ["_osc._udp.local.", "_oscjson._tcp.local."]
    zeroconf.ServiceBrowser(browser, kinds, Listener())
    settings = OscIn(port=0, query_port=_free_port(), announce=True)
    router = open_outputs([Surface("in", osc_in=settings)], KIT)
    assert "announced by mDNS" in router.states()[0].note, router.states()[0].note
    wait_until(lambda: len(found) == 2, 10.0, "both announcements")
    assert found["_osc._udp.local."].port == router._servers[0].port
    described = found["_oscjson._tcp.local."]
    assert described.parsed_addresses() == ["127.0.0.1"]
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(f"http://127.0.0.1:{described.port}/?HOST_INFO", timeout=5) as answer:
        assert json.load(answer)["OSC_PORT"] == router._servers[0].port
    router.close()
    wait_until(lambda: not found, 10.0, "both announcements to be taken back")
    browser.close()


def _free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def test_without_the_library_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "zeroconf", None)
    announcement = Announcement("127.0.0.1", 9001, None)
    assert announcement.note == "not announced: the zeroconf package is not installed"
    announcement.close()
