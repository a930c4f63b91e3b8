"""MIDI bytes against the MIDI 1.0 specification and RP-013, and against mido where it agrees."""

from __future__ import annotations

import random

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.output import midi_codec as midi

# MIDI 1.0 Detailed Specification, tables of status and controller numbers; the note keys are
# General MIDI 1. The bytes were also produced with mido 1.3.3.
EXAMPLES = [
    (midi.note_on(10, 38, 100), "99 26 64"),
    (midi.note_on(10, 38, 0), "99 26 00"),
    (midi.note_off(10, 38, 64), "89 26 40"),
    (midi.controller(1, 7, 127), "B0 07 7F"),
    (midi.controller_14(1, 7, 10000), "B0 07 4E B0 27 10"),
    (midi.nrpn(1, 1000, 8192), "B0 63 07 B0 62 68 B0 06 40 B0 26 00 B0 65 7F B0 64 7F"),
    (midi.pitch_bend(1, 0), "E0 00 00"),
    (midi.pitch_bend(1, 8192), "E0 00 40"),
    (midi.pitch_bend(1, 16383), "E0 7F 7F"),
    (midi.program_change(3, 5), "C2 05"),
    (midi.CLOCK + midi.START + midi.CONTINUE + midi.STOP, "F8 FA FB FC"),
    (midi.machine_control(midi.MMC_STOP), "F0 7F 7F 06 01 F7"),
    (midi.machine_control(midi.MMC_PLAY), "F0 7F 7F 06 02 F7"),
    (midi.machine_control(midi.MMC_RECORD), "F0 7F 7F 06 06 F7"),
    (midi.machine_control(midi.MMC_RECORD_EXIT), "F0 7F 7F 06 07 F7"),
    (b"".join(midi.quarter_frames(1, 2, 3, 4, 1)), "F104 F110 F123 F130 F142 F150 F161 F172"),
    (midi.full_time_code(1, 2, 3, 4, 1), "F0 7F 7F 01 01 21 02 03 04 F7"),
    (midi.sysex_text(bytes([0x7D, 1]), "Hé"), "F0 7D 01 48 3F F7"),
]


@pytest.mark.parametrize(("found", "expected"), EXAMPLES)
def test_the_bytes_of_the_specification(found: bytes, expected: str) -> None:
    assert found == bytes.fromhex(expected)


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        (midi.note_on, (0, 1, 1)),
        (midi.note_on, (17, 1, 1)),
        (midi.note_on, (1, 128, 1)),
        (midi.note_off, (1, 1, -1)),
        (midi.controller, (1, 1, 128)),
        (midi.controller_14, (1, 32, 1)),
        (midi.controller_14, (1, 1, 16384)),
        (midi.nrpn, (1, 16384, 0)),
        (midi.pitch_bend, (1, -1)),
        (midi.program_change, (1, 128)),
        (midi.sysex, (b"\x80",)),
        (midi.sysex, (bytes(2000),)),
    ],
)
def test_values_out_of_range_are_refused(function: object, arguments: tuple[object, ...]) -> None:
    assert callable(function)
    with pytest.raises(midi.MidiError):
        function(*arguments)


def _read(data: bytes) -> list[str]:
    return [message.hex() for message in midi.MidiReader().feed(data)]


@pytest.mark.parametrize(
    ("data", "messages"),
    [
        # MIDI 1.0: running status makes two messages of these five bytes.
        ("99 26 64 26 00", ["992664", "992600"]),
        # MIDI 1.0: a real-time byte may fall inside any message.
        ("99 26 F8 64", ["f8", "992664"]),
        ("F0 7D F8 01 F7", ["f8", "f07d01f7"]),
        # System common cancels running status; the data byte after it belongs to nothing.
        ("99 26 64 F1 04 26 00", ["992664", "f104"]),
        # A status other than F7 ends system exclusive without a message.
        ("F0 7D 01 99 26 64", ["992664"]),
        ("F6 C1 05 06", ["f6", "c105", "c106"]),
        ("F2 01 02 F3 05", ["f20102", "f305"]),
        ("26 64 F4 F5 F9 FD F7", []),
        ("90 26 91 26 64", ["912664"]),
    ],
)
def test_the_reader(data: str, messages: list[str]) -> None:
    assert _read(bytes.fromhex(data)) == messages


def test_every_byte_is_used_or_counted() -> None:
    reader = midi.MidiReader()
    data = bytes.fromhex("26 64 F4 F9 F0 7D 01 99 26 91 26 64 F7")
    used = sum(len(message) for message in reader.feed(data))
    # 26 64, F4, F9, F0 7D 01, 26 are dropped; the status 99 that ended the first is not data.
    assert (used, reader.dropped) == (3, 8)


def test_system_exclusive_is_bounded() -> None:
    reader = midi.MidiReader()
    assert reader.feed(b"\xf0" + bytes(100_000)) == []
    assert reader.feed(b"\xf7\xf8") == [b"\xf8"]
    assert reader.dropped > midi.MAX_SYSEX_BYTES
    whole = midi.sysex(bytes(midi.MAX_SYSEX_BYTES - 2))
    assert reader.feed(whole) == [whole]


_channel = st.integers(1, 16)
_seven = st.integers(0, 127)
_fourteen = st.integers(0, 16383)
_messages = st.one_of(
    st.builds(midi.note_on, _channel, _seven, _seven),
    st.builds(midi.note_off, _channel, _seven, _seven),
    st.builds(midi.controller, _channel, _seven, _seven),
    st.builds(midi.pitch_bend, _channel, _fourteen),
    st.builds(midi.program_change, _channel, _seven),
    st.builds(midi.sysex, st.lists(_seven, max_size=20).map(bytes)),
)


@given(st.lists(_messages, max_size=10), st.integers(1, 7))
def test_messages_survive_the_wire_in_pieces_of_any_size(messages: list[bytes], size: int) -> None:
    data = b"".join(messages)
    reader = midi.MidiReader()
    found = [m for at in range(0, len(data), size) for m in reader.feed(data[at : at + size])]
    assert found == messages
    assert reader.dropped == 0


@given(_messages)
def test_another_library_reads_the_same_message(message: bytes) -> None:
    """mido 1.3.3 as the independent decoder (single messages, where it follows the standard)."""
    assert bytes(mido.Message.from_bytes(message).bytes()) == message


@given(st.binary(max_size=300))
def test_random_bytes_make_only_whole_messages(data: bytes) -> None:
    for message in midi.MidiReader().feed(data):
        assert message[0] >= 0x80
        inner = message[1:-1] if message[0] == 0xF0 else message[1:]
        assert all(byte < 0x80 for byte in inner)


def test_a_long_random_stream_is_read_in_bounded_memory() -> None:
    rng = random.Random(7)
    reader = midi.MidiReader()
    for _ in range(100):
        reader.feed(rng.randbytes(2000))
    held = len(reader._data) + (0 if reader._sysex is None else len(reader._sysex))
    assert held <= midi.MAX_SYSEX_BYTES
