"""Peak level of every microphone in short hops, full band and behind candidate key filters.

A hop is 32 samples at 44.1 and 48 kHz (0.73 and 0.67 ms), 64 at twice the rate, and starts at a
whole multiple of its length from the first sample of input, so the frames do not depend on the
block size; what is left of an unfinished hop waits for the next block.

Key filters are second-order Butterworth, as in `liveassist.advise.expander`, and, because expanders
differ in that, fourth-order too (``steep``). They are tried only where an expander may be
suggested: on the close microphones of drums. Those that end at a low corner run on audio decimated
by ``DECIMATION`` (a 32-tap low-pass computed for the kept samples only), which costs a seventh of
the full rate; their peaks read within 0.6 dB of the full-rate filter (tested). Cost at 48 kHz for
eight microphones, five of them close: 7 ms of one core a second.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from liveassist.model import Audio, Block, DrumKind, FloatArray, Kit, LevelFrames

#: A key filter: (high-pass corner, low-pass corner) in Hz; 0 and infinity leave that side open.
Band = tuple[float, float]

DECIMATION = 8
_DECIMATION_TAPS = 32
#: Highest low-pass corner that may run on decimated audio, as a share of the full rate.
_DECIMATED_LIMIT = 0.0185
#: Absolute sample value counted as clipped: one step of 16 bits below full scale, and above.
CLIP_AMPLITUDE = 32766.5 / 32768.0

_OPEN = math.inf
#: Key filters tried, by kind of drum. Snare: against kick thump (high-pass), against cymbals
#: (low-pass), and around the body and its first overtones. Kick: against everything brighter, and
#: the click alone, which is over before the next stroke where the body still rings. Tom: the body.
KEY_BANDS: Mapping[DrumKind, tuple[Band, ...]] = {
    "snare": (
        (250.0, _OPEN),
        (0.0, 600.0),
        (150.0, 350.0),
        (150.0, 600.0),
        (200.0, 500.0),
        (250.0, 350.0),
        (250.0, 600.0),
    ),
    "kick": ((0.0, 250.0), (1000.0, _OPEN)),
    "tom": ((0.0, 250.0), (60.0, 400.0)),
}


def default_key_bands(kit: Kit) -> dict[str, tuple[Band, ...]]:
    """Candidate key filters of each close microphone of ``kit`` (own, or second on a drum)."""
    bands: dict[str, tuple[Band, ...]] = {}
    for mic in kit.mics:
        drum = kit.drum(mic.of) if mic.of is not None else kit.owner(mic.name)
        if drum is not None and mic.type == "acoustic" and drum.kind in KEY_BANDS:
            bands[mic.name] = KEY_BANDS[drum.kind]
    return bands


def hop_samples(sample_rate_hz: float) -> int:
    """Samples in a hop: the power of two nearest to 0.7 ms, at least `DECIMATION`."""
    return max(DECIMATION, 1 << round(math.log2(sample_rate_hz * 0.0007)))


def _hop_peaks(audio: FloatArray | Audio, hop: int) -> Audio:
    """Largest absolute value per hop; ``audio`` is (hops * hop, columns)."""
    columns = audio.shape[1]
    size = np.abs(audio).reshape(-1, hop * columns)
    while size.shape[1] > columns:
        half = size.shape[1] // 2
        size = np.maximum(size[:, :half], size[:, half:])
    return size.astype(np.float32, copy=False)


@lru_cache(maxsize=256)
def _design(band: Band, steep: bool, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Coefficients of a key filter. Kept: all are made anew after lost samples, in some 50 ms."""
    from scipy.signal import butter

    numerator, denominator = np.ones(1), np.ones(1)
    for corner, kind in ((band[0], "highpass"), (band[1], "lowpass")):
        if 0.0 < corner < rate_hz / 2.0:
            b, a = butter(4 if steep else 2, corner, kind, fs=rate_hz)
            numerator, denominator = np.convolve(numerator, b), np.convolve(denominator, a)
    return numerator, denominator


class _KeyBank:
    """One key filter on all microphones that try it, streaming."""

    def __init__(
        self, band: Band, columns: Sequence[int], sample_rate_hz: float, steep: bool
    ) -> None:
        self.band, self.steep = band, steep
        self.columns = list(columns)
        self.decimated = band[1] <= sample_rate_hz * _DECIMATED_LIMIT
        rate = sample_rate_hz / DECIMATION if self.decimated else sample_rate_hz
        from scipy.signal import lfilter  # takes half a second: not before it is needed

        self._filter = lfilter
        self._b, self._a = _design(band, steep, rate)
        self._state = np.zeros((len(self.columns), self._a.size - 1))

    def feed(self, samples: FloatArray) -> FloatArray:
        """(columns, samples) in and out."""
        out, self._state = self._filter(self._b, self._a, samples, zi=self._state)
        return np.asarray(out)


class _Decimator:
    """Low-pass and keep every eighth sample, for several microphones at once."""

    def __init__(self, columns: int) -> None:
        from scipy.signal import firwin

        taps = firwin(_DECIMATION_TAPS, 0.75 / DECIMATION)[::-1]
        # Four partial sums a kept sample, one for each eighth of the taps.
        self._weights = np.ascontiguousarray(taps.reshape(-1, DECIMATION).T)
        self._history = np.zeros((self._weights.shape[1] - 1, columns, self._weights.shape[1]))

    def feed(self, audio: FloatArray) -> FloatArray:
        """(8 n, columns) in, (n, columns) out."""
        kept = audio.shape[0] // DECIMATION
        order = self._history.shape[0]
        joined = np.empty((order + kept, *self._history.shape[1:]))
        joined[:order] = self._history
        parts = audio.reshape(kept, DECIMATION, -1).transpose(0, 2, 1)
        np.matmul(parts, self._weights, out=joined[order:])
        self._history = joined[kept:].copy()
        total = joined[:kept, :, 0]
        for index in range(1, order + 1):
            total = total + joined[index : index + kept, :, index]
        return np.asarray(total)


class LevelMeter:
    """Turns blocks into `LevelFrames`.

    ``key_bands`` names the key filters to try for each microphone (default: `default_key_bands`);
    in ``LevelFrames.keyed`` and ``steep`` the columns of microphones without that filter hold NaN.
    """

    def __init__(
        self,
        kit: Kit,
        sample_rate_hz: float,
        key_bands: Mapping[str, Sequence[Band]] | None = None,
        frame_samples: int = 16384,
    ) -> None:
        self._least = frame_samples
        self._mics = len(kit.mics)
        self._fs = float(sample_rate_hz)
        self._hop = hop_samples(sample_rate_hz)
        chosen = default_key_bands(kit) if key_bands is None else key_bands
        self._bands = {kit.mic_index(mic): tuple(bands) for mic, bands in chosen.items()}
        self._reset(0)

    @property
    def hop_samples(self) -> int:
        """Samples in one hop."""
        return self._hop

    def _reset(self, first_sample: int) -> None:
        self._pending: list[Audio] = []
        self._pending_samples = 0
        self._skip = 0
        self._next = first_sample
        tried: dict[Band, list[int]] = {}
        for column, bands in self._bands.items():
            for band in bands:
                tried.setdefault(band, []).append(column)
        self._tried = tried
        self._banks: list[_KeyBank] = []

    def _make_filters(self) -> None:
        """Make the filters, with the first frames and not before: see `_KeyBank`."""
        self._banks = [
            _KeyBank(band, columns, self._fs, steep)
            for band, columns in self._tried.items()
            for steep in (False, True)
        ]
        low = [bank for bank in self._banks if bank.decimated]
        full = [bank for bank in self._banks if not bank.decimated]
        self._low = sorted({c for bank in low for c in bank.columns})
        self._full = sorted({c for bank in full for c in bank.columns})
        self._decimator = _Decimator(len(self._low))
        self._groups = [(low, self._low), (full, self._full)]

    def feed(self, block: Block) -> LevelFrames | None:
        """Frames of all hops completed by ``block``; None when it completes none.

        After lost samples the filters start anew and the frames go on at the next whole hop.
        """
        audio, ended = block.audio, None
        if block.first_sample != self._next + self._pending_samples:
            ended = self.flush()
            start = -(-block.first_sample // self._hop) * self._hop
            self._reset(start)
            # A block shorter than the way to the next whole hop still counts towards it.
            self._skip = start - block.first_sample
        if self._skip:
            dropped = min(self._skip, audio.shape[0])
            audio, self._skip = audio[dropped:], self._skip - dropped
            if self._skip:
                return ended
        self._pending.append(audio.copy())  # the caller may reuse its buffer
        self._pending_samples += audio.shape[0]
        if ended is not None or self._pending_samples < self._least:
            return ended
        return self.flush()

    def flush(self) -> LevelFrames | None:
        """Frames of all whole hops still waiting, for the end of a recording."""
        whole = self._pending_samples - self._pending_samples % self._hop
        if whole == 0:
            return None
        joined = np.concatenate(self._pending)
        self._pending = [joined[whole:].copy()]
        self._pending_samples -= whole
        first = self._next
        self._next += whole
        return self._frames(first, np.ascontiguousarray(joined[:whole]))

    def _frames(self, first: int, audio: Audio) -> LevelFrames:
        peak = _hop_peaks(audio, self._hop)
        count = audio.shape[0]
        square = np.diagonal(audio.T @ audio)
        mean = (np.ones((1, count), dtype=np.float32) @ audio)[0] / count
        hot = peak >= CLIP_AMPLITUDE
        clipped = np.zeros(self._mics, dtype=np.int64)
        if hot.any():
            clipped = np.count_nonzero(np.abs(audio) >= CLIP_AMPLITUDE, axis=0)
        keyed, steep = self._keyed(audio, peak.shape[0])
        return LevelFrames(
            first_sample=first,
            hop_samples=self._hop,
            peak=peak,
            keyed=keyed,
            steep=steep,
            clipped=tuple(int(n) for n in clipped),
            rms=tuple(float(v) for v in np.sqrt(square / count)),
            mean=tuple(float(v) for v in mean),
        )

    def _keyed(self, audio: Audio, hops: int) -> tuple[dict[Band, Audio], dict[Band, Audio]]:
        """Peaks behind the filters of either slope."""
        out: tuple[dict[Band, Audio], dict[Band, Audio]] = ({}, {})
        if not self._tried:
            return out
        if not self._banks:
            self._make_filters()
        for bank in self._banks:
            # In the order in which they are tried, whatever their rate.
            out[bank.steep][bank.band] = np.zeros((0, self._mics), dtype=np.float32)
        low = self._decimator.feed(audio[:, self._low].astype(np.float64)).T.copy()
        full = audio[:, self._full].T.astype(np.float64)
        for (banks, order), source in zip(self._groups, (low, full), strict=True):
            if not banks:
                continue
            # All filters of a rate behind each other, so that their peaks are taken together.
            count = sum(len(bank.columns) for bank in banks)
            size, row = np.empty((count, source.shape[1]), dtype=np.float32), 0
            for bank in banks:
                mine = source[[order.index(c) for c in bank.columns]]
                size[row : row + len(mine)] = bank.feed(mine)
                row += len(mine)
            np.abs(size, out=size)
            while size.shape[1] > hops:
                size = np.maximum(size[:, ::2], size[:, 1::2])
            peaks, row = size.T, 0
            keyed = np.full((len(banks), hops, self._mics), np.nan, dtype=np.float32)
            for number, bank in enumerate(banks):
                keyed[number][:, bank.columns] = peaks[:, row : row + len(bank.columns)]
                row += len(bank.columns)
                out[bank.steep][bank.band] = keyed[number]
        return out
