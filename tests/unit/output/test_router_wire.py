"""The router: nothing waits, queues are bounded, outputs come and go."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from liveassist.errors import OutputError
from liveassist.model import Hit
from liveassist.output.addresses import ROOT
from liveassist.output.commands import Command
from liveassist.output.osc_codec import OscBundle, OscMessage, decode, encode
from liveassist.output.osc_stream import LengthReader, SlipReader, length_prefixed, slip
from liveassist.output.router import Router, demo_surface, open_outputs
from liveassist.output.surface_model import OscIn, OscTarget, Surface, Transport
from liveassist.output.surfaces import parse_surface

from .scene import HIT, KIT, SNAPSHOT

WAIT_S = 5.0


@pytest.fixture(autouse=True)
def _no_thread_is_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    left = [thread for thread in threading.enumerate() if thread not in before]
    for thread in left:
        thread.join(WAIT_S)
    assert not [thread for thread in left if thread.is_alive()]


def _hit(number: int) -> Hit:
    return replace(HIT, number=number)


class _Receiver:
    """A UDP socket that stands for a tablet."""

    def __init__(self, port: int = 0) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", port))
        self.socket.settimeout(WAIT_S)
        self.port: int = self.socket.getsockname()[1]

    def messages(self) -> list[OscMessage]:
        packet = decode(self.socket.recv(65536))
        if isinstance(packet, OscBundle):
            return [m for m in packet.elements if isinstance(m, OscMessage)]
        return [packet]

    def until(self, good: Callable[[OscMessage], bool]) -> OscMessage:
        while True:
            for message in self.messages():
                if good(message):
                    return message

    def say(self, message: OscMessage, port: int) -> None:
        self.socket.sendto(encode(message), ("127.0.0.1", port))


@pytest.fixture
def receiver() -> Iterator[_Receiver]:
    made = _Receiver()
    yield made
    made.socket.close()


def _to(receiver: _Receiver, **settings: object) -> Surface:
    target = OscTarget("tablet", "127.0.0.1", receiver.port, **settings)  # type: ignore[arg-type]
    return Surface("tablet", osc=(target,))


def test_hits_and_figures_reach_a_target(receiver: _Receiver) -> None:
    router = open_outputs([_to(receiver)], KIT, lambda: 1_700_000_000.25)
    router.publish(HIT)
    assert receiver.messages() == [
        OscMessage(f"{ROOT}/drum/snare/hit", "iffisf", (412, 83.25, -9.5, 104, "main", 0.75))
    ]
    router.publish_snapshot(SNAPSHOT)
    packet = decode(receiver.socket.recv(65536))
    assert isinstance(packet, OscBundle)
    assert packet.time_tag == 0xE8FE6F80_40000000  # RFC 5905 form of 1700000000.25
    router.close()
    (state,) = router.states()
    assert (state.state, state.kind, state.dropped) == ("ok", "osc", 0)
    assert state.sent >= 2


def test_filters_and_prefix(receiver: _Receiver) -> None:
    surface = _to(
        receiver,
        prefix="/desk",
        only=(f"{ROOT}/drum/*/hit", f"{ROOT}/take/*"),
        but_not=(f"{ROOT}/take/clock_s",),
    )
    router = open_outputs([surface], KIT)
    router.publish(replace(HIT, stage="withdrawn"))
    router.publish(HIT)
    assert [m.address for m in receiver.messages()] == [f"/desk{ROOT}/drum/snare/hit"]
    router.publish_snapshot(SNAPSHOT)
    names = {m.address.removeprefix(f"/desk{ROOT}/take/") for m in receiver.messages()}
    assert names >= {"name", "running", "done"}
    assert "clock_s" not in names
    router.close()


def test_a_target_that_is_not_there_costs_nothing_and_is_right_when_it_comes() -> None:
    first = _Receiver()
    port = first.port
    first.socket.close()
    surface = Surface("t", osc=(OscTarget("tablet", "127.0.0.1", port, rate_hz=100.0),))
    router = open_outputs([surface], KIT)
    begin = time.perf_counter()
    for number in range(200):
        router.publish(_hit(number))
    assert time.perf_counter() - begin < 1.0
    _poll(lambda: router.states()[0].state == "down")
    assert router.states()[0].note == f"nobody listens at 127.0.0.1:{port}"
    late = _Receiver(port)
    late.socket.settimeout(0.05)
    seen: set[str] = set()
    end = time.monotonic() + WAIT_S
    step = 0
    while f"{ROOT}/session/kit" not in seen and time.monotonic() < end:
        step += 1
        router.publish_snapshot(replace(SNAPSHOT, time_s=float(step)))
        with contextlib.suppress(TimeoutError):
            seen |= {message.address for message in late.messages()}
    router.close()
    late.socket.close()
    assert f"{ROOT}/session/kit" in seen  # unchanged all along: sent because it came back
    assert router.states()[0].state == "ok"


def _poll(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_an_unknown_host_is_a_state() -> None:
    surface = Surface("t", osc=(OscTarget("tablet", "no-such-host.invalid", 9000),))
    router = open_outputs([surface], KIT)
    router.publish(HIT)
    _poll(lambda: "is not known" in router.states()[0].note)
    assert router.states()[0].state == "absent"
    router.close()


@pytest.mark.parametrize("transport", ["tcp_slip", "tcp_length"])
def test_tcp_targets(transport: Transport) -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(WAIT_S)
    target = OscTarget("t", "127.0.0.1", listener.getsockname()[1], transport)
    router = open_outputs([Surface("t", osc=(target,))], KIT)
    router.publish(HIT)
    connection, _ = listener.accept()
    connection.settimeout(WAIT_S)
    reader = SlipReader() if transport == "tcp_slip" else LengthReader()
    packets: list[bytes] = []
    while not packets:
        packets += reader.feed(connection.recv(65536))
    message = decode(packets[0])
    assert isinstance(message, OscMessage)
    assert message.address == f"{ROOT}/drum/snare/hit"
    router.close()
    connection.close()
    listener.close()


# --- commands ------------------------------------------------------------------------------


def _listening(port: int = 0) -> Surface:
    return Surface("in", osc_in=OscIn(port=port))


def _port(router: Router) -> int:
    return router._servers[0].port


def test_a_command_over_the_wire_and_its_answer(receiver: _Receiver) -> None:
    router = open_outputs([_listening()], KIT)
    receiver.say(OscMessage(f"{ROOT}/take/start", "s", ("verse",)), _port(router))
    found: list[Command] = []

    def arrived() -> bool:
        found.extend(router.commands())
        return bool(found)

    _poll(arrived)
    assert (found[0].name, found[0].args) == ("take/start", ("verse",))
    router.answer(found[0], done=True, why="take verse")
    assert receiver.messages() == [
        OscMessage(f"{ROOT}/answer", "sss", (f"{ROOT}/take/start", "done", "take verse"))
    ]
    receiver.say(OscMessage(f"{ROOT}/take/begin"), _port(router))
    assert receiver.messages()[0].args[1:] == ("refused", "no such command")
    router.close()


def test_a_subscriber_gets_the_whole_state_first_and_then_events(receiver: _Receiver) -> None:
    router = open_outputs([_listening()], KIT)
    router.publish_snapshot(SNAPSHOT)
    receiver.say(OscMessage(f"{ROOT}/subscribe"), _port(router))
    assert receiver.until(lambda m: m.address == f"{ROOT}/answer").args[1] == "done"
    kit = receiver.until(lambda m: m.address == f"{ROOT}/session/kit")
    assert kit.args == ("rehearsal kit",)
    router.publish(HIT)
    receiver.until(lambda m: m.address == f"{ROOT}/drum/snare/hit")
    router.publish_snapshot(replace(SNAPSHOT, takes_done=3))
    changed = receiver.until(lambda m: m.address == f"{ROOT}/take/done")
    assert changed.args == (3,)
    router.close()


def test_the_state_can_be_asked_for_once(receiver: _Receiver) -> None:
    router = open_outputs([_listening()], KIT)
    router.publish_snapshot(SNAPSHOT)
    receiver.say(OscMessage(f"{ROOT}/state"), _port(router))
    receiver.until(lambda m: m.address == f"{ROOT}/session/kit")
    _poll(lambda: "0 subscribed" in router.states()[0].note)
    router.close()


def test_a_busy_port_is_one_clear_sentence(receiver: _Receiver) -> None:
    with pytest.raises(OutputError, match=f"127.0.0.1:{receiver.port} .*choose another port"):
        open_outputs([_listening(receiver.port)], KIT)


def test_the_demonstration_works_without_any_midi() -> None:
    router = open_outputs([demo_surface()], KIT)
    _poll(lambda: router.states()[1].note != "looking for the port")
    router.publish(HIT)
    router.publish_snapshot(SNAPSHOT)
    states = router.states()
    assert [state.kind for state in states] == ["osc", "midi"]
    assert states[1].state in ("absent", "ok")
    router.close()


@pytest.mark.parametrize("transport", ["tcp_slip", "tcp_length"])
def test_commands_and_subscriptions_over_tcp(transport: Transport) -> None:
    surface = Surface("in", osc_in=OscIn(port=0, transport=transport))
    router = open_outputs([surface], KIT)
    router.publish_snapshot(SNAPSHOT)
    reader = SlipReader() if transport == "tcp_slip" else LengthReader()
    wrap = slip if transport == "tcp_slip" else length_prefixed
    seen: list[OscMessage] = []
    with socket.create_connection(("127.0.0.1", _port(router)), WAIT_S) as link:
        data = wrap(encode(OscMessage(f"{ROOT}/subscribe")))
        link.sendall(data[:5])
        link.sendall(data[5:])

        def has(address: str) -> bool:
            for packet in reader.feed(link.recv(65536)):
                found = decode(packet)
                inner = found.elements if isinstance(found, OscBundle) else (found,)
                seen.extend(m for m in inner if isinstance(m, OscMessage))
            return any(m.address == address for m in seen)

        _poll(lambda: has(f"{ROOT}/session/kit"))
        assert seen[0].address == f"{ROOT}/answer"
        router.publish(HIT)
        _poll(lambda: has(f"{ROOT}/drum/snare/hit"))
    with socket.create_connection(("127.0.0.1", _port(router)), WAIT_S) as link:
        link.sendall(b"\xff" * 100_000)  # nonsense: refused without harm
    router.close()


# --- applying ------------------------------------------------------------------------------


def test_applying_over_the_wire(receiver: _Receiver) -> None:
    """Arm, apply and undo by OSC; the device is the same receiver under an address of its own."""
    text = f"""
    surface = {{ name = "x" }}
    osc_in = {{ port = 1 }}
    osc = [
      {{ name = "device", port = {receiver.port}, table = false }},
      {{ name = "tablet", port = {receiver.port}, only = ["{ROOT}/apply/*"] }},
    ]
    [[apply]]
    name = "threshold"
    shows = "suggested_threshold_dbfs"
    mic = "snare"
    message = "osc"
    address = "/gate/threshold"
    range = [-80, 0]
    out = [-80, 0]
    to = "device"
    """
    surface = replace(parse_surface(text, "x.toml"), osc_in=OscIn(port=0))
    router = open_outputs([surface], KIT)
    seen: list[OscMessage] = []

    def say(name: str, types: str, *args: object) -> tuple[object, ...]:
        receiver.say(OscMessage(f"{ROOT}/apply/{name}", types, args), _port(router))  # type: ignore[arg-type]
        end = time.monotonic() + WAIT_S
        receiver.socket.settimeout(0.02)
        while time.monotonic() < end:
            assert router.commands() == []
            with contextlib.suppress(TimeoutError):
                seen.extend(receiver.messages())
            answers = [m for m in seen if m.address == f"{ROOT}/answer"]
            if answers:
                seen.remove(answers[0])
                return answers[0].args
        raise AssertionError("no answer")

    router.publish_snapshot(SNAPSHOT)
    _poll(lambda: all(state.state == "ok" for state in router.states()))
    assert say("now", "s", "snare_top")[1:] == ("refused", "snare_top is not armed")
    assert say("arm", "sf", "snare_top", -30.0)[1] == "done"
    assert list(router.armed()) == ["snare_top"]
    assert router.states()[0].note.startswith("SNARE_TOP IS ARMED FOR ")
    assert say("now", "s", "snare_top")[1] == "done"
    assert router.armed() == {}
    assert say("undo", "s", "snare_top")[1] == "done"
    router.close()
    with contextlib.suppress(TimeoutError):
        while True:
            seen += receiver.messages()
    device = [m.args[0] for m in seen if m.address == "/gate/threshold"]
    armed = [m.args for m in seen if m.address == f"{ROOT}/apply/armed"]
    assert device == [-24.5, -30.0]
    assert [(mic, left > 0) for mic, left in armed] == [("snare_top", True), ("snare_top", False)]  # type: ignore[operator]
    assert [(a.value, a.before) for a in router.applied()] == [(-24.5, -30.0), (-30.0, -24.5)]


def test_several_targets_each_with_its_own_filter_prefix_and_rate() -> None:
    one, other, gone = _Receiver(), _Receiver(), _Receiver()
    gone.socket.close()
    targets = (
        OscTarget("one", "127.0.0.1", one.port, only=(f"{ROOT}/drum/*/hit",)),
        OscTarget("gone", "127.0.0.1", gone.port),
        OscTarget(
            "other",
            "127.0.0.1",
            other.port,
            prefix="/desk",
            only=(f"{ROOT}/take/clock_s",),
            rate_hz=5.0,
        ),
    )
    router = open_outputs([Surface("s", osc=targets)], KIT)
    begin = time.monotonic()
    for step in range(60):
        router.publish(_hit(step))
        router.publish_snapshot(replace(SNAPSHOT, time_s=100.0 + step))
        time.sleep(0.01)
    seen = [one.messages()[0] for _ in range(60)]
    assert [message.args[0] for message in seen] == list(range(60))
    assert {message.address for message in seen} == {f"{ROOT}/drum/snare/hit"}
    router.close()
    took = time.monotonic() - begin
    other.socket.setblocking(False)
    figures = []
    with contextlib.suppress(BlockingIOError):
        while True:
            figures += other.messages()
    assert {message.address for message in figures} == {f"/desk{ROOT}/take/clock_s"}
    assert 2 <= len(figures) <= 1 + 5.0 * took
    states = {state.name: state for state in router.states()}
    assert (states["one"].dropped, states["other"].dropped) == (0, 0)
    assert states["gone"].state == "down"
    one.socket.close()
    other.socket.close()


def test_a_subscription_ends_by_itself_and_renewing_keeps_it(receiver: _Receiver) -> None:
    """One second without renewing ends it; renewed every half second it goes on."""
    router = open_outputs([_listening()], KIT)
    router.publish_snapshot(SNAPSHOT)
    ask = OscMessage(f"{ROOT}/subscribe", "iff", (receiver.port, 1.0, 100.0))
    for _ in range(4):
        receiver.say(ask, _port(router))
        time.sleep(0.5)
        router.publish(HIT)
        receiver.until(lambda m: m.address == f"{ROOT}/drum/snare/hit")
    assert "1 subscribed" in router.states()[0].note
    _poll(lambda: "0 subscribed" in router.states()[0].note)
    router.close()
