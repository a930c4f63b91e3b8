"""Random and broken input for everything that reads from outside, in great number.

Run by hand: ``python tests/fuzz/fuzz_inputs.py [--datagrams N] [--midi-bytes N] [--seed S]``.
Exits 1 if anything raises, hangs or grows. The unit tests do the same in small.
"""

from __future__ import annotations

import argparse
import random
import resource
import struct
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from liveassist.output.addresses import COMMANDS
from liveassist.output.commands import Command
from liveassist.output.midi_codec import MAX_SYSEX_BYTES, MidiReader
from liveassist.output.osc_codec import OscBundle, OscError, OscMessage, OscValue, encode
from liveassist.output.osc_desk import Desk
from liveassist.output.osc_stream import LengthReader, SlipReader, slip
from liveassist.output.surface_model import OscIn

#: No single datagram may take longer, seconds of processor time.
LONGEST_S = 0.25
#: Sizes put where a size may stand: -4, huge, none.
SIZES = (b"\xff\xff\xff\xfc", b"\x7f\xff\xff\xfc", b"\0\0\0\0")
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
    growth = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(f"{time.monotonic() - begin:.0f} s, memory grew by {growth} kB")
    return int(growth > GROWTH_KB)


if __name__ == "__main__":
    sys.exit(main())
