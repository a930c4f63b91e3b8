"""How soon a fault of the audio is noticed, and how soon audio is back after it is mended.

Run by hand: ``python -m tests.speed.faults [--times 5]``. A real audio server and a player that
counts; each fault is made several times. *Noticed*: from the fault until the input says that
something is wrong (screens and the log follow within a tenth of a second). *Back*: from the moment
at which server and source are there again until the first block of the source's audio. Exit status
1 where the longest of either is over a second or three.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Callable

from liveassist.input.device import DeviceSource
from tests.realparts import live_parts
from tests.realparts.live_parts import KIT, RATE, Player, Reader, Server

NAME = "liveassist-faults"
MOST_NOTICED_S, MOST_BACK_S = 1.0, 3.0
#: When a fault is made, and how long it is left alone, seconds of the clock after it was noticed.
REST_S = 0.5


class Bench:
    """Server, player and reader; a fault at a time."""

    def __init__(self) -> None:
        self.server = Server(256, sync=False)
        self.player = self._player()
        self.source = DeviceSource(KIT, "drumsim", None, 128)
        self.source.start()
        self.reader = Reader(self.source, exact=False)
        self.reader.until(RATE)

    @staticmethod
    def _player() -> Player:
        return Player("drumsim", "counter", "6")

    def noticed(self) -> float:
        """Seconds from now until the input says that something is wrong."""
        begun_s = time.monotonic()
        self.reader.until_state("recovering")
        return time.monotonic() - begun_s

    def back(self) -> float:
        """Seconds from now until the source is heard."""
        begun_s, heard = time.monotonic(), self.reader.heard
        while self.reader.heard == heard or self.source.state != "running":
            self.reader.read()
            if time.monotonic() - begun_s > live_parts.PATIENCE_S:
                sys.exit(f"no audio came back: {self.source.state}, {self.source.note}")
        return time.monotonic() - begun_s

    def source_ends(self) -> tuple[float, float]:
        """The program or interface behind the server goes, and comes again."""
        self.player.kill()
        noticed = self.noticed()
        time.sleep(REST_S)
        self.player = self._player()
        return noticed, self.back()

    def source_bumped(self) -> tuple[float, float]:
        """Gone and back at once, under the same name."""
        begun_s = time.monotonic()
        self.player.kill()
        self.player = self._player()
        gone_s = time.monotonic() - begun_s
        noticed = gone_s + self.noticed()
        # The source has been there since before it was noticed.
        return noticed, noticed - gone_s + self.back()

    def server_dies(self) -> tuple[float, float]:
        """The audio server crashes and is started again, with its source."""
        self.server.kill()
        noticed = self.noticed()
        self.player.kill()
        time.sleep(REST_S)
        self.server.start()
        self.player = self._player()
        return noticed, self.back()

    def server_stalls(self) -> tuple[float, float]:
        """The server does not answer for a while."""
        self.server.signal(signal.SIGSTOP)
        noticed = self.noticed()
        time.sleep(REST_S)
        self.server.signal(signal.SIGCONT)
        return noticed, self.back()

    def child_dies(self) -> tuple[float, float]:
        """The process that holds the device is killed."""
        before = self.source.child_pid
        assert before is not None
        begun_s = time.monotonic()
        os.kill(before, signal.SIGKILL)
        # Another may run before the state was looked at.
        while self.source.child_pid == before:
            self.reader.read()
        return time.monotonic() - begun_s, self.back()

    def settle(self) -> None:
        """Half a second of audio between faults."""
        self.reader.until(RATE // 2)

    def close(self) -> None:
        """End everything."""
        self.source.close()
        self.player.close()
        self.server.close()


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="faults of the audio: noticed, back")
    parser.add_argument("--times", type=int, default=5)
    times = parser.parse_args().times
    live_parts.NAME = NAME
    os.environ |= {"JACK_DEFAULT_SERVER": NAME, "JACK_NO_START_SERVER": "1"}
    bench = Bench()
    faults: tuple[tuple[str, Callable[[], tuple[float, float]]], ...] = (
        ("source ends", bench.source_ends),
        ("source gone for a moment", bench.source_bumped),
        ("server dies", bench.server_dies),
        ("server stalls", bench.server_stalls),
        ("capture process killed", bench.child_dies),
    )
    print("| fault | noticed after, s (longest) | back after, s (longest) |")
    print("|---|---|---|", flush=True)
    late = False
    try:
        for name, fault in faults:
            rows = []
            for _ in range(times):
                rows.append(fault())
                bench.settle()
            noticed, back = (sorted(row[i] for row in rows) for i in (0, 1))
            middle = times // 2
            print(
                f"| {name} | {noticed[middle]:.2f} ({noticed[-1]:.2f}) "
                f"| {back[middle]:.2f} ({back[-1]:.2f}) |",
                flush=True,
            )
            late |= noticed[-1] > MOST_NOTICED_S or back[-1] > MOST_BACK_S
    finally:
        bench.close()
    return int(late)


if __name__ == "__main__":
    sys.exit(main())
