"""Standard MIDI Files against the specification's printed bytes, a reader written here, and mido.

Specification: Standard MIDI Files 1.0 (MIDI Manufacturers Association, RP-001); keys: General MIDI
system level 1 percussion map.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.model import DrumKind
from liveassist.output.smf import Marker, drum_keys, hits_to_smf, variable_length
from liveassist.output.stored import StoredHit

KINDS: dict[str, DrumKind] = {"kick": "kick", "snare": "snare", "hats": "hihat"}
HITS = [
    StoredHit(0.25, "kick", velocity=101),
    StoredHit(0.750123, "snare", velocity=64),
    StoredHit(0.780, "snare", velocity=9, role="ghost"),
    StoredHit(1.0, "kick"),
    StoredHit(1.5, "snare", velocity=80, role="rim_click"),
]


@pytest.mark.parametrize(
    ("value", "hexadecimal"),
    [
        (0, "00"), (0x40, "40"), (0x7F, "7f"), (0x80, "8100"), (0x2000, "c000"),
        (0x3FFF, "ff7f"), (0x4000, "818000"), (0x100000, "c08000"), (0x1FFFFF, "ffff7f"),
        (0x200000, "81808000"), (0x8000000, "c0808000"), (0xFFFFFFF, "ffffff7f"), (480, "8360"),
    ],
)  # fmt: skip
def test_variable_length_quantities_as_printed(value: int, hexadecimal: str) -> None:
    """The table of the specification, and 480."""
    assert variable_length(value).hex() == hexadecimal


@given(st.integers(0, (1 << 28) - 1))
def test_variable_length_reads_back(value: int) -> None:
    data = variable_length(value)
    assert all(byte & 0x80 for byte in data[:-1])
    assert not data[-1] & 0x80
    read = 0
    for byte in data:
        read = read << 7 | byte & 0x7F
    assert read == value


def test_more_than_28_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="28 bits"):
        variable_length(1 << 28)


def chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at < len(data):
        (size,) = struct.unpack(">I", data[at + 4 : at + 8])
        yield data[at : at + 4], data[at + 8 : at + 8 + size]
        at += 8 + size
    assert at == len(data)


def events(track: bytes) -> Iterator[tuple[int, bytes]]:
    """Tick and bytes of every event, without running status (none is written)."""
    at = tick = 0
    while at < len(track):
        delta = 0
        while True:
            delta = delta << 7 | track[at] & 0x7F
            at += 1
            if not track[at - 1] & 0x80:
                break
        tick += delta
        size = 3
        if track[at] == 0xFF:
            assert track[at + 2] < 0x80, "texts of these tests are short"
            size = 3 + track[at + 2]
        else:
            assert track[at] & 0x80, "a status byte"
        yield tick, track[at : at + size]
        at += size


def test_the_file_as_bytes() -> None:
    data = hits_to_smf(HITS, KINDS, [Marker(0.2, "one")], tempo_bpm=120.0)
    (kind, header), *tracks = chunks(data)
    assert kind == b"MThd"
    assert struct.unpack(">HHH", header) == (1, 3, 1920)
    assert [name for name, _ in tracks] == [b"MTrk"] * 3
    conductor = list(events(tracks[0][1]))
    # Reference values: tempo of 120 is FF 51 03 07 A1 20.
    assert (0, bytes.fromhex("ff510307a120")) in conductor
    assert (0, bytes.fromhex("ff580404021808")) in conductor
    assert (768, b"\xff\x06\x03one") in conductor
    for _, track in tracks:
        assert list(events(track))[-1][1] == bytes.fromhex("ff2f00")
    kick = list(events(tracks[1][1]))
    assert kick[0] == (0, b"\xff\x03\x04kick")
    assert kick[1] == (960, bytes((0x99, 36, 101)))
    assert kick[2] == (960 + 192, bytes((0x89, 36, 64)))
    assert kick[3][1] == bytes((0x99, 36, 64)), "a hit of unknown velocity"


@pytest.mark.parametrize("tempo", [61.7, 120.0, 133.0, 240.0])
def test_mido_hears_every_hit_at_its_time(tempo: float) -> None:
    """A tick is 60 / (tempo × 1920) s: a hit is at most half of one off, at any tempo."""
    file = mido.MidiFile(file=io.BytesIO(hits_to_smf(HITS, KINDS, tempo_bpm=tempo)))
    now, heard = 0.0, []
    for message in file:
        now += message.time
        if message.type == "note_on":
            assert message.channel == 9
            heard.append((now, message.note, message.velocity))
    wanted = [
        (hit.time_s, 37 if hit.role == "rim_click" else {"kick": 36, "snare": 38}[hit.drum],
         hit.velocity or 64)
        for hit in HITS
    ]  # fmt: skip
    assert [note for _, note, _ in heard] == [note for _, note, _ in wanted]
    assert [velocity for _, _, velocity in heard] == [velocity for _, _, velocity in wanted]
    half_tick_s = 0.5 * 60.0 / tempo / 1920
    for (got, *_), (time_s, *_) in zip(heard, wanted, strict=True):
        assert got == pytest.approx(time_s, abs=half_tick_s * 1.05)


def test_a_note_ends_before_the_same_key_is_struck_again() -> None:
    file = mido.MidiFile(file=io.BytesIO(hits_to_smf(HITS, KINDS)))
    for track in file.tracks:
        sounding: set[int] = set()
        for message in track:
            if message.type == "note_on":
                assert message.note not in sounding
                sounding.add(message.note)
            elif message.type == "note_off":
                sounding.remove(message.note)
        assert not sounding


def test_keys_are_those_of_general_midi() -> None:
    kinds: dict[str, DrumKind] = {
        "kick": "kick", "snare": "snare", "hats": "hihat", "hats_open": "hihat",
        "tom_high": "tom", "tom_floor": "tom", "tom_1": "tom", "tom_2": "tom",
        "crash_left": "cymbal", "ride": "cymbal",
    }  # fmt: skip
    assert drum_keys(kinds) == {
        "kick": 36, "snare": 38, "hats": 42, "hats_open": 46, "tom_high": 50, "tom_floor": 43,
        "tom_1": 48, "tom_2": 47, "crash_left": 49, "ride": 51,
    }  # fmt: skip


def test_a_tempo_that_cannot_be_written_is_refused() -> None:
    with pytest.raises(ValueError, match="4 to 1000"):
        hits_to_smf(HITS, KINDS, tempo_bpm=2.0)
