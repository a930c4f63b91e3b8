"""A device that comes back at another rate: times, losses and audio stay those of the session."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.input.lossclock import Release
from liveassist.input.sessionrate import SessionRate

HZ, BLOCK = 48_000, 441


class Device:
    """Plays a sine of 1 kHz that goes on through every pause, in blocks, on a clock of its own."""

    def __init__(self, session_hz: int) -> None:
        self.rates = SessionRate(session_hz)
        self.now_s = 0.0
        self.frame = 0
        self.rate_hz = session_hz
        self.audio: dict[int, np.ndarray] = {}
        self.released = 0
        #: What the session hears: pieces with the sample each begins with.
        self.heard: list[tuple[int, np.ndarray]] = []
        self.position = 0
        self.lost = 0

    def play(self, seconds: float) -> None:
        for _ in range(round(seconds * self.rate_hz / BLOCK)):
            t = self.now_s + np.arange(BLOCK) / self.rate_hz
            sine = np.sin(2.0 * np.pi * 1000.0 * t).astype(np.float32)
            self.audio[self.frame] = sine[:, None]
            self.frame += BLOCK
            self.now_s += BLOCK / self.rate_hz
            self._take(self.rates.arrive(self.frame, self.now_s))

    def comes_back(self, pause_s: float, rate_hz: int) -> None:
        self.now_s += pause_s
        self.rate_hz = rate_hz
        self._take(self.rates.restart(rate_hz))

    def _take(self, releases: list[Release]) -> None:
        for release in releases:
            lost = release.lost_samples
            while self.released < release.end_frame:
                first = self.released
                audio, lost = self.rates.convert(self.audio.pop(first), first, lost)
                self.released += BLOCK
                if len(audio):
                    self.position += lost
                    self.lost += lost
                    self.heard.append((self.position, audio[:, 0]))
                    self.position += len(audio)
                    lost = 0
            assert not lost


def test_nothing_is_touched_at_the_session_s_own_rate() -> None:
    device = Device(HZ)
    device.play(1.0)
    device.comes_back(0.5, HZ)
    device.play(1.0)
    assert device.rates.note is None
    # The first block after a pause arrives when it ends.
    assert device.lost == pytest.approx(0.5 * HZ, abs=BLOCK)
    assert device.position == pytest.approx(2.5 * HZ, abs=BLOCK)


@pytest.mark.parametrize("other_hz", [44_100, 96_000, 32_000])
def test_the_session_goes_on_at_its_own_rate_and_in_time(other_hz: int) -> None:
    device = Device(HZ)
    device.play(1.0)
    device.comes_back(0.5, other_hz)
    device.play(2.0)
    assert f"runs at {other_hz} Hz now" in (device.rates.note or "")
    device.comes_back(0.25, HZ)
    device.play(1.0)
    assert device.rates.note is None
    assert device.rates.time_of(device.now_s) == pytest.approx(device.now_s, abs=0.002)
    # Both pauses are lost, each to within one block, and nothing besides.
    assert device.lost == pytest.approx(0.75 * HZ, abs=2 * BLOCK * HZ / min(HZ, other_hz))
    assert device.position == pytest.approx(device.now_s * HZ, abs=2 * BLOCK)
    # The sine is where the clock puts it: fitted in each piece, its phase tells the time.
    wrong_ms = [abs(_late_ms(first, audio)) for first, audio in device.heard if len(audio) > 200]
    assert len(wrong_ms) > 100
    assert max(wrong_ms) < 0.5 * 1000.0 * BLOCK / min(HZ, other_hz)


def _late_ms(first: int, audio: np.ndarray) -> float:
    """How much later the sine of 1 kHz is than its place says, within half a period, ms."""
    time_s = (first + np.arange(len(audio))) / HZ
    phase = np.angle(np.sum(audio * np.exp(-2j * np.pi * 1000.0 * time_s)) * 1j)
    return float(-phase / (2.0 * np.pi))


def test_ends_come_back_as_frames() -> None:
    rates = SessionRate(HZ)
    assert rates.arrive(480, 0.01) == [Release(480)]
    rates.restart(96_000)
    assert rates.begins(480)
    audio, lost = rates.convert(np.zeros((960, 2), np.float32), 480, 7)
    assert (audio.shape[1], lost) == (2, 7)
    assert not rates.begins(480)
    assert rates.samples(960) == 480
