"""Detail of one hit: its ringing partials, note, ring, and the pattern used for drift.

`measure_hit` is called once a hit with a stretch of the drum's own microphone. Everything is
measured on decimated audio (see `measure.bands`); partials by ESPRIT (see `measure.esprit` for
method and sources). The **note** is the lowest mode's frequency, ``ring_s`` its T60.

Which mode is the lowest is decided per hit from that hit alone, and so may differ where a weak
stroke hardly excites it; `measure.modes` follows identities over a take and sets this right.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from liveassist.measure.bands import PASSBAND, Band, band_of, decimate, step_for
from liveassist.measure.esprit import Decomposition, Mode, decompose, frequency_bound_hz
from liveassist.measure.pattern import hit_pattern
from liveassist.model import DrumKind, FloatArray, HitMeasures, Partial
from liveassist.units import amplitude_to_dbfs

#: Partials are listened to this long at most, seconds.
LISTEN_S: Final = 0.250
#: Fewest periods of the lowest note looked for that the ringing part must hold.
_MIN_PERIODS: Final = 6.0
#: A single tap in a quiet room is listened to longer, with a pencil of this many seconds, so that
#: a mode split by a few hertz shows as two.
TAP_LISTEN_S: Final = 0.8
_TAP_PENCIL_S: Final = 0.12
#: Partials this far below the strongest are left out, dB.
RANGE_DB: Final = 30.0
#: Modes that die faster are thump, not ring (T60, seconds); that last longer are hum or a tone.
_MIN_T60_S: Final = 0.06
_MAX_T60_S: Final = 8.0
#: The lowest mode may be this much weaker than the strongest and still be the note, dB.
_NOTE_RANGE_DB: Final = 18.0
#: Scatter of a note from hit to hit over its Cramér-Rao bound, and its least share of the
#: frequency: model error dominates on real drums (measured on recorded drums).
_OVER_BOUND: Final = 4.0
_LEAST_SD: Final = 0.004
#: A rise of the in-band level by this much within the ringing part is another stroke.
_RISE_DB: Final = 4.0
_RISE_HOP_S: Final = 0.010
_RISE_BACK_S: Final = 0.050
#: The level is taken over this many periods of the lowest note looked for, or the hop if longer.
_RISE_PERIODS: Final = 0.6
#: The peak of a hit is looked for this far after the onset, seconds (contract of ``peak_dbfs``).
_PEAK_S: Final = 0.040


def needed_s(kind: DrumKind) -> float:
    """How much audio after the onset `measure_hit` wants, seconds (0 for kinds without a head)."""
    band = band_of(kind)
    return 0.0 if band is None else max(band.start_s + LISTEN_S, band.stop_s) + 0.010


def measure_hit(
    segment: FloatArray,
    sample_rate_hz: float,
    kind: DrumKind,
    onset_index: int,
    clear_s: float,
) -> HitMeasures:
    """Measure one hit.

    ``segment``: float64 (n,), the drum's own microphone, best with 10 ms before the onset and
    `needed_s` after it; ``onset_index``: sample of the onset in it; ``clear_s``: seconds from the
    onset to the next onset that is heard in this microphone (`math.inf` if none).

    Missing detail is None with ``reason``: a kind without a head, too short before the next
    stroke, too soft, a segment that ends too early. ``pattern`` needs `Band.stop_s` clear;
    partials and note less. ``attack_ms``: onset to the largest sample within 40 ms.
    """
    attack = _attack_ms(segment, sample_rate_hz, onset_index)
    band = band_of(kind)
    if band is None:
        return HitMeasures(attack_ms=attack, reason=f"a {kind} has no head to tune")
    after_s = (len(segment) - onset_index) / sample_rate_hz
    usable = min(clear_s, after_s, band.start_s + LISTEN_S)
    shortest = band.start_s + _MIN_PERIODS / math.sqrt(band.note_low_hz * band.note_high_hz)
    if usable < shortest:
        return HitMeasures(attack_ms=attack, reason=_too_short(clear_s, after_s, shortest))
    step = step_for(band.partials_high_hz, sample_rate_hz)
    rate = sample_rate_hz / step
    first = onset_index + round(band.start_s * sample_rate_hz)
    record = decimate(segment, first, int((usable - band.start_s) * rate), step)
    kept = _until_next_rise(record, rate, band)
    if band.start_s + kept / rate < shortest:
        return HitMeasures(attack_ms=attack, reason="another stroke sounds in the ringing part")
    pattern = None
    quiet_until_s = band.start_s + kept / rate if kept < len(record) else math.inf
    if min(clear_s, after_s, quiet_until_s) >= band.stop_s:
        pattern = hit_pattern(segment, sample_rate_hz, band, onset_index)
    found = decompose(record[:kept], rate)
    return _with_note(found, band, kept, rate, attack, pattern)


def tap_partials(
    segment: FloatArray,
    sample_rate_hz: float,
    kind: DrumKind,
    onset_index: int,
    clear_s: float,
) -> tuple[Partial, ...]:
    """Partials of one tap, fine enough for split modes and for a lug walk; lowest first.

    Arguments as for `measure_hit`; up to `TAP_LISTEN_S` of ringing is used. Takes some 20 ms of
    time, so for taps and soundchecks, not for every hit. Empty if too short or for other kinds.
    """
    band = band_of(kind)
    after_s = (len(segment) - onset_index) / sample_rate_hz
    if band is None or min(clear_s, after_s) < band.start_s + 0.1:
        return ()
    usable = min(clear_s, after_s, band.start_s + TAP_LISTEN_S)
    step = step_for(band.partials_high_hz, sample_rate_hz)
    rate = sample_rate_hz / step
    first = onset_index + round(band.start_s * sample_rate_hz)
    record = decimate(segment, first, int((usable - band.start_s) * rate), step)
    kept = _until_next_rise(record, rate, band)
    if kept < 64:
        return ()
    found = decompose(record[:kept], rate, max_modes=12, pencil=round(_TAP_PENCIL_S * rate))
    return tuple(
        Partial(mode.frequency_hz, amplitude_to_dbfs(mode.amplitude), mode.t60_s)
        for mode in _ringing(found.modes, band, rate)
    )


def _attack_ms(segment: FloatArray, sample_rate_hz: float, onset_index: int) -> float | None:
    stretch = np.abs(segment[onset_index : onset_index + round(_PEAK_S * sample_rate_hz)])
    if len(stretch) == 0:
        return None
    return float(np.argmax(stretch)) / sample_rate_hz * 1000.0


def _too_short(clear_s: float, after_s: float, shortest_s: float) -> str:
    needed = f"{shortest_s * 1000.0:.0f} ms needed"
    if clear_s <= after_s:
        return f"next stroke {clear_s * 1000.0:.0f} ms later, {needed}"
    return f"the recording ends {after_s * 1000.0:.0f} ms after the stroke, {needed}"


def _until_next_rise(record: FloatArray, rate_hz: float, band: Band) -> int:
    """Samples before the level in the record rises well above what it was shortly before.

    Two beating modes rise too, but from a dip: the rise must top everything of the last 50 ms.
    """
    hop_s = max(_RISE_HOP_S, _RISE_PERIODS / band.note_low_hz)
    hop = max(4, round(hop_s * rate_hz))
    hops = len(record) // hop
    if hops < 3:
        return len(record)
    energy = np.square(record[: hops * hop]).reshape(hops, hop).mean(axis=1) + 1e-16
    level = 10.0 * np.log10(energy)
    back = max(2, round(_RISE_BACK_S / hop_s))
    for index in range(2, hops):
        if level[index] > level[max(0, index - back) : index].max() + _RISE_DB:
            return index * hop
    return len(record)


def _ringing(modes: tuple[Mode, ...], band: Band, rate_hz: float) -> list[Mode]:
    """Modes that are partials of a head, within `RANGE_DB` of the strongest, lowest first."""
    high = min(band.partials_high_hz, PASSBAND * rate_hz)
    inside = [
        mode
        for mode in modes
        if band.note_low_hz <= mode.frequency_hz <= high and _MIN_T60_S <= mode.t60_s <= _MAX_T60_S
    ]
    if not inside:
        return []
    least = max(mode.amplitude for mode in inside) * 10.0 ** (-RANGE_DB / 20.0)
    return [mode for mode in inside if mode.amplitude >= least]


def _with_note(
    found: Decomposition,
    band: Band,
    count: int,
    rate_hz: float,
    attack_ms: float | None,
    pattern: FloatArray | None,
) -> HitMeasures:
    modes = _ringing(found.modes, band, rate_hz)
    if not modes:
        return HitMeasures(attack_ms=attack_ms, pattern=pattern, reason="no ringing partial found")
    partials = tuple(
        Partial(mode.frequency_hz, amplitude_to_dbfs(mode.amplitude), mode.t60_s) for mode in modes
    )
    least = max(mode.amplitude for mode in modes) * 10.0 ** (-_NOTE_RANGE_DB / 20.0)
    note = next(
        (
            mode
            for mode in modes
            if mode.amplitude >= least and mode.frequency_hz <= band.note_high_hz
        ),
        None,
    )
    if note is None:
        return HitMeasures(
            partials=partials,
            attack_ms=attack_ms,
            pattern=pattern,
            reason="the lowest mode does not stand out",
        )
    bound = _OVER_BOUND * frequency_bound_hz(note, found.residual_rms, count, rate_hz)
    return HitMeasures(
        partials=partials,
        note_hz=note.frequency_hz,
        note_sd_hz=math.hypot(bound, _LEAST_SD * note.frequency_hz),
        ring_s=note.t60_s,
        attack_ms=attack_ms,
        pattern=pattern,
        reason=None if pattern is not None else "too short before the next stroke for drift",
    )
