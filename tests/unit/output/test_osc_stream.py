"""OSC in streams. SLIP bytes: RFC 1055; length prefix: OSC 1.0."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.output.osc_codec import OscError
from liveassist.output.osc_stream import LengthReader, SlipReader, length_prefixed, slip


def test_slip_bytes() -> None:
    # RFC 1055: END c0 becomes db dc, ESC db becomes db dd; OSC 1.1 puts END at both ends.
    assert slip(bytes.fromhex("c0 01 db 02")) == bytes.fromhex("c0 dbdc 01 dbdd 02 c0")


def test_length_bytes() -> None:
    assert length_prefixed(b"/a\0\0,\0\0\0") == bytes.fromhex("00000008 2f610000 2c000000")


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=5), st.integers(1, 9))
def test_slip_in_pieces(packets: list[bytes], size: int) -> None:
    data = b"".join(map(slip, packets))
    reader = SlipReader()
    found = [p for at in range(0, len(data), size) for p in reader.feed(data[at : at + size])]
    assert found == packets


_fours = st.binary(min_size=1, max_size=10).map(lambda data: data * 4)


@given(st.lists(_fours, max_size=5), st.integers(1, 9))
def test_length_prefix_in_pieces(packets: list[bytes], size: int) -> None:
    data = b"".join(map(length_prefixed, packets))
    reader = LengthReader()
    found = [p for at in range(0, len(data), size) for p in reader.feed(data[at : at + size])]
    assert found == packets


def test_a_broken_slip_packet_does_not_harm_the_next() -> None:
    reader = SlipReader()
    assert reader.feed(b"\xc0ab\xdbxcd\xc0" + slip(b"good")) == [b"good"]
    assert reader.feed(b"\xc0ab\xdb\xc0" + slip(b"good")) == [b"good"]
    assert reader.dropped == 2


def test_a_slip_packet_without_end_is_bounded() -> None:
    reader = SlipReader()
    for _ in range(20):
        assert reader.feed(b"a" * 10_000) == []
    assert len(reader._packet) <= 65_507
    assert reader.feed(b"\xc0" + slip(b"good")) == [b"good"]


@pytest.mark.parametrize("size", ["ffffffff", "00000000", "00000005", "7ffffffc"])
def test_impossible_lengths(size: str) -> None:
    with pytest.raises(OscError, match="claims a packet"):
        LengthReader().feed(bytes.fromhex(size))


@given(st.binary(max_size=300))
def test_random_streams(data: bytes) -> None:
    """Whatever comes, the readers raise nothing but `OscError` and hold no more than they got."""
    reader = SlipReader()
    assert sum(map(len, reader.feed(data))) <= len(data)
    with contextlib.suppress(OscError):
        assert sum(map(len, LengthReader().feed(data))) <= len(data)
