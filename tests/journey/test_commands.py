"""Commands from outside to a running session: an independent OSC client asks, is answered.

The client builds and reads its datagrams with python-osc, which shares no code with ours.
"""

from __future__ import annotations

import csv
import dataclasses
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from liveassist.app.outputs import load_surfaces, open_surfaces
from liveassist.app.session import Session
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.steering import Steering
from liveassist.model import Block, Drum, Kit, Mic, Prediction, Snapshot, Suggestion
from tests.unit.app.fakes import FakePipeline

ROOT = Path(__file__).resolve().parents[2]
SPACE = "/liveassist/1/"
PATIENCE_S = 20.0


class Client:
    """A socket of its own; asks one thing and waits for its answer."""

    def __init__(self, port: int) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.settimeout(0.1)
        self.port = port
        self.heard: list[OscMessage] = []

    def send(self, name: str, *values: Any) -> None:
        builder = OscMessageBuilder(SPACE + name)
        for value in values:
            builder.add_arg(value)
        self.socket.sendto(builder.build().dgram, ("127.0.0.1", self.port))

    def receive(self) -> bool:
        """Take in one datagram, if one comes."""
        try:
            data, _ = self.socket.recvfrom(65536)
        except OSError:
            return False
        self._keep(OscBundle(data) if OscBundle.dgram_is_bundle(data) else OscMessage(data))
        return True

    def _keep(self, packet: OscBundle | OscMessage) -> None:
        if isinstance(packet, OscMessage):
            self.heard.append(packet)
        else:
            for part in packet:
                self._keep(part)

    def ask(self, name: str, *values: Any, again: bool = False) -> tuple[str, str]:
        """Outcome and words; ``again``: until somebody listens."""
        answers = self.count(name)
        end_s = time.monotonic() + PATIENCE_S
        self.send(name, *values)
        while self.count(name) == answers:
            assert time.monotonic() < end_s, f"no answer to {name}"
            if not self.receive() and again:
                time.sleep(0.1)
                self.send(name, *values)
        return self.answers(name)[-1]

    def answers(self, name: str) -> list[tuple[str, str]]:
        return [
            (str(m.params[1]), str(m.params[2]))
            for m in self.heard
            if m.address == SPACE + "answer" and m.params[0] == SPACE + name
        ]

    def count(self, name: str) -> int:
        return len(self.answers(name))

    def until(self, address: str) -> OscMessage:
        end_s = time.monotonic() + PATIENCE_S
        while not (found := [m for m in self.heard if m.address == SPACE + address]):
            assert time.monotonic() < end_s, f"{address} did not come"
            self.receive()
        return found[-1]


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[tuple[Client, subprocess.Popen[str], Path]]:
    port = free_port()
    (tmp_path / "ear.toml").write_text(
        f'[surface]\nname = "ear"\n[osc_in]\nport = {port}\ncommands_per_s = 100\n'
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "liveassist", "demo", "--headless", "--out", str(tmp_path / "out"),
         "--surface", str(tmp_path / "ear.toml")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    client = Client(port)
    yield client, process, tmp_path / "out"
    client.socket.close()
    process.kill()
    process.communicate()


def test_every_command_to_a_running_demo_is_answered(
    demo: tuple[Client, subprocess.Popen[str], Path],
) -> None:
    client, process, out = demo
    assert client.ask("aim", "tight", again=True) == ("done", "suggestions aim at tight")
    client.send("subscribe")
    outcome, why = client.ask("aim", "loud")
    assert outcome == "refused"
    assert "natural, tight, keep-ghosts" in why
    assert client.ask("take/stop") == ("refused", "no take runs")
    assert client.ask("reference/set", "nowhere")[0] == "refused"
    assert client.ask("take/start", "verse") == ("done", "verse started")
    assert list(client.until("take/started").params)[:1] == ["verse"]
    assert client.ask("take/mark", "listen again")[0] == "done"
    assert client.ask("take/rename", "second verse") == ("done", "named second verse")
    assert client.ask("take/stop") == ("done", "second verse ended")
    assert list(client.until("take/ended").params)[:1] == ["second verse"]
    assert client.ask("reference/set", "second verse")[0] == "done"
    assert client.ask("reference/clear")[0] == "done"
    assert client.ask("alert/acknowledge", "uneven.cowbell") == (
        "refused",
        "no alert uneven.cowbell lasts",
    )
    assert client.ask("state")[0] == "done"
    client.until("session/time_s")
    # Nothing is armed on an uncertain suggestion, nor where no profile says how to send it.
    assert client.ask("apply/arm", "snare_top")[0] == "refused"
    assert client.ask("apply/now", "snare_top")[0] == "refused"
    assert client.ask("apply/undo", "snare_top")[0] == "refused"
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, errors
    with (out / "log.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["command"] for row in rows if row["outcome"] == "done"][-5:] == [
        "take/mark",
        "take/rename",
        "take/stop",
        "reference/set",
        "reference/clear",
    ]
    assert all(row["source"].startswith("127.0.0.1:") for row in rows)


class Certain(FakePipeline):
    """An analysis that is certain of one suggestion."""

    def snapshot(self) -> Snapshot:
        predicted = Prediction(0.99, (0.95, 1.0), 2.0, 12.0, (11.0, 13.0), 1.0, (0.0, 2.0), 0.1, 60)
        sure = Suggestion(-24.5, 3.0, 12.0, 3.5, 6.0, 1.0, 80.0, 120.0, 1.0, None, None, predicted)
        return dataclasses.replace(super().snapshot(), expander={"top": sure})


def test_arm_apply_and_undo_reach_the_device_and_the_files(tmp_path: Path) -> None:
    ear, device = free_port(), Client(0)
    at = device.socket.getsockname()[1]
    (tmp_path / "desk.toml").write_text(
        '[surface]\nname = "desk"\n'
        f'[osc_in]\nport = {ear}\n[[osc]]\nname = "desk"\nport = {at}\ntable = false\n'
        '[[apply]]\nname = "gate"\nshows = "suggested_threshold_dbfs"\nmic = "top"\n'
        'message = "osc"\naddress = "/gate/1"\ntype = "f"\nrange = [-60, 0]\nout = [-60, 0]\n'
    )
    kit = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
    pipeline = Certain(kit, 48_000)
    steering = Steering(pipeline)
    surfaces = open_surfaces(load_surfaces([str(tmp_path / "desk.toml")]), kit, steering.obey)
    client = Client(ear)
    try:
        files = SessionFiles(tmp_path / "out")
        session = Session(pipeline, kit, 48_000, files=files, outputs=[surfaces], steering=steering)
        played = 0

        def ask(name: str, *values: Any) -> tuple[str, str]:
            nonlocal played
            client.send(name, *values)
            end_s = time.monotonic() + PATIENCE_S
            before = client.count(name)
            while client.count(name) == before:
                assert time.monotonic() < end_s, f"no answer to {name}"
                session.feed(Block(played, np.zeros((4800, 1), dtype=np.float32)))
                played += 4800
                client.receive()
            return client.answers(name)[-1]

        assert ask("apply/now", "top") == ("refused", "top is not armed")
        assert ask("apply/arm", "top", -30.0)[0] == "done"
        shown = session.snapshot()
        assert shown.armed["top"] == pytest.approx(30.0, abs=5.0)
        assert "ARMED" in shown.outputs[0].note
        assert ask("apply/now", "top")[0] == "done"
        assert device_value(device) == pytest.approx(-24.5)
        assert ask("apply/now", "top") == ("refused", "top is not armed")
        assert ask("apply/undo", "top")[0] == "done"
        assert device_value(device) == pytest.approx(-30.0)
        session.finish()
    finally:
        surfaces.close()
        client.socket.close()
        device.socket.close()
    with (tmp_path / "out" / "applied.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["value"], row["before"], row["what"]) for row in rows] == [
        ("-24.5", "-30", "sent"),
        ("-30", "-24.5", "undo sent"),
    ]


def device_value(device: Client) -> float:
    """The next value the engineer's device is sent."""
    seen = len(device.heard)
    end_s = time.monotonic() + PATIENCE_S
    while len(device.heard) == seen:
        assert time.monotonic() < end_s, "nothing was sent to the device"
        device.receive()
    assert device.heard[-1].address == "/gate/1"
    return float(device.heard[-1].params[0])
