"""A recorder in the JACK server: plays known audio and says where it is by MIDI, to the sample.

    python jack_recorder.py NAME FILE.npy FIRST BPM BEATS

Audio as `jack_player` (client NAME); MIDI on NAME:midi. At sample FIRST of the file it sends a
start, machine control "record" and then BEATS beats of clock, with quarter-frame time code of 25
frames a second from 01:00:00:00; then a stop. Prints "ready", and "done" after a "go".
"""

from __future__ import annotations

import sys
import threading

import jack
import numpy as np


def schedule(first: int, rate: int, bpm: float, beats: int) -> list[tuple[int, bytes]]:
    """(sample of the file, message), in order."""
    tick = rate * 60.0 / bpm / 24
    found = [(first, b"\xfa"), *((round(first + n * tick), b"\xf8") for n in range(24 * beats))]
    last = round(first + 24 * beats * tick)
    quarter = rate / 100.0  # four quarter frames a frame, 25 frames a second
    number = 0
    while first + number * quarter < last:
        code = 8 * (number // 8) // 4  # the frame in which the first piece of eight is sent
        frames, seconds = code % 25, code // 25 % 60
        minutes = code // 1500
        parts = (frames, seconds, minutes, 1 | 1 << 5)
        piece = number % 8
        nibble = parts[piece // 2] >> (4 if piece % 2 else 0) & 0x0F
        found.append((round(first + number * quarter), bytes([0xF1, piece << 4 | nibble])))
        number += 1
    found.append((last, b"\xfc"))
    return sorted(found, key=lambda item: item[0])


def main(name: str, file: str, first: str, bpm: str, beats: str) -> None:
    """Register the ports, play, wait for the end of standard input."""
    recording = np.load(file)
    client = jack.Client(name, no_start_server=True)
    ports = [client.outports.register(f"out_{i + 1}") for i in range(recording.shape[1])]
    midi = client.midi_outports.register("midi")
    events = schedule(int(first), client.samplerate, float(bpm), int(beats))
    started, done = threading.Event(), threading.Event()
    position = 0
    sent = 0

    def process(frames: int) -> None:
        nonlocal position, sent
        midi.clear_buffer()
        audio = recording[position : position + frames] if started.is_set() else recording[:0]
        for index, port in enumerate(ports):
            buffer = port.get_array()
            buffer[: len(audio)] = audio[:, index]
            buffer[len(audio) :] = 0.0
        if started.is_set():
            while sent < len(events) and events[sent][0] < position + frames:
                at, data = events[sent]
                midi.write_midi_event(at - position, data)
                sent += 1
            position += frames
            if position >= len(recording) and sent == len(events):
                done.set()

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    sys.stdin.readline()
    started.set()
    done.wait()
    print("done", flush=True)
    sys.stdin.read()
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
