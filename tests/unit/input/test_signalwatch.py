"""Constant, offset and full-scale signals are told from drums, at any block size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import square

from liveassist.input.signalwatch import SignalFault, SignalWatch
from liveassist.model import Audio

RATE = 48_000
TIME_S = np.arange(RATE) / RATE


def watch(signal: Audio, step: int = 512) -> tuple[SignalFault, ...]:
    found = SignalWatch(["mic"])
    audio = np.asarray(signal, np.float32).reshape(-1, 1)
    for first in range(0, len(audio), step):
        found.feed(audio[first : first + step])
    return found.faults()


def burst() -> Audio:
    decay = np.exp(-TIME_S / 0.1) * np.sin(2 * np.pi * 190 * TIME_S)
    return np.asarray(0.9 * decay, np.float32)


def test_drum_and_silence_are_no_fault() -> None:
    assert watch(burst()) == ()
    assert watch(np.zeros(RATE, np.float32)) == ()


def test_a_drum_clipped_hard_is_no_fault() -> None:
    assert watch(np.clip(20 * burst(), -1, 1)) == ()


@pytest.mark.parametrize("step", [1001, 63, 512, RATE])
def test_constant(step: int) -> None:
    (fault,) = watch(np.full(RATE, -0.5, np.float32), step)
    assert (fault.fault, fault.usable) == ("constant", False)
    assert "-6.0 dBFS" in fault.sentence  # 20 log10 0.5
    assert fault.value == pytest.approx(-0.5)


def test_offset_under_a_drum() -> None:
    (fault,) = watch(burst() * 0.5 + 0.1)
    assert (fault.fault, fault.usable) == ("dc_offset", True)
    assert "-20.0 dBFS" in fault.sentence  # 20 log10 0.1
    assert fault.value == pytest.approx(0.1, rel=1e-2)


def test_offset_below_the_limit() -> None:
    assert watch(burst() + 0.009) == ()


def test_full_scale_square() -> None:
    (fault,) = watch(square(2 * np.pi * 100 * TIME_S))
    assert (fault.fault, fault.usable) == ("full_scale", False)
    assert "100 %" in fault.sentence


def test_nothing_fed() -> None:
    assert SignalWatch(["a", "b"]).faults() == ()
