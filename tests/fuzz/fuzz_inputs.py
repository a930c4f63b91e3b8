"""Random and broken input for everything that reads from outside, in great number.

Run by hand: ``python tests/fuzz/fuzz_inputs.py [--datagrams N] [--midi-bytes N] [--seed S]``.
Exits 1 if anything raises, hangs or grows. Last the same goes through real sockets of this
computer: a tenth of the datagrams, and as many pieces of broken SLIP and length-prefix streams,
to servers that must answer an honest command after every thousand. The unit tests do the same in
small.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import resource
import socket
import struct
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from liveassist.output.addresses import COMMANDS
from liveassist.output.commands import Command
from liveassist.output.midi_codec import MAX_SYSEX_BYTES, MidiReader
from liveassist.output.osc_codec import OscBundle, OscError, OscMessage, OscValue, encode
from liveassist.output.osc_desk import Desk
from liveassist.output.osc_stream import LengthReader, SlipReader, length_prefixed, slip
from liveassist.output.router import open_outputs
from liveassist.output.surface_model import OscIn, Surface, Transport
from tests.unit.output.scene import KIT

#: No single datagram may take longer, seconds of processor time.
LONGEST_S = 0.25
#: Sizes put where a size may stand: -4, huge, none.
SIZES = (b"\xff\xff\xff\xfc", b"\x7f\xff\xff\xfc", b"\0\0\0\0")
FRAMINGS: tuple[Transport, ...] = ("tcp_slip", "tcp_length")
#: Growth of the most memory ever held, after a first round that fills caches, kilobytes.
GROWTH_KB = 10_000


def _good(rng: random.Random) -> bytes:
    address = rng.choice([*COMMANDS, "/liveassist/1/*", "/{a,b}/[!x]?", "/a" * rng.randint(1, 60)])
    types = "".join(rng.choice("ifsbhdtSrcmTFNI") for _ in range(rng.randint(0, 6)))
    fill: dict[str, OscValue] = {
        "i": 1,
        "f": 0.5,
        "s": "x",
        "b": b"abc",
        "h": 1,
        "d": 0.5,
        "t": 1,
        "S": "y",
        "r": 1,
    }
    fill |= {"c": "c", "m": b"abcd", "T": True, "F": False, "N": None, "I": "impulse"}
    packet: OscMessage | OscBundle = OscMessage(address, types, tuple(fill[tag] for tag in types))
    for _ in range(rng.choice([0, 0, 0, 1, 2, 7])):
        packet = OscBundle((packet,) * rng.randint(1, 3), 1)
    return encode(packet)


def _datagram(rng: random.Random) -> bytes:
    kind = rng.random()
    if kind < 0.15:
        return rng.randbytes(rng.randint(0, 300))
    if kind < 0.2:  # deep nesting
        deep = b"/a\0\0,\0\0\0"
        for _ in range(rng.randint(1, 200)):
            deep = b"#bundle\0" + struct.pack(">Qi", 1, len(deep)) + deep
        return deep
    if kind < 0.23:  # a pattern made to be slow
        stars = "/liveassist/1/" + "*" * rng.randint(1, 300) + rng.choice("!x]")
        return stars.encode() + b"\0" * (4 - len(stars) % 4) + b",\0\0\0"
    data = bytearray(_good(rng))
    if kind < 0.9:
        for _ in range(rng.randint(1, 4)):
            if not data:
                break
            place = rng.randrange(len(data))
            action = rng.random()
            if action < 0.5:
                data[place] = rng.randrange(256)
            elif action < 0.7:
                data[place : place + 4] = rng.choice(
                    [b"\xff\xff\xff\xfc", b"\x7f\xff\xff\xfc", b"\0" * 4]
                )
            elif action < 0.85:
                del data[place:]
            else:
                data[place:place] = data[: rng.randint(0, 64)]
    return bytes(data)


def fuzz_datagrams(count: int, rng: random.Random) -> str:
    """Feed the command desk; returns what was counted."""
    taken: list[Command] = []

    def offer(command: Command) -> bool:
        taken.append(command)
        del taken[:-10]
        return True

    desk = Desk(OscIn(commands_per_s=100.0), offer)
    longest = 0.0
    now = 0.0
    for number in range(count):
        data = _datagram(rng)
        now += 0.01
        begin = time.thread_time()
        for reply in desk.packet(data, ("127.0.0.1", rng.randint(1, 65535), "udp"), now):
            encode(reply)
        longest = max(longest, time.thread_time() - begin)
        if number % 100 == 0:
            desk.expire(now)
    if longest > LONGEST_S:
        raise AssertionError(f"one datagram took {longest:.3f} s")
    counters = desk.counters
    return (
        f"{count} datagrams: {counters.malformed} malformed, {counters.refused} refused, "
        f"longest {longest * 1000:.2f} ms"
    )


def fuzz_streams(count: int, rng: random.Random) -> str:
    """Feed SLIP and length-prefix readers."""
    readers = SlipReader(), LengthReader()
    packets = 0
    for _ in range(count):
        data = _datagram(rng)
        if rng.random() < 0.5:
            data = slip(data)
        packets += len(readers[0].feed(data))
        try:
            packets += len(readers[1].feed(data))
        except OscError:
            readers = readers[0], LengthReader()
    return f"{count} pieces of streams: {packets} packets, {readers[0].dropped} dropped"


class _Router:
    """A listening server and what waits for its commands."""

    def __init__(self, transport: Transport) -> None:
        settings = OscIn(port=0, transport=transport, commands_per_s=100.0)
        self.router = open_outputs([Surface("s", osc_in=settings)], KIT)
        self.port = self.router._servers[0].port

    def serve(self) -> None:
        """Answer what was asked, as the daemon does."""
        for command in self.router.commands():
            self.router.answer(command, done=False, why="fuzzed")

    def answers(self, ask: Callable[[bytes], object], hear: Callable[[], bool]) -> None:
        """An honest question must be answered, at the latest when the rate allows it again."""
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            ask(encode(OscMessage("/liveassist/1/take/stop")))
            self.serve()
            if hear():
                return
        raise AssertionError("the server answers no more")


def fuzz_sockets(count: int, rng: random.Random) -> str:
    """Datagrams and broken streams through real sockets."""
    return "; ".join(
        [_fuzz_udp(count, rng), *(_fuzz_tcp(framing, count // 2, rng) for framing in FRAMINGS)]
    )


def _fuzz_udp(count: int, rng: random.Random) -> str:
    server = _Router("udp")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as us:
        us.connect(("127.0.0.1", server.port))
        us.setblocking(False)

        def hear() -> bool:
            time.sleep(0.01)
            with contextlib.suppress(OSError):
                while data := us.recv(65536):
                    if b"fuzzed" in data:
                        return True
            return False

        for number in range(count):
            with contextlib.suppress(OSError):
                us.send(_datagram(rng))
            if number % 100 == 0:
                server.serve()
            if number % 1000 == 999:
                server.answers(us.send, hear)
    counted = server.router._servers[0]._desk.counters
    said = f"{counted.packets} datagrams through a socket, {counted.malformed} malformed"
    server.router.close()
    return said


def _fuzz_tcp(framing: Transport, count: int, rng: random.Random) -> str:
    server = _Router(framing)
    wrap = slip if framing == "tcp_slip" else length_prefixed
    us = socket.create_connection(("127.0.0.1", server.port))
    begun = 1
    for number in range(count):
        piece = _datagram(rng)
        if rng.random() < 0.7:
            piece = wrap(piece)
        if rng.random() < 0.3:
            piece = piece[: rng.randint(0, len(piece))]
        try:
            us.settimeout(5.0)
            us.sendall(piece)
        except OSError:  # an impossible length ends the connection: begin another
            us.close()
            us = socket.create_connection(("127.0.0.1", server.port))
            begun += 1
        if number % 50 == 0:
            server.serve()
            us.settimeout(0.0)
            with contextlib.suppress(OSError):
                us.recv(1 << 20)
        if number % 1000 == 999:
            us.close()
            us = socket.create_connection(("127.0.0.1", server.port))
            begun += 1
            us.settimeout(0.05)
            server.answers(lambda data: us.sendall(wrap(data)), lambda: _heard(us))  # noqa: B023
    us.close()
    server.router.close()
    return f"{count} pieces of {framing} over {begun} connections"


def _heard(us: socket.socket) -> bool:
    try:
        return b"fuzzed" in us.recv(1 << 20)
    except OSError:
        return False


def fuzz_midi(count: int, rng: random.Random) -> str:
    """Feed the MIDI reader."""
    reader = MidiReader()
    messages = 0
    status = bytes(range(0x80, 0x100))
    for _ in range(count // 1000):
        data = rng.randbytes(1000)
        if rng.random() < 0.5:  # mostly data bytes: long running status and exclusive messages
            data = bytes(b & 0x7F for b in data[:-1]) + bytes([rng.choice(status)])
        for message in reader.feed(data):
            messages += 1
            if message[0] < 0x80 or len(message) > MAX_SYSEX_BYTES:
                raise AssertionError(f"not a message: {message.hex()}")
    return f"{count} MIDI bytes: {messages} messages, {reader.dropped} bytes dropped"


def main() -> int:
    """Run all three and print what was counted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--datagrams", type=int, default=1_000_000)
    parser.add_argument("--midi-bytes", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    fuzz_datagrams(10_000, rng)  # fill caches before memory is compared
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin = time.monotonic()
    print(fuzz_datagrams(options.datagrams, rng), flush=True)
    print(fuzz_streams(options.datagrams // 10, rng), flush=True)
    print(fuzz_midi(options.midi_bytes, rng), flush=True)
    print(fuzz_sockets(options.datagrams // 10, rng), flush=True)
    growth = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(f"{time.monotonic() - begin:.0f} s, memory grew by {growth} kB")
    return int(growth > GROWTH_KB)


if __name__ == "__main__":
    sys.exit(main())
