"""The port process, with a MIDI library that keeps its ports in a file and can be made to crash.

The same is tested with real ports in tests/realparts; here every machine can run it.
"""

from __future__ import annotations

import sys
import time
import types
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from liveassist.output import midi_child
from liveassist.output.midi import MidiOutput, MidiPorts
from liveassist.output.midi_child import _Way, find, frame, frames, pattern_label
from liveassist.output.surface_model import MidiPort, Surface

WAIT_S = 10.0
SURFACE = Surface("s", midi=(MidiPort("grid", "grid*", input=True),))
#: A stand-in for the rtmidi module, found first by the port process. A tune request (F6) crashes
#: it as a dead sound server crashes the real one.
LIBRARY = """
import os, pathlib
HERE = pathlib.Path(__file__).parent
API_RTMIDI_DUMMY = 0
API_UNIX_JACK = 2
def get_compiled_api():
    return [0, 7]
class _Port:
    def __init__(self, api, name=""):
        if not (HERE / "ports").exists():
            raise OSError("no system")
    def get_ports(self):
        return (HERE / "ports").read_text().splitlines()
    def open_port(self, index, name=""):
        self.port = self.get_ports()[index]
    def close_port(self):
        pass
    def delete(self):
        with (HERE / "sent").open("a") as out:
            out.write("deleted\\n")
class MidiOut(_Port):
    def send_message(self, message):
        if message == [0xF6]:
            os._exit(139)
        with (HERE / "sent").open("a") as out:
            out.write(bytes(message).hex() + "\\n")
        if message[0] == 0x90:
            for client in MidiIn.clients:
                client.callback((message, 0.0), None)
class MidiIn(_Port):
    clients = []
    def ignore_types(self, sysex, timing, active_sense):
        assert not sysex and not timing and active_sense
    def set_callback(self, callback):
        self.callback = callback
        self.clients.append(self)
"""


class _Bench:
    """The stand-in library's files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "rtmidi.py").write_text(LIBRARY)
        self.heard: list[bytes] = []
        self.heard_s: list[float] = []

    def plug(self, *names: str) -> None:
        draft = self.folder / "draft"
        draft.write_text("\n".join(names))
        draft.rename(self.folder / "ports")

    def sent(self) -> list[str]:
        path = self.folder / "sent"
        return path.read_text().splitlines() if path.exists() else []

    def hear(self, port: MidiPort, message: bytes, heard_s: float) -> None:
        self.heard.append(message)
        self.heard_s.append(heard_s)


def _until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> _Bench:
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    return _Bench(tmp_path)


@pytest.fixture
def ports(bench: _Bench) -> Iterator[MidiPorts]:
    made = MidiPorts([MidiPort("grid", "grid*", input=True)], bench.hear)
    yield made
    made.close()
    made.close()


def test_without_the_library_it_is_absent_with_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rtmidi.py").write_text("raise ModuleNotFoundError('none')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    ports = MidiPorts([MidiPort("a", "*"), MidiPort("b", "*")])
    _until(lambda: all("python-rtmidi" in health.note for health in ports.health))
    assert [health.state for health in ports.health] == ["absent", "absent"]
    assert not ports.send(0, [b"\x90\x01\x02"])
    ports.close()


def test_a_library_that_lacks_a_part_of_the_system_says_which(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rtmidi.py").write_text("raise ImportError('libsound.so.2 is not there')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    ports = MidiPorts([MidiPort("a", "*")])
    _until(lambda: "libsound.so.2 is not there" in ports.health[0].note)
    assert ports.health[0].state == "absent"
    ports.close()


def test_a_system_that_starts_later_is_found(bench: _Bench, ports: MidiPorts) -> None:
    _until(lambda: "no MIDI system is running" in ports.health[0].note)
    bench.plug("Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    assert ports.health[0].note == "Grid 1"


def test_a_port_that_goes_and_comes(bench: _Bench, ports: MidiPorts) -> None:
    bench.plug("something else")
    _until(lambda: "matches 'grid*'" in ports.health[0].note)
    assert ports.health[0].state == "absent"
    bench.plug("something else", "Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    assert ports.send(0, [bytes.fromhex("b0074eb02710")])
    _until(lambda: bench.sent() == ["b0074e", "b02710"])  # one message at a time
    bench.plug("something else")
    _until(lambda: ports.health[0].state == "down")
    assert not ports.send(0, [b"\xb0\x07\x01"])
    bench.plug("Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    assert ports.health[0].opened == 2


def test_what_comes_in_is_handed_on(bench: _Bench, ports: MidiPorts) -> None:
    bench.plug("Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    before_s = time.monotonic()
    ports.send(0, [b"\x90\x24\x50"])
    _until(lambda: bench.heard == [b"\x90\x24\x50"])
    # The moment is that of the port process: one clock for all processes of a computer.
    assert before_s <= bench.heard_s[0] <= time.monotonic()


def test_a_crash_of_the_port_process_is_survived(bench: _Bench, ports: MidiPorts) -> None:
    bench.plug("Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    ports.send(0, [b"\xf6"])
    _until(lambda: ports.health[0].state == "down")
    _until(lambda: ports.health[0].state == "ok")
    assert ports.send(0, [b"\xc0\x05"])
    _until(lambda: "c005" in bench.sent())


def test_ports_are_let_go_properly_at_the_end(bench: _Bench) -> None:
    """A JACK client that only vanishes holds up its server for seconds."""
    bench.plug("Grid 1")
    ports = MidiPorts([MidiPort("grid", "grid*", input=True)])
    _until(lambda: ports.health[0].state == "ok")
    ports.close()
    assert bench.sent() == ["deleted"] * 4  # two ports, two lists
    assert not ports.send(0, [b"\xc0\x05"])


def test_closing_at_once_does_not_wait(bench: _Bench) -> None:
    begin = time.monotonic()
    MidiPorts([MidiPort("grid", "grid*")]).close()
    assert time.monotonic() - begin < 1.9  # the process is given 2 s before it is killed


@pytest.mark.parametrize(
    ("pattern", "index"),
    [("grid", 1), ("GRID", 1), ("*2", 2), ("Grid ?", 1), ("pad", None), ("*", 0), ("x[1]", None)],
)
def test_ports_are_found_by_pattern(pattern: str, index: int | None) -> None:
    assert find(pattern, ["other", "Grid 1", "Grid 2"]) == index


class _Shifting:
    """A MIDI library whose list changes as ports are opened, as on a JACK server: a port of ours
    takes the lowest free place, also in front of others."""

    def __init__(self, names: list[str], joins: list[str]) -> None:
        self.names, self.joins = names, joins
        self.opened: list[str] = []

    def get_ports(self) -> list[str]:
        return list(self.names)

    def open_port(self, index: int, name: str = "") -> None:
        if self.joins:
            self.names.insert(0, self.joins.pop())  # it comes between the two listings
        self.opened.append(self.names[index])

    def close_port(self) -> None:
        self.opened.append("closed")


def test_a_port_is_opened_by_name_though_the_list_changes_under_our_hands() -> None:
    library = _Shifting(["gate 1", "pads 1"], ["new 1", "liveassist:pads"])
    way = _Way(lambda: library, None, lambda: None)
    way.follow("pads", ["pads 1"])  # read before: the gate would be opened at that place
    assert way.name == "pads 1"
    assert library.opened == ["gate 1", "closed", "gate 1", "closed", "pads 1"]


def test_a_list_that_never_rests_opens_nothing() -> None:
    library = _Shifting(["gate 1", "pads 1"], [f"new {number}" for number in range(9)])
    way = _Way(lambda: library, None, lambda: None)
    way.follow("pads", ["pads 1"])
    assert way.name is None
    assert library.opened[-1] == "closed"


def test_the_server_has_the_last_word_on_what_was_opened() -> None:
    library = _Shifting(["gate 1", "pads 1"], [])
    none = frozenset[tuple[str, str]]()
    links = [
        *(none, frozenset({("ours", "gate 1")})),  # it says another was opened
        *(none, frozenset({("ours", "pads 1")})),
        none,  # the port went and came back: the same name, connected no more
    ]
    way = _Way(lambda: library, None, lambda: links.pop(0))
    way.follow("pads", library.names)
    assert library.opened == ["pads 1", "closed", "pads 1"]
    assert way.name == "pads 1"
    way.follow("pads", library.names)
    assert way.name is None


def test_our_own_ports_are_never_meant() -> None:
    """An input of ours is listed with the pattern in its name: "liveassist:grid"."""
    assert find("grid", ["liveassist:grid", "Grid 1"]) == 1
    assert find("*", ["liveassist list in:x", "liveassist-01:pads"]) is None


def test_what_came_in_too_fast_is_counted_and_shown(bench: _Bench, ports: MidiPorts) -> None:
    bench.plug("Grid 1")
    _until(lambda: ports.health[0].state == "ok")
    ports._take(0, b"L", b"17")
    output = MidiOutput(SURFACE, 0, SURFACE.midi[0], ports)
    assert output.state().note == "Grid 1; 17 messages came in too fast, lost"


def test_the_port_process_counts_what_it_cannot_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", types.ModuleType("rtmidi"))
    child = midi_child.Child([])
    for _ in range(midi_child.MAX_HELD + 3):
        child.heard(0, b"\xf8")
    assert child._lost == {0: 3}


def test_frames_survive_the_pipe_in_pieces() -> None:
    data = frame(3, b"S", b"\x90\x01\x02") + frame(0, b"O", b"") + frame(255, b"D", b"x" * 60000)
    buffer = bytearray()
    found = []
    for at in range(0, len(data), 7):
        buffer += data[at : at + 7]
        found += list(frames(buffer))
    assert found == [(3, b"S", b"\x90\x01\x02"), (0, b"O", b""), (255, b"D", b"x" * 60000)]
    assert not buffer


def test_our_port_names_are_plain() -> None:
    assert pattern_label("*fader[12]? bank") == "fader12 bank"
    assert pattern_label("*") == "port"
