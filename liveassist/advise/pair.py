"""Two microphones on one drum: polarity, delay, level difference, and where the pair cancels.

From the first 20 ms of main hits, before ring and bleed blur the picture. Delay and polarity come
from the correlation of the first 7 ms in the first microphone with the second, averaged over the
hits, in the band where a drum's body speaks; its largest absolute value gives both (its sign is the
polarity), refined by a parabola.
Level differences and the sum are taken from averaged spectra.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from liveassist.model import FloatArray

#: Regions of a snare's sound, Hz (common practice, no source).
REGIONS: dict[str, tuple[float, float]] = {
    "body": (100.0, 300.0),
    "box": (300.0, 800.0),
    "crack": (2500.0, 6000.0),
    "wires": (6000.0, 12000.0),
}
#: Octave bands in which cancellation is reported: centre frequencies of IEC 61260-1, Hz.
BANDS_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
#: Level of the second microphone under the first that mixes start from, dB (common practice, no
#: source): middle of 13 to 15.
USUAL_BLEND_DB = -14.0
NEEDED_HITS = 5
#: Longest delay looked for: 51 cm, the depth of a kick shell. Beyond, the ring of one
#: mode looks the same half a period later with its sign flipped (2.3 ms at 220 Hz), and a bottom
#: microphone would seem 70 cm away and not inverted.
_BEFORE_S, _SPAN_S, _MOST_DELAY_S = 0.002, 0.020, 0.0015
#: What is matched is the first motion of the head.
_MATCH_S = 0.007
_BODY_HZ = (100.0, 1000.0)


@dataclass(frozen=True, slots=True)
class PairCheck:
    """``delay_samples``: by how much the second microphone hears the drum later (may be broken).

    ``inverted``: the second has the opposite polarity. ``agreement``: share of hits that by
    themselves show that polarity. ``level_db``: second minus first, by region. ``sum_db`` and
    ``flipped_sum_db``: level of the sum over what adding powers would give, by octave band, with
    the second at its own level, as it is and with polarity flipped (+3 adds up, negative cancels).
    ``blend_db``: gain on the second that puts it `USUAL_BLEND_DB` under the first.
    """

    inverted: bool
    agreement: float
    delay_samples: float
    delay_ms: float
    distance_mm: float
    level_db: dict[str, float]
    sum_db: dict[float, float]
    flipped_sum_db: dict[float, float]
    blend_db: float
    hits: int

    @property
    def sentence(self) -> str:
        """The advice in one sentence."""
        body = [band for band in BANDS_HZ if band <= 500.0]
        gain = sum(self.flipped_sum_db[b] - self.sum_db[b] for b in body) / len(body)
        if gain > 1.0:
            return f"flip the polarity of one of the two: the body gains {gain:.0f} dB"
        return "leave the polarity as it is: the body adds up"


def check_pair(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    onsets: Sequence[int],
    sample_rate_hz: float,
    speed_of_sound_m_s: float = 343.2,
) -> PairCheck | str:
    """Compare two recordings (1-D, same length) at main hits' ``onsets`` (samples).

    Returns the reason in one sentence where it cannot be told. Speed of sound: 20 °C.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    before, span = round(_BEFORE_S * sample_rate_hz), round(_SPAN_S * sample_rate_hz)
    usable = [at for at in onsets if at >= before and at + span <= min(a.size, b.size)]
    if len(usable) < NEEDED_HITS:
        more = NEEDED_HITS - len(usable)
        return f"{len(usable)} usable hits, {NEEDED_HITS} needed: play {more} more"
    index = np.array(usable)[:, None] + np.arange(-before, span)
    from scipy.signal import butter, sosfiltfilt  # takes half a second, so not before needed

    body = butter(2, _BODY_HZ, "bandpass", fs=sample_rate_hz, output="sos")
    most = round(_MOST_DELAY_S * sample_rate_hz)
    match = before + round(_MATCH_S * sample_rate_hz)
    each = [
        _correlation(sosfiltfilt(body, a[i])[:match], sosfiltfilt(body, b[i]), most) for i in index
    ]
    mean = np.mean(each, axis=0)
    if float(np.max(np.abs(mean))) < 0.2:
        return "the two microphones have too little in common to tell delay and polarity"
    at, sign = _peak(mean)
    delay = at - most
    alike = [np.sign(one[round(at)]) == sign for one in each]
    spectra_a = np.fft.rfft(a[index] * np.hanning(index.shape[1]), axis=1)
    spectra_b = np.fft.rfft(b[index] * np.hanning(index.shape[1]), axis=1)
    hz = np.asarray(np.fft.rfftfreq(index.shape[1], 1.0 / sample_rate_hz), dtype=np.float64)
    level = {
        name: _db(_power(spectra_b, hz, band) / max(_power(spectra_a, hz, band), 1e-30))
        for name, band in REGIONS.items()
    }
    top = float(np.median(np.abs(a[index]).max(axis=1)))
    bottom = float(np.median(np.abs(b[index]).max(axis=1)))
    blend = USUAL_BLEND_DB + 20.0 * math.log10(max(top, 1e-9) / max(bottom, 1e-9))
    return PairCheck(
        inverted=sign < 0.0,
        agreement=float(np.mean(alike)),
        delay_samples=delay,
        delay_ms=1000.0 * delay / sample_rate_hz,
        distance_mm=1000.0 * delay / sample_rate_hz * speed_of_sound_m_s,
        level_db=level,
        sum_db=_sums(spectra_a, spectra_b, hz),
        flipped_sum_db=_sums(spectra_a, -spectra_b, hz),
        blend_db=blend,
        hits=len(usable),
    )


def _correlation(a: FloatArray, b: FloatArray, most: int) -> FloatArray:
    """Correlation of all of ``a`` with as much of ``b``, at lags -most to most; each normalised by
    the energy of that part of ``b``, but no less than a tenth of the largest."""
    padded = np.concatenate((np.zeros(most), b, np.zeros(a.size + most)))
    parts = np.lib.stride_tricks.sliding_window_view(padded, a.size)[: 2 * most + 1]
    energy = np.sum(parts**2, axis=1)
    energy = np.maximum(energy, 0.1 * energy.max())
    return np.asarray(parts @ a / np.sqrt(np.maximum(energy * float(a @ a), 1e-60)))


def _peak(correlation: FloatArray) -> tuple[float, float]:
    """Place of the largest absolute value, between samples, and its sign."""
    at = int(np.argmax(np.abs(correlation)))
    sign = float(np.sign(correlation[at]))
    if 0 < at < correlation.size - 1:
        left, middle, right = sign * correlation[at - 1 : at + 2]
        bend = left - 2.0 * middle + right
        return (float(at + 0.5 * (left - right) / bend) if bend < 0.0 else float(at)), sign
    return float(at), sign


def _power(spectra: npt.NDArray[np.complex128], hz: FloatArray, band: tuple[float, float]) -> float:
    inside = (hz >= band[0]) & (hz < band[1])
    return float(np.mean(np.abs(spectra[:, inside]) ** 2)) if inside.any() else 0.0


def _sums(
    a: npt.NDArray[np.complex128], b: npt.NDArray[np.complex128], hz: FloatArray
) -> dict[float, float]:
    out = {}
    for centre in BANDS_HZ:
        band = (centre / math.sqrt(2.0), centre * math.sqrt(2.0))
        apart = _power(a, hz, band) + _power(b, hz, band)
        out[centre] = _db(_power(a + b, hz, band) / max(apart, 1e-30))
    return out


def _db(power_ratio: float) -> float:
    return 10.0 * math.log10(max(power_ratio, 1e-12))
