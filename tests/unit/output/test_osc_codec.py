"""OSC packets against the worked examples of the specification, and against random bytes."""

from __future__ import annotations

import math
import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_message_builder import OscMessageBuilder

from liveassist.output.osc_codec import (
    IMMEDIATELY,
    MAX_NESTING,
    OscBundle,
    OscError,
    OscMessage,
    OscPacket,
    OscValue,
    decode,
    encode,
    time_tag,
    unix_time,
)

# Rows 1 and 2: printed in the OSC 1.0 specification (Wright 2002), "OSC Message Examples".
# The others follow its rules; python-osc 1.10.2 gives the same bytes except for the empty blob,
# which it declines to build.
EXAMPLES: list[tuple[OscPacket, str]] = [
    (
        OscMessage("/oscillator/4/frequency", "f", (440.0,)),
        "2f6f7363 696c6c61 746f722f 342f6672 65717565 6e637900 2c660000 43dc0000",
    ),
    (
        OscMessage("/foo", "iisff", (1000, -1, "hello", 1.234, 5.678)),
        "2f666f6f 00000000 2c696973 66660000 000003e8 ffffffff 68656c6c 6f000000 3f9df3b6 40b5b22d",
    ),
    (
        OscMessage("/b", "b", (bytes([1, 2, 3, 4, 5]),)),
        "2f620000 2c620000 00000005 01020304 05000000",
    ),
    (OscMessage("/b", "b", (b"",)), "2f620000 2c620000 00000000"),
    (OscMessage("/n"), "2f6e0000 2c000000"),
    (OscMessage("/t", "TFN", (True, False, None)), "2f740000 2c54464e 00000000"),
    (
        OscBundle((OscMessage("/snare/hit", "if", (101, -6.0)),), IMMEDIATELY),
        "2362756e 646c6500 00000000 00000001 00000018 2f736e61 72652f68 69740000 2c696600 00000065"
        "c0c00000",
    ),
]


@pytest.mark.parametrize(("packet", "expected"), EXAMPLES)
def test_the_bytes_of_the_worked_examples(packet: OscPacket, expected: str) -> None:
    assert encode(packet) == bytes.fromhex(expected)


@pytest.mark.parametrize(("packet", "data"), EXAMPLES)
def test_the_worked_examples_are_read_back(packet: OscPacket, data: str) -> None:
    found = decode(bytes.fromhex(data))
    assert encode(found) == bytes.fromhex(data)
    assert type(found) is type(packet)


def test_a_time_tag_counts_from_1900() -> None:
    # OSC 1.0 uses NTP time stamps (RFC 5905): 1700000000.25 s after 1970.
    assert time_tag(1_700_000_000.25) == 0xE8FE6F80_40000000
    assert unix_time(0xE8FE6F80_40000000) == 1_700_000_000.25


def test_a_time_tag_wraps_with_the_era() -> None:
    # RFC 5905: era 1 begins 2036-02-07 06:28:16 UTC, which is Unix time 2085978496.
    assert time_tag(2_085_978_496.0) == 0
    assert time_tag(2_085_978_495.0) >> 32 == 0xFFFFFFFF


def _nested(depth: int) -> bytes:
    data = encode(OscMessage("/a"))
    for _ in range(depth):
        data = b"#bundle\0" + struct.pack(">Qi", 1, len(data)) + data
    return data


def test_nesting_is_bounded() -> None:
    decode(_nested(MAX_NESTING))
    with pytest.raises(OscError, match="nested"):
        decode(_nested(MAX_NESTING + 1))
    with pytest.raises(OscError, match="nested"):
        decode(_nested(2000))


MALFORMED = {
    "empty": b"",
    "odd size": b"/a\0\0,\0\0",
    "no slash": b"a\0\0\0,\0\0\0",
    "no type tags": b"/a\0\0",
    "type tags without a comma": b"/a\0\0i\0\0\0\0\0\0\1",
    "unknown type tag": b"/a\0\0,x\0\0",
    "argument cut off": b"/a\0\0,ii\0\0\0\0\1",
    "string without an end": b"/abc",
    "padding not zero": b"/a\0\1,\0\0\0",
    "bytes left over": b"/a\0\0,\0\0\0\0\0\0\1",
    "negative blob": b"/a\0\0,b\0\0\xff\xff\xff\xff",
    "blob too long": b"/a\0\0,b\0\0\0\0\0\x08abcd",
    "blob padding not zero": b"/a\0\0,b\0\0\0\0\0\1aabc",
    "text not UTF-8": b"/a\0\0,s\0\0\xff\xfe\0\0",
    "character beyond ASCII": b"/a\0\0,c\0\0\0\0\1\0",
    "array not closed": b"/a\0\0,[\0\0",
    "array closed first": b"/a\0\0,][\0",
    "blank in the address": b"/a b\0\0\0\0,\0\0\0",
    "bundle without time": b"#bundle\0\0\0\0\1",
    # This one holds up a well-known parser for ever: an element that claims -4 bytes.
    "element of negative size": b"#bundle\0\0\0\0\0\0\0\0\1\xff\xff\xff\xfc",
    "element of no size": b"#bundle\0\0\0\0\0\0\0\0\1\0\0\0\0",
    "element too long": b"#bundle\0\0\0\0\0\0\0\0\1\0\0\0\x10/a\0\0,\0\0\0",
    "enclosed bundle earlier": b"#bundle\0"
    + struct.pack(">Qi", 5, 16)
    + b"#bundle\0"
    + struct.pack(">Q", 4),
    "too long": b"/a\0\0,\0\0\0" * 8200,
}


@pytest.mark.parametrize("data", MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_packets_are_refused(data: bytes) -> None:
    with pytest.raises(OscError):
        decode(data)


BAD_VALUES = [
    OscMessage("no/slash"),
    OscMessage("/blank here"),
    OscMessage("/a", "i", (1.5,)),
    OscMessage("/a", "i", (True,)),
    OscMessage("/a", "i", (2**31,)),
    OscMessage("/a", "f", (1e300,)),
    OscMessage("/a", "f", ("1",)),
    OscMessage("/a", "s", ("a\0b",)),
    OscMessage("/a", "s", (1,)),
    OscMessage("/a", "T", (False,)),
    OscMessage("/a", "x", (1,)),
    OscMessage("/a", "ii", (1,)),
    OscMessage("/a", "i", (1, 2)),
    OscMessage("/a", "[i", ((1,),)),
    OscMessage("/a", "i]", (1,)),
    OscMessage("/a", "[i]", (1,)),
    OscBundle((), -1),
]


@pytest.mark.parametrize("packet", BAD_VALUES)
def test_values_that_do_not_fit_are_refused(packet: OscPacket) -> None:
    with pytest.raises(OscError):
        encode(packet)


# --- round trips ---------------------------------------------------------------------------

_text = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20)
_address = st.text("abcxyz_019/*?[]{},", max_size=20).map(lambda rest: "/" + rest)
_floats32 = st.floats(width=32, allow_nan=False)
_values: dict[str, st.SearchStrategy[OscValue]] = {
    "i": st.integers(-(2**31), 2**31 - 1),
    "f": _floats32,
    "s": _text,
    "b": st.binary(max_size=20),
    "h": st.integers(-(2**63), 2**63 - 1),
    "d": st.floats(allow_nan=False),
    "t": st.integers(0, 2**64 - 1),
    "r": st.integers(0, 2**32 - 1),
    "S": _text,
    "c": st.characters(max_codepoint=127),
    "m": st.binary(min_size=4, max_size=4),
    "T": st.just(True),
    "F": st.just(False),
    "N": st.none(),
    "I": st.just("impulse"),
}
_pair = st.sampled_from(sorted(_values)).flatmap(lambda tag: st.tuples(st.just(tag), _values[tag]))
_array = st.lists(_pair, max_size=3).map(
    lambda pairs: ("[" + "".join(tag for tag, _ in pairs) + "]", tuple(value for _, value in pairs))
)
_message = st.builds(
    lambda address, pairs: OscMessage(
        address, "".join(tag for tag, _ in pairs), tuple(value for _, value in pairs)
    ),
    _address,
    st.lists(st.one_of(_pair, _array), max_size=6),
)
_packet: st.SearchStrategy[OscPacket] = st.recursive(
    _message,
    lambda inner: st.builds(OscBundle, st.lists(inner, max_size=3).map(tuple), st.just(7)),
    max_leaves=8,
)


@given(_packet)
def test_packets_survive_the_wire(packet: OscPacket) -> None:
    data = encode(packet)
    assert len(data) % 4 == 0
    assert decode(data) == packet


@given(_address, _floats32, st.integers(-(2**31), 2**31 - 1), _text)
def test_bytes_equal_those_of_another_library(
    address: str, number: float, whole: int, text: str
) -> None:
    """python-osc 1.10.2 as the independent encoder."""
    builder = OscMessageBuilder(address)
    builder.add_arg(number, "f")
    builder.add_arg(whole, "i")
    builder.add_arg(text, "s")
    assert encode(OscMessage(address, "fis", (number, whole, text))) == builder.build().dgram


# --- random bytes --------------------------------------------------------------------------


@given(st.binary(max_size=200))
def test_random_bytes_raise_only_our_error(data: bytes) -> None:
    try:
        packet = decode(data)
    except OscError:
        return
    assert encode(packet) == data or _holds_nan(packet)


def _holds_nan(packet: OscPacket) -> bool:
    """Whether a value is not a number (its bit pattern need not survive)."""
    if isinstance(packet, OscBundle):
        return any(_holds_nan(element) for element in packet.elements)
    return any(isinstance(value, float) and math.isnan(value) for value in packet.args)


def test_broken_copies_of_good_packets_raise_only_our_error() -> None:
    rng = random.Random(20240501)
    good = [bytes.fromhex(data) for _, data in EXAMPLES] + [_nested(3)]
    refused = 0
    for _ in range(5000):
        data = bytearray(rng.choice(good))
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        if rng.random() < 0.3:
            del data[rng.randrange(len(data)) :]
        try:
            decode(bytes(data))
        except OscError:
            refused += 1
    assert refused > 1000
