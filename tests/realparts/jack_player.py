"""Plays known audio into the JACK server, as a process of its own.

    python jack_player.py NAME counter CHANNELS   channel 1 counts frames, channel n holds n
    python jack_player.py NAME FILE.npy           (frames, channels) float32, once, after "go"

Prints "ready" when its ports exist, "done" when a file has been played; a line "go" on standard
input starts the file. Before and after it plays silence. Ends with its standard input.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable

import jack
import numpy as np

#: The counter wraps here: float32 holds every whole number up to 2**24.
WRAP = 1 << 20


def counting(channels: int) -> Callable[[int, int], np.ndarray]:
    """Audio of the counter: shape (frames, channels) for any place and length."""

    def audio(first: int, frames: int) -> np.ndarray:
        out = np.empty((frames, channels), dtype=np.float32)
        out[:] = np.arange(1, channels + 1, dtype=np.float32)
        out[:, 0] = np.arange(first, first + frames) % WRAP
        return out

    return audio


def main(name: str, what: str, *more: str) -> None:
    """Register the ports, play, wait for the end of standard input."""
    started, done = threading.Event(), threading.Event()
    if what == "counter":
        channels, frames_in_all = int(more[0]), None
        source = counting(channels)
        started.set()
    else:
        recording = np.load(what)
        frames_in_all, channels = recording.shape

        def source(first: int, frames: int) -> np.ndarray:
            return np.asarray(recording[first : first + frames])

    client = jack.Client(name, no_start_server=True)
    ports = [client.outports.register(f"out_{i + 1}") for i in range(channels)]
    position = 0

    def process(frames: int) -> None:
        nonlocal position
        audio = source(position, frames) if started.is_set() else np.empty((0, channels))
        for index, port in enumerate(ports):
            buffer = port.get_array()
            buffer[: len(audio)] = audio[:, index]
            buffer[len(audio) :] = 0.0
        if started.is_set():
            position += frames
            if frames_in_all is not None and position > frames_in_all + 48_000:
                done.set()

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)

    def say_done() -> None:
        done.wait()
        print("done", flush=True)

    threading.Thread(target=say_done, daemon=True).start()
    for line in sys.stdin:
        if line.strip() == "go":
            started.set()
    client.deactivate()


if __name__ == "__main__":
    main(*sys.argv[1:])
