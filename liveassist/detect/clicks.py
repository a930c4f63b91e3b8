"""Onsets in the channel that carries the recorder's metronome.

Generous on purpose: whatever rises there is reported, drums that bleed into it too;
`rolling.clickbeats` decides what the metronome did. Pure: samples in, onsets out, the same at any
block size. Times are the first sample that reaches a tenth of the peak, as for hits.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from liveassist.song import Click
from liveassist.units import amplitude_to_dbfs

Samples = npt.NDArray[np.float32]

#: What rumbles and hums below is no click: metronomes beep from some 400 Hz up (common practice,
#: no source).
HIGHPASS_HZ = 150.0
HOP_S = 0.001
#: A click rises by so much over the loudest of the 25 ms before it, two hops left out: a beep
#: that goes on does not rise again, and the quickest subdivision in use is 60 ms away.
RISE_DB = 6.0
BEFORE_S = 0.025
#: Onsets are at least so far apart; the peak of one is looked for so long; its sound that long.
DEAD_S = 0.010
PEAK_S = 0.015
SOUND_S = 0.020
#: Softer than the loudest of the last seconds by more than this, or than the floor, is no click:
#: accents stand some 6 to 12 dB over beats and those over subdivisions (common practice).
RANGE_DB = 26.0
LOUDEST_S = 8.0
FLOOR_DBFS = -80.0
#: Bands in which the sound of a click is kept: thirds of an octave (IEC 61260-1) from 200 Hz.
BAND_EDGES_HZ = 200.0 * 2.0 ** (np.arange(19) / 3.0)
#: Silence in a band, dB.
LEAST_DB = -120.0
#: Hops are judged this many at a time: what is asked of the last seconds takes 0.1 ms.
LOOK_HOPS = 20
_TENTH = 0.1
_OVER_BLEED = 1.5
_WALK_BACK_S = 0.003
_HALF_CYCLE_S = 0.0012


class ClickDetector:
    """Follows one channel. See the module's text."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._hop = max(1, round(HOP_S * sample_rate_hz))
        self._sos = signal.butter(2, HIGHPASS_HZ, "highpass", fs=sample_rate_hz, output="sos")
        self._before = round(BEFORE_S * sample_rate_hz / self._hop)
        self._loud = round(LOUDEST_S * sample_rate_hz / self._hop)
        self._dead = max(1, round(DEAD_S * sample_rate_hz / self._hop))
        # Hops after a rise that must be there before it can be told.
        self._after = -(-round((PEAK_S + SOUND_S) * sample_rate_hz) // self._hop) + 2
        self._window = round(SOUND_S * sample_rate_hz)
        edges = np.searchsorted(np.fft.rfftfreq(self._window, 1.0 / sample_rate_hz), BAND_EDGES_HZ)
        self._edges = [(int(a), max(int(a) + 1, int(b))) for a, b in itertools.pairwise(edges)]
        self.reset(0)

    def reset(self, sample: int) -> None:
        """Forget everything; the next sample is ``sample``."""
        self._zi = np.zeros((self._sos.shape[0], 2))
        self._start = sample  # hops are counted from here
        self._audio = np.zeros(0, np.float64)  # from hop `_audio_hop` on
        self._audio_hop = 0
        self._peaks = np.zeros(0, np.float64)  # of whole hops, from hop `_peaks_hop` on
        self._peaks_hop = 0
        self._next = self._before + 2  # hop that is looked at next: with enough before it
        self._quiet_until = 0

    @property
    def delay_s(self) -> float:
        """An onset is reported at most so long after it, s."""
        return (self._after + LOOK_HOPS + 2) * self._hop / self._rate

    @property
    def end(self) -> int:
        """The sample after the last one heard."""
        return self._start + self._audio_hop * self._hop + len(self._audio)

    def feed(self, audio: Samples) -> list[Click]:
        """The next samples; the onsets that became certain, in order of time."""
        y, self._zi = signal.sosfilt(self._sos, audio.astype(np.float64), zi=self._zi)
        self._audio = np.concatenate([self._audio, y])
        hop, had = self._hop, self._peaks_hop + len(self._peaks)
        whole = self._audio_hop + len(self._audio) // hop
        if whole > had:
            new = self._audio[(had - self._audio_hop) * hop : (whole - self._audio_hop) * hop]
            self._peaks = np.concatenate([self._peaks, np.abs(new).reshape(-1, hop).max(axis=1)])
        until = whole - self._after
        if until - self._next < LOOK_HOPS:
            return []
        found = self._look(until)
        self._forget()
        return found

    def _look(self, until: int) -> list[Click]:
        """Hops from the next one up to ``until``, judged."""
        peaks = self._peaks[: until - self._peaks_hop]
        # The loudest of the hops that end two hops before, and of the last seconds.
        before = np.concatenate([np.zeros(2), _trailing(peaks, self._before)])[: len(peaks)]
        loudest = _trailing(peaks, self._loud)
        least = np.maximum(10.0 ** (FLOOR_DBFS / 20.0), loudest * 10.0 ** (-RANGE_DB / 20.0))
        rises = (peaks >= 10.0 ** (RISE_DB / 20.0) * before) & (peaks >= least)
        found = []
        for hop in np.flatnonzero(rises[self._next - self._peaks_hop :]) + self._next:
            if hop >= self._quiet_until:
                self._quiet_until = int(hop) + self._dead
                found.append(self._click(int(hop)))
        self._next = until
        return found

    def _click(self, hop: int) -> Click:
        start = (hop - self._audio_hop) * self._hop
        size = np.abs(self._audio[start : start + round(PEAK_S * self._rate)])
        peak = float(size.max())
        onset = start + self._onset(size, start, peak)
        sound = self._audio[onset : onset + self._window]
        power = np.abs(np.fft.rfft(sound * np.hanning(2 * self._window)[self._window :])) ** 2
        power /= (0.25 * self._window) ** 2
        levels = [
            max(LEAST_DB, 10.0 * float(np.log10(power[a:b].sum() + 1e-20))) for a, b in self._edges
        ]
        at = self._start + self._audio_hop * self._hop + onset
        return Click(at / self._rate, amplitude_to_dbfs(peak), tuple(levels))

    def _onset(self, size: npt.NDArray[np.float64], start: int, peak: float) -> int:
        """Where a tenth of the peak is reached, counted from ``start``: back from the first sample
        of half the peak to where nothing of a tenth lay for half a cycle. Where something bled in
        just before, what rises clearly over that counts in place of a tenth."""
        half = int(np.argmax(size >= 0.5 * peak))
        back = min(start, round(_WALK_BACK_S * self._rate))
        before = np.abs(self._audio[max(0, start - 2 * back) : start - back])
        bled = float(before.max()) if len(before) else 0.0
        least = min(max(_TENTH * peak, _OVER_BLEED * bled), 0.5 * peak)
        around = np.abs(self._audio[start - back : start + half + 1]) >= least
        gap = round(_HALF_CYCLE_S * self._rate)
        at = last = len(around) - 1
        while at >= 0 and last - at <= gap:
            if around[at]:
                last = at
            at -= 1
        return last - back

    def _forget(self) -> None:
        """Let go of what no later question reaches, whole hops at a time."""
        gone = self._next - self._loud - self._before - self._peaks_hop
        if gone > self._loud // 4:
            self._peaks = self._peaks[gone:]
            self._peaks_hop += gone
        gone = self._next - 8 - self._audio_hop
        if gone > 0:
            self._audio = self._audio[gone * self._hop :]
            self._audio_hop += gone


def _trailing(values: npt.NDArray[np.float64], count: int) -> npt.NDArray[np.float64]:
    """The largest of the last ``count`` values at each place."""
    origin = (count - 1) // 2 if count % 2 else count // 2 - 1
    return np.asarray(
        ndimage.maximum_filter1d(values, count, mode="constant", cval=0.0, origin=origin)
    )
