"""Applying to a device that goes away, was never there, or takes nothing: over real sockets.

No device, no value: what the engineer is told was sent must have left, and what is armed must be
there. The rules are our own; see `liveassist.output.apply`.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import replace

import pytest

from liveassist.output.apply import ApplyDesk, Outcome
from liveassist.output.applying import PATIENCE_S, Applying
from liveassist.output.commands import Command
from liveassist.output.osc_codec import OscMessage, decode
from liveassist.output.osc_stream import LengthReader, SlipReader
from liveassist.output.router import Router, open_outputs
from liveassist.output.surface_bind import bind
from liveassist.output.surfaces import parse_surface
from liveassist.output.worker import Delivery

from .scene import KIT, SNAPSHOT

WAIT_S = 10.0
MIC = "snare_top"
TEXT = """
surface = {{ name = "x" }}
osc = [{{ name = "gate", port = {port}, transport = "{transport}", table = false }}]
[[apply]]
name = "threshold"
shows = "suggested_threshold_dbfs"
mic = "snare"
message = "osc"
address = "/gate/threshold"
range = [-80, 0]
out = [-80, 0]
"""


class _Desk:
    """A router with one device, and what its commands came to."""

    def __init__(self, port: int, transport: str) -> None:
        text = TEXT.format(port=port, transport=transport)
        self.router: Router = open_outputs([parse_surface(text, "x.toml")], KIT)
        self.outcomes: list[tuple[str, bool, str]] = []
        self.router.answer = self._answer  # type: ignore[method-assign]
        self.router.publish_snapshot(SNAPSHOT)

    def _answer(self, command: Command, done: bool, why: str = "") -> None:
        self.outcomes.append((command.name, done, why))

    def ask(self, name: str, *args: float | str) -> tuple[bool, str]:
        self.outcomes.clear()
        assert self.router.offer(Command(f"apply/{name}", (MIC, *args)))
        self.until(lambda: bool(self.outcomes))
        (outcome,) = self.outcomes
        return outcome[1:]

    def done(self, name: str, *args: float | str) -> str:
        """Ask for what must be done; what was said."""
        done, why = self.ask(name, *args)
        assert done, why
        return why

    def until(self, good: Callable[[], bool]) -> None:
        end = time.monotonic() + WAIT_S
        while not good():
            assert time.monotonic() < end, "timed out"
            assert self.router.commands() == []
            self.router.publish_snapshot(SNAPSHOT)
            time.sleep(0.01)

    def state(self) -> str:
        (state,) = self.router.states()
        return state.state


@pytest.fixture
def opened() -> Iterator[Callable[[int, str], _Desk]]:
    desks: list[_Desk] = []

    def make(port: int, transport: str) -> _Desk:
        desks.append(_Desk(port, transport))
        return desks[-1]

    yield make
    for desk in desks:
        desk.router.close()


class _TcpDevice:
    """A device that is connected to; can be switched off, and on again on the same port."""

    def __init__(self, transport: str, port: int = 0) -> None:
        self.listener = socket.create_server(("127.0.0.1", port))
        self.listener.settimeout(WAIT_S)
        self.port: int = self.listener.getsockname()[1]
        self.reader = SlipReader() if transport == "tcp_slip" else LengthReader()

    def accept(self) -> None:
        self.link, _ = self.listener.accept()
        self.link.settimeout(0.3)

    def heard(self) -> list[OscMessage]:
        """Messages until nothing comes for a while."""
        packets: list[bytes] = []
        try:
            while data := self.link.recv(65536):
                packets += self.reader.feed(data)
        except TimeoutError:
            pass
        return [m for packet in packets if isinstance(m := decode(packet), OscMessage)]

    def off(self) -> None:
        self.link.close()
        self.listener.close()


@pytest.mark.parametrize("transport", ["tcp_slip", "tcp_length"])
def test_a_device_that_closes_its_connection_is_noticed_and_disarmed(
    transport: str, opened: Callable[[int, str], _Desk]
) -> None:
    device = _TcpDevice(transport)
    desk = opened(device.port, transport)
    device.accept()
    desk.until(lambda: desk.state() == "ok")
    desk.done("arm", -30.0)
    assert list(desk.router.armed()) == [MIC]
    device.off()  # nothing is being sent: only the end of the connection tells
    desk.until(lambda: desk.state() == "down")
    desk.until(lambda: desk.router.armed() == {})
    assert desk.ask("now") == (False, f"{MIC} is not armed")
    assert desk.ask("arm") == (False, "gate is not there")
    assert desk.router.applied() == ()
    again = _TcpDevice(transport, device.port)
    again.accept()  # by itself, though there is nothing to send
    desk.until(lambda: desk.state() == "ok")
    assert again.heard() == []
    assert desk.ask("now") == (False, f"{MIC} is not armed")
    desk.done("arm")
    desk.done("now")
    assert [m.args for m in again.heard()] == [(-24.5,)]
    again.off()


def test_a_device_that_closes_just_before_now_gets_nothing_and_the_log_says_so(
    opened: Callable[[int, str], _Desk],
) -> None:
    device = _TcpDevice("tcp_slip")
    desk = opened(device.port, "tcp_slip")
    device.accept()
    desk.until(lambda: desk.state() == "ok")
    desk.done("arm")
    device.off()
    done, why = desk.ask("now")
    assert not done
    assert why
    assert not [row for row in desk.router.applied() if row.sent]


def test_a_connection_is_found_again_however_seldom_figures_are_due() -> None:
    device = _TcpDevice("tcp_slip")
    text = TEXT.format(port=device.port, transport="tcp_slip")
    surface = parse_surface(text.replace("table = false", "rate_hz = 0.1"), "x.toml")
    router = open_outputs([surface], KIT)
    device.accept()
    device.off()
    again = _TcpDevice("tcp_slip", device.port)
    again.listener.settimeout(5.0)  # figures are due every 10 s; it must not wait for them
    again.accept()
    router.close()
    again.off()


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_over_udp_nothing_is_armed_where_nobody_listens(
    opened: Callable[[int, str], _Desk],
) -> None:
    port = _free_port()
    desk = opened(port, "udp")
    desk.until(lambda: desk.state() == "ok")  # as far as UDP knows: nothing was sent yet
    nobody = f"nobody listens at 127.0.0.1:{port}"
    assert desk.ask("arm", -30.0) == (False, f"gate: {nobody}")
    assert desk.router.armed() == {}
    assert desk.router.applied() == ()


def test_over_udp_a_device_that_goes_disarms_and_what_it_missed_cannot_be_undone(
    opened: Callable[[int, str], _Desk],
) -> None:
    device = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    device.bind(("127.0.0.1", 0))
    port = device.getsockname()[1]
    desk = opened(port, "udp")
    desk.until(lambda: desk.state() == "ok")
    desk.done("arm", -30.0)
    device.close()
    assert not desk.ask("now")[0]
    assert not [row for row in desk.router.applied() if row.sent]
    assert desk.ask("undo")[0] is False
    again = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    again.bind(("127.0.0.1", port))
    desk.until(lambda: desk.state() == "ok")
    desk.done("arm", -30.0)
    again.close()
    desk.until(lambda: desk.router.armed() == {})  # while armed it is tried every second


def test_what_now_and_undo_sent_is_in_their_answers(opened: Callable[[int, str], _Desk]) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as device:
        device.bind(("127.0.0.1", 0))
        desk = opened(device.getsockname()[1], "udp")
        desk.until(lambda: desk.state() == "ok")
        desk.ask("arm", -30.0)
        assert desk.ask("now") == (True, "sent suggested threshold -24.5 dBFS")
        known = "that was there before as far as is known: no device says what it took"
        assert desk.ask("undo") == (True, f"sent suggested threshold -30 dBFS; {known}")


# --- without sockets: what the outputs report is ours to say ---------------------------------


class _Outputs:
    """Outputs whose reports are held back."""

    def __init__(self) -> None:
        self.asked: list[tuple[tuple[bytes | OscMessage, ...], Future[Delivery]]] = []
        text = TEXT.format(port=1, transport="udp")
        surface = bind(parse_surface(text, "x.toml"), KIT)[0]
        self.applying = Applying(lambda _name: self, lambda _message: None)
        self.applying.desk = ApplyDesk(surface.applies)
        self.applying.look({"gate": "ok"}, 0.0, SNAPSHOT)

    def deliver(self, messages: object) -> Future[Delivery]:
        future: Future[Delivery] = Future()
        self.asked.append((tuple(messages), future))  # type: ignore[arg-type]
        return future

    def command(self, name: str, now: float, mic: str = MIC) -> Outcome | None:
        return self.applying.command(Command(f"apply/{name}", (mic,)), {"gate": "ok"}, now)

    def go_on(self, now: float) -> list[tuple[str, bool, str]]:
        done = self.applying.go_on({"gate": "ok"}, now)
        return [(command.name, outcome.done, outcome.why) for command, outcome in done]

    def arm(self) -> None:
        assert self.command("arm", 0.0) is None
        self.asked.pop()[1].set_result(Delivery(life=1))
        assert self.go_on(0.0)[0][1]


def test_a_device_that_does_not_answer_gets_nothing_later() -> None:
    outputs = _Outputs()
    outputs.arm()
    assert outputs.command("now", 1.0) is None
    assert outputs.go_on(1.0 + 0.5 * PATIENCE_S) == []
    why = "nothing was sent: gate: it does not answer"
    assert outputs.go_on(1.0 + PATIENCE_S) == [("apply/now", False, why)]
    assert outputs.asked[-1][1].cancelled()


def test_a_device_that_came_back_since_it_was_armed_gets_nothing() -> None:
    outputs = _Outputs()
    outputs.arm()
    outputs.command("now", 1.0)
    outputs.asked.pop()[1].set_result(Delivery(life=2))
    assert outputs.go_on(1.0)[0][1] is False
    assert outputs.asked == []


def test_disarming_stops_what_is_on_its_way() -> None:
    outputs = _Outputs()
    outputs.arm()
    outputs.command("now", 1.0)
    found = outputs.command("disarm", 1.1)
    assert found is not None
    assert found.done
    outputs.asked.pop()[1].set_result(Delivery(life=1))
    assert outputs.go_on(1.2) == [("apply/now", False, "it was taken back")]
    assert outputs.asked == []


def test_one_command_at_a_time_for_each_microphone() -> None:
    outputs = _Outputs()
    outputs.arm()
    outputs.command("now", 1.0)
    second = outputs.command("now", 1.0)
    assert second is not None
    assert "is not done yet" in second.why


def test_a_drum_names_its_own_microphone() -> None:
    """As in the profile, where mic = "snare" is the snare's own microphone."""
    text = TEXT.format(port=1, transport="udp")
    router = open_outputs([parse_surface(text, "x.toml")], KIT)
    try:
        assert router._applying.mic_named("snare") == MIC
        router._applying.look({"gate": "ok"}, 0.0, SNAPSHOT)
        arm = Command("apply/arm", ("snare",))
        assert router._applying.command(arm, {"gate": "ok"}, 0.0) is None
        wrong = router._applying.command(replace(arm, args=("kick",)), {"gate": "ok"}, 0.0)
        assert wrong is not None
        assert wrong.why.endswith("entry for kick_in; there are some for snare_top")
    finally:
        router.close()
