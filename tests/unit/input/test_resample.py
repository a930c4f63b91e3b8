"""Another rate of the device: sines against their closed form, all against scipy's resampler."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample_poly

from liveassist.input.resample import Resampler

PAIRS = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (88_200, 48_000)]


def sine(rate_hz: int, hz: float, count: int) -> np.ndarray:
    return np.sin(2.0 * np.pi * hz * np.arange(count) / rate_hz)


def streamed(resampler: Resampler, audio: np.ndarray, sizes: tuple[int, ...]) -> np.ndarray:
    parts, at, turn = [], 0, 0
    while at < len(audio):
        size = sizes[turn % len(sizes)]
        parts.append(resampler.feed(audio[at : at + size].astype(np.float32)))
        at, turn = at + size, turn + 1
    return np.concatenate(parts)


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
@pytest.mark.parametrize("share", [0.01, 0.3, 0.85])
def test_a_sine_is_the_same_sine_at_the_same_time(from_hz: int, to_hz: int, share: float) -> None:
    hz = share * min(from_hz, to_hz) / 2.0
    made = streamed(Resampler(from_hz, to_hz, 1), sine(from_hz, hz, 20_000)[:, None], (512,))
    wanted = sine(to_hz, hz, len(made))
    # Closed form, no shift allowed; the beginning, where silence came before, is left out.
    error = made[500:, 0] - wanted[500:]
    assert 20.0 * np.log10(np.abs(error).max()) < -38.0, "0.1 dB or a hundredth of full scale"


@pytest.mark.parametrize(("from_hz", "to_hz"), [(96_000, 48_000), (48_000, 44_100)])
def test_what_does_not_fit_the_band_is_taken_out(from_hz: int, to_hz: int) -> None:
    hz = 1.05 * to_hz / 2.0
    made = streamed(Resampler(from_hz, to_hz, 1), sine(from_hz, hz, 20_000)[:, None], (512,))
    assert 20.0 * np.log10(np.abs(made[500:]).max()) < -60.0


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_like_scipy_s(from_hz: int, to_hz: int) -> None:
    """Noise within half of the band: two designs of filter agree there."""
    rng = np.random.default_rng(3)
    count = 8_000
    spectrum = np.fft.rfft(rng.standard_normal((count, 2)), axis=0)
    limit = round(0.5 * min(1.0, to_hz / from_hz) * len(spectrum))
    spectrum[limit:] = 0.0
    audio = np.fft.irfft(spectrum, count, axis=0)
    shared = np.gcd(from_hz, to_hz)
    wanted = resample_poly(audio, to_hz // shared, from_hz // shared, axis=0, window=("kaiser", 8))
    made = streamed(Resampler(from_hz, to_hz, 2), audio, (512,))
    inside = slice(300, len(made) - 300)
    assert np.abs(made[inside] - wanted[: len(made)][inside]).max() < 0.01 * np.abs(audio).max()


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_any_block_size_gives_the_same(from_hz: int, to_hz: int) -> None:
    audio = np.random.default_rng(1).standard_normal((3_000, 3))
    whole = streamed(Resampler(from_hz, to_hz, 3), audio, (3_000,))
    for sizes in ((1, 2, 63), (64, 512), (7,)):
        one = Resampler(from_hz, to_hz, 3)
        np.testing.assert_array_equal(streamed(one, audio, sizes), whole)
        assert len(whole) + one.owed == 3_000 * to_hz // from_hz


def test_a_constant_stays_what_it_is() -> None:
    made = streamed(Resampler(44_100, 48_000, 1), np.full((4_000, 1), 0.5), (100,))
    np.testing.assert_allclose(made[200:], 0.5, atol=1e-6)


def test_rates_must_be_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        Resampler(0, 48_000, 1)
