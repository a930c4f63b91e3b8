"""The character of one hit in one microphone: attack, brightness, body, box, crack, wires, ring.

Levels of regions are shares of the hit's own power, so that they say how it sounds and not how loud
it is. Regions are common practice, no source; brightness is the spectral centroid (power-weighted
mean frequency), attack the time from a tenth to nine tenths of the peak (as rise time is defined in
IEC 60050-702).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from liveassist.measure.ring import band_t60
from liveassist.model import FloatArray

#: Regions of a drum's sound, Hz (common practice, no source).
REGIONS: Final[dict[str, tuple[float, float]]] = {
    "body": (100.0, 300.0),
    "box": (300.0, 800.0),
    "crack": (2500.0, 6000.0),
    "wires": (6000.0, 12000.0),
}
#: All that counts as the hit's power, Hz.
WHOLE_HZ: Final = (40.0, 16000.0)
#: Octaves in which the ring is measured: centre frequencies of IEC 61260-1, Hz.
RING_BANDS_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)
#: How much of the hit its spectrum is taken over, s, and how it is faded in and out, s.
SPECTRUM_S: Final = 0.080
_FADE_IN_S, _FADE_OUT_S = 0.001, 0.020
#: The peak is looked for this far after the onset, s.
_PEAK_S: Final = 0.040
#: A ring is measured where the next stroke is at least this far away, and over this much, s.
RING_CLEAR_S: Final = 0.200
RING_S: Final = 0.400


@dataclass(frozen=True, slots=True)
class Character:
    """``region_db``: share of the hit's power by region, dB. ``ring_s``: T60 by octave of
    `RING_BANDS_HZ`, None where it could not be measured."""

    attack_ms: float
    brightness_hz: float
    region_db: dict[str, float]
    ring_s: tuple[float | None, ...]

    @property
    def wires_to_body_db(self) -> float:
        """Level of the wires' region over the body's, dB."""
        return self.region_db["wires"] - self.region_db["body"]


def character(
    segment: FloatArray, sample_rate_hz: float, onset_index: int, clear_s: float
) -> Character | None:
    """Character of the hit at ``onset_index`` of ``segment`` (float64, one microphone).

    ``clear_s``: until the next stroke that is heard there. The segment reaches `RING_S` past the
    onset, or the ring is measured over less. None where the next stroke cuts the spectrum off, or
    there is nothing but silence.
    """
    count = round(SPECTRUM_S * sample_rate_hz)
    hit = segment[onset_index : onset_index + count]
    if clear_s < SPECTRUM_S or len(hit) < count or not np.any(hit):
        return None
    before = max(0, onset_index - round(0.002 * sample_rate_hz))
    attack = _attack_ms(
        segment[before : onset_index + round(_PEAK_S * sample_rate_hz)], sample_rate_hz
    )
    power = np.abs(np.fft.rfft(hit * _fade(count, sample_rate_hz))) ** 2
    hz = np.fft.rfftfreq(count, 1.0 / sample_rate_hz)
    whole = (hz >= WHOLE_HZ[0]) & (hz <= min(WHOLE_HZ[1], 0.5 * sample_rate_hz))
    total = float(power[whole].sum())
    if total <= 0.0:
        return None
    regions = {
        name: 10.0 * math.log10(max(float(power[(hz >= low) & (hz < high)].sum()) / total, 1e-12))
        for name, (low, high) in REGIONS.items()
    }
    return Character(
        attack_ms=attack,
        brightness_hz=float((hz[whole] * power[whole]).sum() / total),
        region_db=regions,
        ring_s=_rings(segment, sample_rate_hz, onset_index, clear_s),
    )


def _attack_ms(stretch: FloatArray, sample_rate_hz: float) -> float:
    size = np.abs(stretch)
    peak = int(np.argmax(size))
    top = size[peak]
    first = int(np.argmax(size >= 0.1 * top))
    last = first + int(np.argmax(size[first:] >= 0.9 * top))
    return (last - first) / sample_rate_hz * 1000.0


def _fade(count: int, sample_rate_hz: float) -> FloatArray:
    """Flat, with a short rise (the onset is the first sample) and a cosine fall."""
    window = np.ones(count)
    rise, fall = round(_FADE_IN_S * sample_rate_hz), round(_FADE_OUT_S * sample_rate_hz)
    window[:rise] = 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    window[count - fall :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return window


def _rings(
    segment: FloatArray, sample_rate_hz: float, onset_index: int, clear_s: float
) -> tuple[float | None, ...]:
    if clear_s < RING_CLEAR_S:
        return (None,) * len(RING_BANDS_HZ)
    end = onset_index + round(min(clear_s, RING_S) * sample_rate_hz)
    start = onset_index + round(0.005 * sample_rate_hz)
    found = band_t60(segment[start:end], sample_rate_hz, RING_BANDS_HZ)
    return tuple(None if one is None else one.t60_s for one in found)
