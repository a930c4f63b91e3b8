"""What every output must do, real or fake: the suite in test_outputs runs on all of these."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from liveassist.output.midi import MidiOutput, MidiPorts
from liveassist.output.osc import OscOutput
from liveassist.output.osc_server import OscServer
from liveassist.output.surface_model import HitNote, MidiPort, OscIn, OscTarget, Surface
from liveassist.output.worker import Output

from ..unit.output.scene import KIT


def _clock() -> float:
    return 1_700_000_000.0


@contextmanager
def osc_to_a_listener() -> Iterator[Output]:
    """An OSC target that is there."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        target = OscTarget("target", "127.0.0.1", receiver.getsockname()[1])
        yield OscOutput(Surface("s", osc=(target,)), target, KIT, _clock)


@contextmanager
def osc_to_nobody() -> Iterator[Output]:
    """An OSC target that is not there."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    target = OscTarget("target", "127.0.0.1", port)
    yield OscOutput(Surface("s", osc=(target,)), target, KIT, _clock)


@contextmanager
def osc_over_tcp_to_nobody() -> Iterator[Output]:
    """A TCP target that refuses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    target = OscTarget("target", "127.0.0.1", port, "tcp_slip")
    yield OscOutput(Surface("s", osc=(target,)), target, KIT, _clock)


@contextmanager
def osc_server() -> Iterator[Output]:
    """The server for commands and subscribers."""
    yield OscServer(OscIn(port=0), KIT, _clock, lambda command: True)


@contextmanager
def midi_that_is_absent() -> Iterator[Output]:
    """A MIDI port no computer has."""
    port = MidiPort("midi", "no such port anywhere")
    surface = Surface("s", midi=(port,), hits=(HitNote("h", "midi", "snare", 10, 38, 50.0, 0),))
    ports = MidiPorts([port])
    try:
        yield MidiOutput(surface, 0, port, ports)
    finally:
        ports.close()


ALL: list[Callable[[], object]] = [
    osc_to_a_listener,
    osc_to_nobody,
    osc_over_tcp_to_nobody,
    osc_server,
    midi_that_is_absent,
]
