"""The daemon's socket: rights, answers, orders, several watchers, slow and rude ones.

Real sockets in a temporary folder; nothing is asserted about time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import socket
import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from liveassist.app.control import MOST_ORDERS, ControlServer, Order
from liveassist.app.controlclient import Connection, choose_running
from liveassist.app.rundir import Claim, running, runtime_folder
from liveassist.app.wire import read_snapshot
from liveassist.errors import DeviceError, LiveassistError
from liveassist.model import Drum, Kit, Mic, Snapshot
from tests.unit.app.fakes import FakePipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    # Kept short: the path of a socket has about a hundred bytes.
    path = tmp_path / "run"
    monkeypatch.setenv("LIVEASSIST_RUNTIME_DIR", str(path))
    return path


@pytest.fixture
def server(folder: Path) -> Iterator[ControlServer]:
    claim = Claim("stage box, test")
    made = ControlServer(claim.socket)
    yield made
    made.close()
    claim.release()
    assert not any(thread.name == "control" for thread in threading.enumerate())


def picture() -> Snapshot:
    return FakePipeline(KIT, 48_000).snapshot()


def next_line(connection: Connection) -> dict[str, object]:
    while not connection.ended:
        for line in connection.lines(5.0):
            return line
    raise AssertionError("the daemon hung up")


def test_only_the_owner_may_open_it(server: ControlServer, folder: Path) -> None:
    assert stat.S_IMODE(os.stat(server.path).st_mode) == 0o600
    assert stat.S_IMODE(os.stat(folder).st_mode) == 0o700


def test_a_folder_others_may_use_is_refused(folder: Path) -> None:
    folder.mkdir(mode=0o755)
    folder.chmod(0o755)
    with pytest.raises(LiveassistError, match="folder of yours alone"):
        runtime_folder()


def test_one_daemon_a_device(server: ControlServer) -> None:
    with pytest.raises(DeviceError, match=f"Process {os.getpid()} listens on"):
        Claim("stage box, test")
    other = Claim("another box")
    assert len(running()) == 2
    with pytest.raises(LiveassistError, match="Several daemons"):
        choose_running(None)
    other.release()
    other.release()
    (one,) = running()
    assert one.pid == os.getpid()
    assert choose_running(None) == one
    with pytest.raises(LiveassistError, match="did you mean"):
        choose_running(one.name[:-1])


def test_after_a_crash_the_leftovers_are_no_daemon(folder: Path) -> None:
    claim = Claim("stage box, test")
    claim.socket.touch()
    os.close(claim._fd)  # as the system does at a crash
    assert running() == []
    with pytest.raises(LiveassistError, match=r"No session is running.*a demo or a replay"):
        choose_running(None)
    again = Claim("stage box, test")
    assert not again.socket.exists()
    again.release()


def test_status_and_orders(server: ControlServer) -> None:
    server.tell_status({"state": "running", "pid": 1})
    with Connection(server.path) as daemon:
        answer = daemon.answer("status")["status"]
        assert answer["state"] == "running"
        assert answer["watchers"] == 0
        for order in ("take_toggle", "set_reference", "silence_alert", "stop"):
            assert daemon.answer(order) == {"ok": True}
            assert server.orders.get_nowait() == Order(order)
        assert daemon.answer("silence_alert", "uneven.snare") == {"ok": True}
        assert server.orders.get_nowait() == Order("silence_alert", "uneven.snare")
        with pytest.raises(LiveassistError, match="does not know"):
            daemon.answer("make coffee")


def test_more_orders_than_are_taken_are_refused(server: ControlServer) -> None:
    with Connection(server.path) as daemon:
        for _ in range(MOST_ORDERS):
            daemon.answer("take_toggle")
        with pytest.raises(LiveassistError, match="too busy"):
            daemon.answer("take_toggle")
    assert server.orders.qsize() == MOST_ORDERS


def test_several_watchers_see_the_same_and_may_leave(server: ControlServer) -> None:
    server.figures(picture())
    watchers = [Connection(server.path) for _ in range(3)]
    for one in watchers:
        one.send("watch")
        assert read_snapshot(next_line(one)["snapshot"]) == picture()
    watchers[0].close()
    server.figures(picture())
    for one in watchers[1:]:
        assert read_snapshot(next_line(one)["snapshot"]) == picture()
        one.close()


def test_who_stopped_it_hears_when_it_is_over(server: ControlServer) -> None:
    with Connection(server.path) as daemon:
        daemon.answer("stop")
        server.close()
        server.close()
        assert daemon.wait_for_end(5.0)


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\n",
        b"\xff\xfe\x00\n",
        b"[" * 4000 + b"\n",
        b'{"do": 5}\n',
        b'{"do": "stop", \n',
        b"null\n",
        b'"stop"\n',
        b"x" * 100_000,
    ],
)
def test_rubbish_is_refused_and_others_are_served(server: ControlServer, rubbish: bytes) -> None:
    rude = socket.socket(socket.AF_UNIX)
    rude.connect(str(server.path))
    # What never ends is hung up on while it is still being sent.
    with contextlib.suppress(OSError):
        rude.sendall(rubbish)
    with Connection(server.path) as daemon:
        assert "status" in daemon.answer("status")
    assert server.orders.empty()
    rude.close()


def test_a_watcher_that_never_reads_is_skipped_then_dropped(folder: Path) -> None:
    now = [0.0]
    claim = Claim("stage box, test")
    server = ControlServer(claim.socket, clock=lambda: now[0])
    lazy = Connection(claim.socket)
    lazy.send("watch")
    with Connection(claim.socket) as brisk:
        brisk.send("watch")
        many = {f"reason {n}": "x" * 200 for n in range(2000)}
        server.figures(FakePipeline(KIT, 48_000).snapshot())
        next_line(brisk)
        big = dataclasses.replace(picture(), expander_reason=many)
        while server.counters.skipped == 0:
            server.figures(big)
            read_snapshot(next_line(brisk)["snapshot"])
        now[0] = 60.0
        # The brisk one goes on being served while the lazy one is thrown out.
        while server.counters.dropped == 0:
            server.figures(big)
            next_line(brisk)
        assert server.counters.watchers == 1
        assert json.loads(json.dumps(brisk.answer("status")))["status"]["watchers_dropped"] == 1
    lazy.close()
    server.close()
    claim.release()
