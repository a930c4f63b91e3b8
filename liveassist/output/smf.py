"""Hits as a Standard MIDI File, to be laid beside the audio in any recorder.

Format 1: a first track with tempo, metre and a marker where each take begins and ends, then one
track a drum, all on channel 10. Chunks, variable-length quantities, delta times and meta events as
in the Standard MIDI Files 1.0 specification (RP-001); keys of the General MIDI 1 percussion map.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from liveassist.model import DrumKind
from liveassist.output.markers import Span
from liveassist.output.stored import StoredHit

#: Ticks a quarter note: at 120 beats a minute a tick is 0.26 ms, so a hit is at most 0.13 ms off.
TICKS = 1920
#: Length of a note, s; shorter where the same key is struck again before.
NOTE_S = 0.050
#: Velocity of a hit whose own could not be told.
UNKNOWN_VELOCITY = 64
CHANNEL = 9

#: General MIDI 1 percussion keys.
KICK, SIDE_STICK, SNARE = 36, 37, 38
CLOSED_HAT, OPEN_HAT = 42, 46
CRASH, RIDE = 49, 51
#: Toms by the word in their name, and those that have none, from high to low.
_TOMS = (("floor", 43), ("low", 45), ("mid", 47), ("high", 50), ("rack", 48))
_OTHER_TOMS = (48, 47, 45, 43, 41)


@dataclass(frozen=True, slots=True)
class Marker:
    """A named moment, seconds from the first sample."""

    time_s: float
    text: str


def span_markers(spans: Iterable[Span]) -> list[Marker]:
    """Where each span begins (its name) and where a take ends."""
    markers = []
    for span in spans:
        markers.append(Marker(span.start_s, span.name))
        if span.kind == "take" and span.end_s is not None:
            markers.append(Marker(span.end_s, f"{span.name} end"))
    return sorted(markers, key=lambda marker: marker.time_s)


def drum_keys(kinds: Mapping[str, DrumKind]) -> dict[str, int]:
    """General MIDI key of every drum, from its kind and, for toms and cymbals, its name."""
    keys: dict[str, int] = {}
    toms = iter(_OTHER_TOMS)
    for name, kind in kinds.items():
        word = name.casefold()
        if kind == "kick":
            keys[name] = KICK
        elif kind == "snare":
            keys[name] = SNARE
        elif kind == "hihat":
            keys[name] = OPEN_HAT if "open" in word else CLOSED_HAT
        elif kind == "cymbal":
            keys[name] = RIDE if "ride" in word else CRASH
        else:
            known = next((key for part, key in _TOMS if part in word), None)
            keys[name] = known if known is not None else next(toms, _OTHER_TOMS[-1])
    return keys


def hits_to_smf(
    hits: Sequence[StoredHit],
    kinds: Mapping[str, DrumKind],
    markers: Sequence[Marker] = (),
    *,
    tempo_bpm: float = 120.0,
    beats_a_bar: int = 4,
) -> bytes:
    """The file. Time 0 is the first sample of the session, whatever the tempo.

    ``tempo_bpm``: 4 to 1000 (what three bytes of microseconds a quarter can say); hits keep their
    times in seconds, the tempo only lays the grid. ``kinds``: kind of every drum that may come.
    """
    if not 4.0 <= tempo_bpm <= 1000.0:
        raise ValueError("tempo must be from 4 to 1000 beats a minute")
    quarter_us = round(60e6 / tempo_bpm)
    ticks_a_second = TICKS * 1e6 / quarter_us
    keys = drum_keys(kinds)
    tracks = [_conductor(markers, quarter_us, beats_a_bar, ticks_a_second)]
    for drum in kinds:
        mine = [hit for hit in hits if hit.drum == drum]
        if mine:
            tracks.append(_drum_track(drum, mine, keys[drum], ticks_a_second))
    header = b"MThd" + struct.pack(">IHHH", 6, 1, len(tracks), TICKS)
    return header + b"".join(b"MTrk" + struct.pack(">I", len(one)) + one for one in tracks)


def variable_length(value: int) -> bytes:
    """A number as seven bits a byte, the highest first, all but the last with the top bit set."""
    if not 0 <= value < 1 << 28:
        raise ValueError("a delta time holds 28 bits")
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(0x80 | (value & 0x7F))
    return bytes(reversed(out))


def _conductor(
    markers: Sequence[Marker], quarter_us: int, beats: int, ticks_a_second: float
) -> bytes:
    # Denominator as a power of two, 24 MIDI clocks a metronome click, eight 32nds a quarter.
    metre = _meta(0x58, bytes((beats, 2, 24, 8)))
    events = [(0, _meta(0x03, b"takes")), (0, _meta(0x51, quarter_us.to_bytes(3, "big")))]
    events.append((0, metre))
    events += [
        (round(marker.time_s * ticks_a_second), _meta(0x06, marker.text.encode()))
        for marker in markers
    ]
    return _track(events)


def _drum_track(drum: str, hits: Sequence[StoredHit], key: int, ticks_a_second: float) -> bytes:
    events = [(0, _meta(0x03, drum.encode()))]
    longest = max(1, round(NOTE_S * ticks_a_second))
    times = [round(hit.time_s * ticks_a_second) for hit in hits]
    for number, (hit, tick) in enumerate(zip(hits, times, strict=True)):
        after = times[number + 1] if number + 1 < len(times) else tick + longest
        if after <= tick:
            # Two reports within one tick are one note to any player: keep the later.
            continue
        struck = SIDE_STICK if hit.role == "rim_click" else key
        velocity = UNKNOWN_VELOCITY if hit.velocity is None else min(max(hit.velocity, 1), 127)
        events.append((tick, bytes((0x90 | CHANNEL, struck, velocity))))
        events.append((min(tick + longest, after), bytes((0x80 | CHANNEL, struck, 64))))
    return _track(events)


def _meta(kind: int, data: bytes) -> bytes:
    return bytes((0xFF, kind)) + variable_length(len(data)) + data


def _track(events: Sequence[tuple[int, bytes]]) -> bytes:
    """Events (tick, bytes) in order of time as delta times; what ends goes before what begins."""
    out, now = b"", 0
    for tick, data in sorted(events, key=lambda event: (event[0], _begins(event[1]))):
        out += variable_length(tick - now) + data
        now = tick
    return out + variable_length(0) + _meta(0x2F, b"")


def _begins(data: bytes) -> int:
    return int(data[0] & 0xF0 == 0x90)
