"""Positions of faders. Expected values are closed forms."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liveassist.output.scaling import CURVES, Scale, from_bits, to_bits, to_range, to_text


@pytest.mark.parametrize(
    ("scale", "value", "share"),
    [
        (Scale(-60, 0), -60, 0.0),
        (Scale(-60, 0), -30, 0.5),
        (Scale(-60, 0), 6, 1.0),
        (Scale(-60, 0), -90, 0.0),
        (Scale(-60, 0, invert=True), -45, 0.75),
        (Scale(20, 2000, "log"), 200, 0.5),
        (Scale(20, 2000, "log"), 5, 0.0),
        (Scale(-40, 0, "top"), -20, 0.25),
        (Scale(-40, 0, "bottom"), -30, 0.5),
    ],
)
def test_shares(scale: Scale, value: float, share: float) -> None:
    assert scale.share(value) == pytest.approx(share, abs=1e-12)


@given(
    st.sampled_from(CURVES),
    st.booleans(),
    st.floats(0.1, 100.0),
    st.floats(0.5, 100.0),
    st.floats(0.0, 1.0),
)
def test_a_share_comes_back(
    curve: str, invert: bool, low: float, span: float, share: float
) -> None:
    scale = Scale(low, low + span, curve, invert)  # type: ignore[arg-type]
    assert scale.share(scale.value(share)) == pytest.approx(share, abs=1e-6)


@given(st.sampled_from(CURVES), st.floats(0.1, 50.0), st.floats(0.1, 50.0))
def test_more_is_never_less(curve: str, one: float, other: float) -> None:
    scale = Scale(1.0, 40.0, curve)  # type: ignore[arg-type]
    low, high = sorted((one, other))
    assert scale.share(low) <= scale.share(high)


@pytest.mark.parametrize(
    ("share", "bits", "number"),
    [(0.0, 7, 0), (1.0, 7, 127), (0.5, 7, 64), (1.0, 14, 16383), (0.5, 14, 8192), (2.0, 7, 127)],
)
def test_bits(share: float, bits: int, number: int) -> None:
    assert to_bits(share, bits) == number


@given(st.integers(0, 16383))
def test_bits_come_back(number: int) -> None:
    assert to_bits(from_bits(number, 14), 14) == number


def test_a_range_may_run_backwards() -> None:
    assert to_range(0.25, 1.0, -1.0) == 0.5


@pytest.mark.parametrize(
    ("value", "decimals", "unit", "width", "text"),
    [
        (-24.5, 1, "dB", 10, "  -24.5 dB"),
        (None, 1, "dB", 6, " -- dB"),
        (-24.54, 1, "dB", 6, " -24.5"),
        (-124.5, 1, "dB", 4, "####"),
        (-0.04, 1, "", 4, " 0.0"),
        (12, 1, "hits", 0, "12 hits"),
        ("snare", 0, "", 3, "sna"),
        ("", 0, "", 3, "   "),
    ],
)
def test_text(value: float | str | None, decimals: int, unit: str, width: int, text: str) -> None:
    assert to_text(value, decimals, unit, width) == text
