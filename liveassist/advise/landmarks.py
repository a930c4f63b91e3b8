"""Where a drum's sound lies: its note, the partials that ring, and how much body, box and crack.

Frequencies an engineer may notch or lift, not orders. Partials are those measured in single hits,
gathered over hits; regions are read from the averaged spectrum of the first 100 ms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from liveassist.model import Audio, DrumKind, FloatArray, HitMeasures, Partial

#: Regions of a drum's sound, Hz (common practice, no source: body of a snare below 300, box around
#: 450, crack 3 to 5 kHz; a kick's click 2 to 5 kHz).
REGIONS: Mapping[DrumKind, Mapping[str, tuple[float, float]]] = {
    "snare": {
        "body": (100.0, 300.0),
        "box": (300.0, 800.0),
        "crack": (2500.0, 6000.0),
        "wires": (6000.0, 12000.0),
    },
    "kick": {"body": (35.0, 120.0), "box": (200.0, 600.0), "click": (2000.0, 6000.0)},
    "tom": {"body": (60.0, 250.0), "box": (250.0, 800.0), "stick": (2500.0, 6000.0)},
}
NEEDED_HITS = 5
#: Partials of different hits nearer than this are taken for one, cents. A detuned or harder-hit
#: head moves by less within a take.
_SAME_CENTS = 45.0
#: Share of hits a partial must be heard in, and how many are listed.
_LEAST_SHARE = 0.4
_MOST_PARTIALS = 6
_SPAN_S = 0.100
_WHOLE_HZ = (25.0, 16000.0)


@dataclass(frozen=True, slots=True)
class RingPartial:
    """A partial that rings: medians over the hits it was heard in. ``level_db``: below the
    strongest partial of the hit; ``share``: of the hits that show it."""

    frequency_hz: float
    level_db: float
    t60_s: float
    share: float


@dataclass(frozen=True, slots=True)
class Region:
    """A region of the spectrum. ``share_db``: its energy relative to the whole of the hit;
    ``peak_hz``: where most of it lies."""

    name: str
    low_hz: float
    high_hz: float
    share_db: float
    peak_hz: float


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Of one drum. ``note_hz`` is None where no hit rang clearly."""

    note_hz: float | None
    partials: tuple[RingPartial, ...]
    regions: tuple[Region, ...]
    hits: int

    @property
    def sentence(self) -> str:
        """What to look at with an equaliser, in one sentence."""
        parts = []
        if self.note_hz is not None:
            parts.append(f"note {self.note_hz:.0f} Hz")
        longest = max(self.partials, key=lambda one: one.t60_s, default=None)
        if longest is not None:
            parts.append(f"longest ring at {longest.frequency_hz:.0f} Hz ({longest.t60_s:.2f} s)")
        parts += [
            f"{region.name} {region.share_db:.0f} dB around {_round_hz(region.peak_hz)} Hz"
            for region in self.regions
        ]
        return ", ".join(parts)


def landmarks(
    kind: DrumKind,
    measures: Sequence[HitMeasures],
    sounds: Sequence[Audio],
    onset: int,
    sample_rate_hz: float,
    note_hz: float | None = None,
) -> Landmarks | str:
    """Landmarks of a drum from main hits, or the reason in one sentence.

    ``measures``: of single hits; ``sounds``: the own microphone around hits (1-D, full scale 1.0),
    each with its onset at sample ``onset``. ``note_hz``: the drum's note where it is known from
    elsewhere; otherwise the median of the hits' notes.
    """
    if kind not in REGIONS:
        return "no head to measure: landmarks are for kick, snare and toms"
    if len(sounds) < NEEDED_HITS:
        more = NEEDED_HITS - len(sounds)
        return f"{len(sounds)} usable hits, {NEEDED_HITS} needed: play {more} more"
    notes = [one.note_hz for one in measures if one.note_hz is not None]
    if note_hz is None and len(notes) >= NEEDED_HITS:
        note_hz = float(np.median(notes))
    power, hz = _spectrum(sounds, onset, sample_rate_hz)
    whole = _energy(power, hz, _WHOLE_HZ)
    return Landmarks(
        note_hz=note_hz,
        partials=_gathered([one.partials for one in measures if one.partials]),
        regions=tuple(
            Region(
                name,
                *band,
                share_db=10.0 * float(np.log10(max(_energy(power, hz, band), 1e-20) / whole)),
                peak_hz=_peak_hz(power, hz, band),
            )
            for name, band in REGIONS[kind].items()
        ),
        hits=len(sounds),
    )


def _spectrum(
    sounds: Sequence[Audio], onset: int, sample_rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Median over hits of the power spectrum, each hit scaled to the same energy.

    Other drums sound in some of the hits; the median leaves them out.
    """
    span = round(_SPAN_S * sample_rate_hz)
    rows = np.zeros((len(sounds), span))
    for row, sound in zip(rows, sounds, strict=True):
        part = sound[onset : onset + span]
        row[: part.size] = part
    # Only the end is faded: the onset itself is the signal.
    fade = np.ones(span)
    fade[span // 2 :] = np.cos(np.linspace(0.0, np.pi / 2.0, span - span // 2)) ** 2
    rows *= fade
    energy = np.sum(rows**2, axis=1)
    rows = rows[energy > 0.0] / np.sqrt(energy[energy > 0.0])[:, None]
    size = 1 << (2 * span - 1).bit_length()
    power = np.abs(np.fft.rfft(rows, size, axis=1)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    middle = np.median(power, axis=0) if len(power) else np.zeros(hz.size)
    return np.asarray(middle, dtype=np.float64), np.asarray(hz, dtype=np.float64)


def _energy(power: FloatArray, hz: FloatArray, band: tuple[float, float]) -> float:
    return float(np.sum(power[(hz >= band[0]) & (hz < band[1])])) + 1e-20


def _peak_hz(power: FloatArray, hz: FloatArray, band: tuple[float, float]) -> float:
    """Centre of gravity of the sixth of an octave that holds most energy."""
    best, at = -1.0, band[0]
    width = 2.0 ** (1.0 / 6.0)
    low = band[0]
    while low * width <= band[1] * 1.0001:
        inside = (hz >= low) & (hz < low * width)
        energy = float(np.sum(power[inside]))
        if energy > best:
            best = energy
            at = float(np.sum(power[inside] * hz[inside])) / energy if energy > 0.0 else low
        low *= 2.0 ** (1.0 / 24.0)
    return at


def _gathered(hits: Sequence[Sequence[Partial]]) -> tuple[RingPartial, ...]:
    """Partials of many hits, put together where they are one, the strongest first."""
    rows = [
        (partial.frequency_hz, partial.level_dbfs - top, partial.t60_s, index)
        for index, partials in enumerate(hits)
        for top in [max(one.level_dbfs for one in partials)]
        for partial in partials
    ]
    found = []
    for group in _groups(sorted(rows)):
        share = len({index for *_, index in group}) / len(hits)
        if len(group) < NEEDED_HITS - 1 or share < _LEAST_SHARE:
            continue
        middle = np.median(np.array([row[:3] for row in group]), axis=0)
        found.append(RingPartial(float(middle[0]), float(middle[1]), float(middle[2]), share))
    return tuple(sorted(found, key=lambda one: -one.level_db)[:_MOST_PARTIALS])


Row = tuple[float, float, float, int]


def _groups(rows: Sequence[Row]) -> list[list[Row]]:
    """Rows sorted by frequency, cut where the next lies further than `_SAME_CENTS` from the
    middle of the group so far."""
    groups: list[list[Row]] = []
    for row in rows:
        middle = groups[-1][len(groups[-1]) // 2][0] if groups else 0.0
        if groups and row[0] <= middle * 2.0 ** (_SAME_CENTS / 1200.0):
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _round_hz(hz: float) -> str:
    """Two significant digits: nobody sets an equaliser finer."""
    step = 10.0 ** (np.floor(np.log10(hz)) - 1.0)
    return f"{round(hz / step) * step:.0f}"
