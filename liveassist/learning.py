"""Learn a kit from a soundcheck: each drum alone, soft to hard."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from liveassist.attribute.order import find_segments
from liveassist.attribute.signature import Learned, exemplar, gather
from liveassist.detect.onset import OnsetDetector
from liveassist.errors import InputError
from liveassist.model import Kit
from liveassist.offset import without_offset
from liveassist.spectra import Grid, Power

Audio = npt.NDArray[np.float32]
Segment = tuple[str, float, float]

#: Strokes of a soundcheck are further apart than this; what follows sooner is a bounce.
APART_S = 0.20
#: Hits more than this below the loudest of their segment are noises (a stick laid down).
RANGE_DB = 45.0
MIN_HITS = 3
#: A cymbal rings from stroke to stroke, and of what only bleeds one clear stroke says most.
MIN_BLEED_HITS = 1
#: A stroke stands this far (12 dB) above what rang just before; the beating of a head does not.
CLEAR = 4.0
GROUPS = 3


def learn(
    kit: Kit, sample_rate_hz: int, audio: Audio, segments: Sequence[Segment] | None
) -> Learned:
    """What each drum of ``segments`` (name, start_s, end_s) looks like in every microphone.

    ``audio``: (frames, mics) in the order of ``kit.mics``. InputError if a segment names an
    unknown drum, lies outside the audio, or holds too few hits.
    """
    grid = Grid(sample_rate_hz)
    audio = without_offset(audio)
    noise = noise_floor(grid, audio)
    if segments is None:
        segments = find_segments(kit, grid, audio)
    learned = Learned(tuple(mic.name for mic in kit.mics), noise)
    problems: list[str] = []
    hits: dict[str, list[Power]] = {}
    places: dict[str, int] = {}
    for drum, start_s, end_s in segments:
        names = [d.name for d in kit.drums]
        length_s = len(audio) / sample_rate_hz
        if drum not in names:
            problems.append(f"segment {drum}: the kit has no such drum; it has {', '.join(names)}")
            continue
        if not 0.0 <= start_s < end_s or start_s >= length_s:
            problems.append(
                f"segment {drum}={start_s:g}:{end_s:g} does not lie within the "
                f"{length_s:.1f} s of the soundcheck"
            )
            continue
        low, high = round(start_s * sample_rate_hz), round(min(end_s, length_s) * sample_rate_hz)
        own = kit.drum(drum).own
        mic = kit.mic_index(own) if own else _loudest(audio[low:high])
        onsets = find_hits(grid, audio, low, high, mic)
        places[drum] = mic
        for onset, until in zip(onsets, [*onsets[1:], high], strict=True):
            hits.setdefault(drum, []).append(exemplar(grid, audio, onset, noise, until))
    for drum, mic in places.items():
        found = hits.get(drum, [])
        need = MIN_HITS if kit.drum(drum).judged else MIN_BLEED_HITS
        if len(found) < need:
            problems.append(
                f"segment {drum}: {len(found)} clear hits found, {need} needed; play it again, "
                "soft to hard, with a second between strokes"
            )
            continue
        learned.signatures[drum] = gather(drum, mic, found, GROUPS)
    if problems:
        raise InputError("; ".join(problems))
    return learned


def noise_floor(grid: Grid, audio: Audio) -> Power:
    """Steady noise: the tenth percentile over time of band powers, shape (mics, BANDS)."""
    starts = np.arange(0, max(1, len(audio) - grid.window), 4 * grid.hop, dtype=np.int64)[:6000]
    if len(audio) < grid.window:
        audio = np.pad(audio, ((0, grid.window - len(audio)), (0, 0)))
    return np.asarray(np.percentile(grid.at(audio, starts), 10, axis=0), dtype=np.float32)


def find_hits(grid: Grid, audio: Audio, low: int, high: int, mic: int) -> list[int]:
    """Onsets (samples) of the strokes in ``audio[low:high]`` as microphone ``mic`` hears them."""
    detector = OnsetDetector(grid, (mic,))
    lead = np.zeros((8 * grid.window, audio.shape[1]), dtype=np.float32)
    candidates = detector.feed(np.concatenate([lead, audio[low:high], lead]))
    span = round(0.040 * grid.sample_rate_hz)
    peaks = []
    for candidate in candidates:
        at = candidate.sample - len(lead) + low
        size = np.abs(audio[max(0, at - grid.window) : at + span, mic])
        before = np.abs(audio[max(0, at - 3 * grid.window) : max(1, at - grid.window), mic])
        if len(size) and size.max() > CLEAR * (before.max() if len(before) else 0.0):
            peaks.append((float(size.max()), at))
    if not peaks:
        return []
    floor = max(peak for peak, _ in peaks) * 10.0 ** (-RANGE_DB / 20.0)
    chosen: list[tuple[float, int]] = []
    for peak, at in sorted(peaks, key=lambda item: item[1]):
        if peak < floor:
            continue
        if chosen and at - chosen[-1][1] < APART_S * grid.sample_rate_hz:
            # A bounce, or the ring beating: only a clearly louder one takes its place.
            if peak > 2.0 * chosen[-1][0]:
                chosen[-1] = (peak, at)
            continue
        chosen.append((peak, at))
    onsets = []
    for peak, at in chosen:
        start = max(0, at - grid.window)
        size = np.abs(audio[start : at + span, mic])
        onsets.append(start + int(np.argmax(size >= 0.1 * peak)))
    return onsets


def _loudest(audio: Audio) -> int:
    return int(np.argmax(np.abs(audio).max(axis=0))) if len(audio) else 0
