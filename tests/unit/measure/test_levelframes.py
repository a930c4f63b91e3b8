"""Level frames against numpy and scipy on the whole signal; any block size; gaps."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from liveassist.measure.levelframes import LevelMeter, default_key_bands, hop_samples
from liveassist.model import Block, Drum, Kit, LevelFrames, Mic

FS = 44100
KIT = Kit(
    "test",
    (
        Drum("kick", "kick", "kick"),
        Drum("snare", "snare", "top"),
        Drum("tom", "tom", "tom"),
        Drum("hat", "hihat", "hat"),
    ),
    (
        Mic("kick", 1),
        Mic("top", 2),
        Mic("bottom", 3, of="snare"),
        Mic("tom", 4),
        Mic("hat", 5),
        Mic("over", 6),
        Mic("trig", 7, of="snare", type="trigger"),
    ),
)


def _audio(frames: int = 20000) -> np.ndarray:
    rng = np.random.default_rng(2)
    out = 0.002 * rng.standard_normal((frames, len(KIT.mics)))
    for at in range(500, frames, 3000):
        t = np.arange(frames - at)[:, None] / FS
        out[at:] += 0.5 * np.exp(-t / 0.05) * np.sin(2 * np.pi * (60 + 70 * np.arange(7)) * t)
    return out.astype(np.float32)


def _run(audio: np.ndarray, size: int, frame_samples: int = 16384) -> list[LevelFrames]:
    meter = LevelMeter(KIT, FS, frame_samples=frame_samples)
    frames = [meter.feed(Block(i, audio[i : i + size])) for i in range(0, len(audio), size)]
    return [f for f in [*frames, meter.flush()] if f is not None]


Keyed = dict[tuple[float, float], np.ndarray]


def _joined(frames: list[LevelFrames], steep: bool = False) -> tuple[np.ndarray, Keyed]:
    tried = [f.steep if steep else f.keyed for f in frames]
    keyed = {b: np.concatenate([one[b] for one in tried]) for b in tried[0]}
    return np.concatenate([f.peak for f in frames]), keyed


@pytest.mark.parametrize(
    ("rate", "hop"), [(44100, 32), (48000, 32), (88200, 64), (96000, 64), (192000, 128)]
)
def test_hop_is_half_a_millisecond_to_one(rate: int, hop: int) -> None:
    assert hop_samples(rate) == hop
    assert 0.0005 <= hop / rate <= 0.001


def test_peaks_are_those_of_the_samples() -> None:
    audio = _audio()
    peak, _ = _joined(_run(audio, 512))
    whole = len(audio) // 32 * 32
    expected = np.abs(audio[:whole]).reshape(-1, 32, 7).max(axis=1)
    assert np.array_equal(peak, expected)


@pytest.mark.parametrize("steep", [False, True])
@pytest.mark.parametrize("size", [1, 63, 512])
def test_any_block_size_same_frames(size: int, steep: bool) -> None:
    audio = _audio(6000)
    peak, keyed = _joined(_run(audio, size, frame_samples=1024), steep)
    whole, whole_keyed = _joined(_run(audio, len(audio)), steep)
    assert whole_keyed
    assert np.array_equal(peak, whole)
    for band, values in whole_keyed.items():
        assert np.allclose(keyed[band], values, rtol=1e-5, atol=1e-8, equal_nan=True)


@pytest.mark.parametrize(("steep", "order"), [(False, 2), (True, 4)])
def test_key_filters_read_as_the_full_rate_filter(steep: bool, order: int) -> None:
    audio = _audio()
    _, keyed = _joined(_run(audio, 4096), steep)
    hits = range(500, 17000, 3000)
    assert len(keyed) >= 8
    for band, values in keyed.items():
        for mic in range(len(KIT.mics)):
            if np.isnan(values[0, mic]):
                continue
            signal = audio[:, mic].astype(float)
            if band[0] > 0.0:
                signal = sosfilt(butter(order, band[0], "high", fs=FS, output="sos"), signal)
            if math.isfinite(band[1]):
                signal = sosfilt(butter(order, band[1], "low", fs=FS, output="sos"), signal)
            for at in hits:
                here = values[at // 32 : (at + 2000) // 32, mic].max()
                there = np.abs(signal[at : at + 2000]).max()
                assert abs(20 * np.log10(here / there)) < 0.6


def test_only_close_microphones_are_keyed() -> None:
    assert set(default_key_bands(KIT)) == {"kick", "top", "bottom", "tom"}
    _, keyed = _joined(_run(_audio(2048), 2048))
    filled = {mic for v in keyed.values() for mic in np.flatnonzero(~np.isnan(v[0]))}
    assert filled == {0, 1, 2, 3}


def test_rms_mean_and_clipping() -> None:
    audio = np.zeros((3200, 7), dtype=np.float32)
    # A full-scale sine has an RMS of 1/sqrt(2): closed form.
    audio[:, 0] = np.sin(2 * np.pi * np.arange(3200) / 32)
    audio[:, 1] = 0.25
    frame = _run(audio, 3200)[0]
    assert frame.rms[0] == pytest.approx(1 / math.sqrt(2), rel=1e-4)
    assert frame.mean[1] == pytest.approx(0.25)
    assert frame.clipped[0] == 200  # two crests a period
    assert frame.clipped[1:] == (0,) * 6


def test_after_a_gap_frames_go_on_at_a_whole_hop() -> None:
    audio = _audio(4000)
    meter = LevelMeter(KIT, FS, frame_samples=1)
    meter.feed(Block(0, audio[:1000]))
    # 1000 samples gave 31 whole hops; the rest of a hop is dropped with the gap.
    frame = meter.feed(Block(1777, audio[1777:], lost_samples=777))
    assert frame is not None
    assert frame.first_sample == 1792
    expected = np.abs(audio[1792:3968]).reshape(-1, 32, 7).max(axis=1)
    assert np.array_equal(frame.peak[: len(expected)], expected)


def test_the_callers_buffer_may_be_reused() -> None:
    audio = _audio(4096)
    meter, buffer = LevelMeter(KIT, FS), np.empty((512, 7), dtype=np.float32)
    for i in range(0, 4096, 512):
        buffer[:] = audio[i : i + 512]
        meter.feed(Block(i, buffer))
        buffer[:] = 9.0
    frame = meter.flush()
    assert frame is not None
    assert frame.peak.max() < 2.0


def test_cost() -> None:
    audio = np.random.default_rng(3).standard_normal((FS * 5, 7)).astype(np.float32) * 0.1
    spent = []
    for _ in range(3):
        start = time.process_time()
        _run(audio, 512)
        spent.append(time.process_time() - start)
    # Milliseconds of one core a second of audio; a generous limit, to hold on a busy machine.
    assert 1000.0 * min(spent) / 5.0 < 10.0
