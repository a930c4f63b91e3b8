"""A lug walk at a real audio server, with a telephone that hears OSC and gives commands."""

from __future__ import annotations

import io
import socket
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from liveassist.app.kittoml import kit_toml
from liveassist.app.lugwalk import LugWalkRequest, lug_walk
from liveassist.model import Mic
from tests.realparts import live_parts
from tests.realparts.live_parts import Player, Server
from tests.unit.app.lugtaps import tapped

pytestmark = pytest.mark.realparts

NAME = "ci-lugs"
ROOT = "/liveassist/1"
SURFACE = """
[surface]
name = "telephone"

[[osc]]
name = "telephone"
host = "127.0.0.1"
port = {out}

[osc_in]
host = "127.0.0.1"
port = {back}
"""


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Phone:
    """Hears what is sent, and ends the walk by a command when every lug is measured."""

    def __init__(self, port: int, back: int, player: Player) -> None:
        self.heard: list[OscMessage] = []
        self._player, self._back = player, back
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", port))
        self._socket.settimeout(60.0)
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while True:
            try:
                data = self._socket.recv(65536)
            except TimeoutError:
                return
            bundle = OscBundle.dgram_is_bundle(data)
            messages = list(OscBundle(data)) if bundle else [OscMessage(data)]
            for message in messages:
                self.heard.append(message)
                if message.address == f"{ROOT}/lugs/at":
                    if len(self.of("lugs/at")) == 1:
                        self._player.go()
                    if message.params[1] == 0:
                        ask = OscMessageBuilder(f"{ROOT}/lugs/end").build().dgram
                        self._socket.sendto(ask, ("127.0.0.1", self._back))
                        return

    def of(self, name: str) -> list[OscMessage]:
        return [message for message in self.heard if message.address == f"{ROOT}/{name}"]

    def close(self) -> None:
        self._thread.join(70.0)
        self._socket.close()


def test_a_lug_walk_with_a_telephone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight taps would do to see it work; here all lugs once, lug 7 of ten 30 % too tight."""
    monkeypatch.setattr(live_parts, "NAME", NAME)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", NAME)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    kit, audio = tapped(7, 1.3, taps=1)
    kit = replace(kit, mics=tuple(replace(mic, channel=i + 1) for i, mic in enumerate(kit.mics)))
    assert all(isinstance(mic, Mic) for mic in kit.mics)
    np.save(tmp_path / "taps.npy", audio)
    (tmp_path / "kit.toml").write_text(kit_toml(kit))
    port, back = free_port(), free_port()
    (tmp_path / "phone.toml").write_text(SURFACE.format(out=port, back=back))
    server = Server(1024)
    player = Player("rehearsal", str(tmp_path / "taps.npy"))
    phone = Phone(port, back, player)
    try:
        out = io.StringIO()
        request = LugWalkRequest(
            str(tmp_path / "kit.toml"),
            taps=1,
            device="rehearsal",
            surfaces=(str(tmp_path / "phone.toml"),),
        )
        assert lug_walk(request, out, typed=lambda: "") == 0
    finally:
        phone.close()
        player.close()
        server.close()
    at = [message.params for message in phone.of("lugs/at")]
    assert at[0] == ["snare", 1, 10, 1]
    assert at[-1] == ["snare", 0, 10, 0]
    off: dict[int, float] = {}
    for message in phone.of("lugs/off"):
        off[message.params[0]] = message.params[1]
    assert set(sorted(off, key=lambda lug: -off[lug])[:2]) == {2, 7}
    assert "Lugs 2 and 7" in phone.of("lugs/sentence")[-1].params[0]
    assert "Lugs 2 and 7" in out.getvalue()
