"""From heard hits to the rows of a comparison: every measure of every stretch or microphone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from liveassist.advise.compare import (
    MIN_HITS,
    Measure,
    Row,
    compare_estimates,
    compare_hits,
    compare_pairs,
)
from liveassist.measure.character import RING_BANDS_HZ, Character, character
from liveassist.measure.detail import clear_after_s
from liveassist.measure.modes import TrackedMode, follow, lowest_mode, tracked_modes
from liveassist.measure.partials import measure_hit
from liveassist.model import Drum, FloatArray, Hit, HitMeasures, Interval, Kit
from liveassist.output.compare_page import Curves
from liveassist.rolling.bleed import censored_quantile
from liveassist.rolling.figures import CLIPPED, standing
from liveassist.rolling.spread import MIN_SPREAD_HITS, spread

if TYPE_CHECKING:
    from liveassist.app.comparing import Heard

_DRAWS = 400
#: A figure of a stretch, its 95 % interval, and how many hits it is of.
Estimate = tuple[float, Interval, int]
BoolArray = npt.NDArray[np.bool_]
_MAIN = ("main", "weak")

NOTE = Measure("note", "note", "Hz", 1.0, 1, relative=True)
RING = Measure("ring", "ring of the note (T60)", "s", 10.0, 3, relative=True)
OF_HITS = (
    Measure("attack", "attack, 10 to 90 %", "ms", 0.5, 2),
    Measure("brightness", "brightness (centroid)", "Hz", 10.0, 0, relative=True),
    Measure("body", "body, 100 to 300 Hz", "dB", 1.0),
    Measure("box", "box, 300 to 800 Hz", "dB", 1.0),
    Measure("crack", "crack, 2.5 to 6 kHz", "dB", 1.0),
    Measure("wires_to_body", "wires to body", "dB", 1.0),
)
BODY_SOFT = Measure("body_soft", "body of the softest third", "dB", 1.0)
SPREAD = Measure("spread", "spread (unevenness)", "dB", 25.0, 2, relative=True)
MARGIN = Measure("margin", "bleed margin", "dB", 2.0)


def rows_of_stretches(
    sides: Sequence[Heard], kit: Kit, drum: Drum, mic: str, *, by_median: bool
) -> list[Row]:
    """Every measure of several stretches in microphone ``mic``, at matched level.

    ``by_median``: levels are counted from each stretch's own median, for stretches whose gains or
    microphones differ; else as they are.
    """
    column = kit.mic_index(mic)
    parts = [_Part(side, column, drum) for side in sides]
    levels = [part.levels(by_median) for part in parts]
    main = [part.main for part in parts]

    def hits_row(measure: Measure, values: Sequence[FloatArray], of: Sequence[FloatArray]) -> Row:
        return compare_hits(
            measure,
            [level[keep > 0] for level, keep in zip(levels, of, strict=True)],
            [value[keep > 0] for value, keep in zip(values, of, strict=True)],
        )

    rows = [hits_row(NOTE, [part.notes for part in parts], main)]
    rows += _mode_rows(parts)
    rows.append(hits_row(RING, [part.rings for part in parts], main))
    for band in range(len(RING_BANDS_HZ)):
        measure = _band_measure(band)
        rows.append(hits_row(measure, [part.band(band) for part in parts], main))
    rows += [hits_row(one, [part.of(one.key) for part in parts], main) for one in OF_HITS]
    limit = float(np.quantile(np.concatenate(levels), 1.0 / 3.0))
    soft = [np.asarray(level <= limit, dtype=np.float64) for level in levels]
    rows.append(hits_row(BODY_SOFT, [part.of("body") for part in parts], soft))
    rows.append(
        compare_estimates(SPREAD, [_spread(side) for side in sides], [_few(side) for side in sides])
    )
    rows.append(_margins([_margin(side, kit, mic) for side in sides]))
    return _told(rows)


def rows_of_mics(side: Heard, kit: Kit, drum: Drum, mics: Sequence[str]) -> list[Row]:
    """Every measure of the same hits in several microphones, as pairs; margins as estimates."""
    parts = [_Part(side, kit.mic_index(mic), drum) for mic in mics]
    keep = parts[0].main > 0

    def pairs(measure: Measure, values: Sequence[FloatArray]) -> Row:
        return compare_pairs(measure, [value[keep] for value in values])

    rows = [pairs(NOTE, [part.notes for part in parts])]
    rows.append(pairs(RING, [part.rings for part in parts]))
    rows += [
        pairs(_band_measure(band), [part.band(band) for part in parts])
        for band in range(len(RING_BANDS_HZ))
    ]
    rows += [pairs(one, [part.of(one.key) for part in parts]) for one in OF_HITS]
    rows.append(_margins([_margin(side, kit, mic) for mic in mics]))
    return _told(rows)


def _told(rows: Sequence[Row]) -> list[Row]:
    """The rows that say something of at least one side."""
    return [row for row in rows if any(side is not None for side in row.sides)]


def _band_measure(band: int) -> Measure:
    centre = RING_BANDS_HZ[band]
    name = f"{centre:.0f} Hz" if centre < 1000.0 else f"{centre / 1000.0:.0f} kHz"
    return Measure(f"ring_{centre:.0f}", f"ring about {name} (T60)", "s", 10.0, 3, relative=True)


class _Part:
    """The measures of one stretch in one microphone, one entry a hit, NaN where not measured."""

    def __init__(self, side: Heard, column: int, drum: Drum) -> None:
        self._hits = side.hits
        rate = side.sample_rate_hz
        self._characters: list[Character | None] = []
        measured: list[HitMeasures] = []
        for hit, piece in zip(side.hits, side.pieces, strict=True):
            clear_s = _clear_s(hit, side.every, column)
            segment = piece[:, column].astype(np.float64)
            self._characters.append(character(segment, rate, side.onset, clear_s))
            measured.append(measure_hit(segment, rate, drum.kind, side.onset, clear_s))
        self.modes = tracked_modes(measured)
        lowest = lowest_mode(self.modes)
        if lowest is not None:
            measured = [follow(one, lowest.frequency_hz) for one in measured]
        self.notes = _array([one.note_hz for one in measured])
        self.rings = _array([one.ring_s for one in measured])
        self.main = _array([1.0 if hit.role in _MAIN else 0.0 for hit in side.hits])

    def levels(self, by_median: bool) -> FloatArray:
        """Level of each hit in the drum's own microphone, dB."""
        levels = _array([hit.peak_dbfs for hit in self._hits])
        return about_main(levels, self.main > 0) if by_median else levels

    def band(self, band: int) -> FloatArray:
        """Ring of each hit in one octave, s."""
        return _array([None if one is None else one.ring_s[band] for one in self._characters])

    def of(self, key: str) -> FloatArray:
        """One measure of `OF_HITS` for each hit."""
        return _array([None if one is None else _pick(one, key) for one in self._characters])


def about_main(levels: FloatArray, main: BoolArray) -> FloatArray:
    """Levels against the median main hit (of all hits where none is main): how many ghost notes
    there are is playing, and no gain."""
    return levels - float(np.median(levels[main] if main.any() else levels))


def _pick(one: Character, key: str) -> float:
    if key == "attack":
        return one.attack_ms
    if key == "brightness":
        return one.brightness_hz
    if key == "wires_to_body":
        return one.wires_to_body_db
    return one.region_db[key]


def _array(values: Sequence[float | None]) -> FloatArray:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def _clear_s(hit: Hit, every: Sequence[Hit], column: int) -> float:
    """Seconds from ``hit`` to the next hit that is heard well enough in that microphone."""
    mine = _in_mic(hit, column)
    return clear_after_s(hit, every, column, hit.peak_dbfs if mine is None else mine)


def _in_mic(hit: Hit, column: int) -> float | None:
    return hit.mic_dbfs[column] if column < len(hit.mic_dbfs) else None


def _mode_rows(parts: Sequence[_Part]) -> list[Row]:
    """Modes above the note that every stretch has, matched by order of frequency within 8 %."""
    if any(not part.modes for part in parts):
        return []
    note = lowest_mode(parts[0].modes)
    rows = []
    for mode in parts[0].modes:
        if note is None or mode.frequency_hz <= note.frequency_hz:
            continue
        alike = [_nearest(part.modes, mode.frequency_hz) for part in parts]
        if all(one is not None for one in alike):
            measure = Measure(
                f"mode_{mode.frequency_hz:.0f}", f"mode near {mode.frequency_hz:.0f} Hz", "Hz",
                1.0, 1, relative=True,
            )  # fmt: skip
            found = [(one.frequency_hz, one.frequency_ci, one.hits) for one in alike if one]
            rows.append(compare_estimates(measure, found))
    return rows


def _nearest(modes: Sequence[TrackedMode], frequency_hz: float) -> TrackedMode | None:
    best = min(modes, key=lambda mode: abs(math.log(mode.frequency_hz / frequency_hz)))
    return best if abs(best.frequency_hz / frequency_hz - 1.0) <= 0.08 else None


def _spread(side: Heard) -> tuple[float, Interval, int] | None:
    main = [hit for hit in side.hits if hit.role in _MAIN]
    found = spread([hit.time_s for hit in main], _array([hit.peak_dbfs for hit in main]))
    return None if found is None else (found.spread_db, found.ci, len(main))


def _few(side: Heard) -> str:
    count = sum(hit.role in _MAIN for hit in side.hits)
    return f"{count} main hits, {MIN_SPREAD_HITS} in a row needed"


def _margins(found: Sequence[Estimate | str]) -> Row:
    estimates = [None if isinstance(one, str) else one for one in found]
    return compare_estimates(
        MARGIN, estimates, [one if isinstance(one, str) else "" for one in found]
    )


def _margin(side: Heard, kit: Kit, mic: str) -> Estimate | str:
    """The margin of the stretch as a take has it (softest main hits, 10 %, less the worst source,
    95 %), its interval by bootstrap over the hits of both; or why there is none."""
    column = kit.mic_index(mic)
    found = side.figures.bleed_margin.get(mic)
    if found is None:
        return "the microphone of no drum"
    value, worst = found.full_band_db, found.worst_source
    if value is None or worst is None:
        return side.figures.unmeasured.get(f"bleed_margin_db.{mic}.full_band", "not measured")
    owners = {one.name for one in kit.drums if one.own == mic or kit.mics[column].of == one.name}
    inside = [h for h in side.every if side.figures.start_s <= h.time_s < side.figures.end_s]
    main = [h for h in inside if h.drum in owners and h.role in _MAIN and CLIPPED not in h.flags]
    own, _ = _levels_there(main, column)
    source = next((one for one in kit.drums if one.name == worst), None)
    theirs = standing(source, [h for h in inside if h.drum == worst]) if source else []
    foreign, bound = _levels_there(theirs, column)
    draw = np.random.default_rng(len(own))  # the same hits give the same interval
    point = _apart(own, foreign, bound)
    tries = []
    for _ in range(_DRAWS):
        again = draw.integers(0, len(foreign), len(foreign)) if len(foreign) else np.zeros(0, int)
        mine = own[draw.integers(0, len(own), len(own))]
        tries.append(value + _apart(mine, foreign[again], bound[again]) - point)
    known = [one for one in tries if math.isfinite(one)]
    if len(known) < _DRAWS // 2:
        return "its interval cannot be told: the worst source is mostly buried"
    low, high = np.quantile(known, [0.025, 0.975])
    return value, (float(low), float(high)), len(own)


def _apart(own: FloatArray, foreign: FloatArray, bound: BoolArray) -> float:
    """Margin of some hits (NaN where their loudest is only bounded); what is heard between hits,
    no drum, is taken as it is."""
    soft = float(np.quantile(own, 0.10))
    if not len(foreign):
        return soft
    loud, is_bound = censored_quantile(foreign[:, None], bound[:, None], 0.95)
    return math.nan if is_bound[0] else soft - float(loud[0])


def _levels_there(hits: Sequence[Hit], column: int) -> tuple[FloatArray, BoolArray]:
    known = [
        (level, bool(hit.mic_bound and hit.mic_bound[column]))
        for hit in hits
        if (level := _in_mic(hit, column)) is not None
    ]
    return (
        np.array([level for level, _ in known], dtype=np.float64),
        np.array([bound for _, bound in known], dtype=bool),
    )


# --- the picture ------------------------------------------------------------------------------


def decays_and_spectra(side: Heard, kit: Kit, mic: str) -> Curves:
    """Median decay (dB under each hit's own peak) and mean spectrum of the main hits."""
    column, rate = kit.mic_index(mic), side.sample_rate_hz
    hop = round(0.005 * rate)
    hops = (len(side.pieces[0]) - side.onset) // hop
    decays, power = [], np.zeros(0)
    size = 1 << (round(0.080 * rate) - 1).bit_length()
    for hit, piece in zip(side.hits, side.pieces, strict=True):
        if hit.role not in _MAIN:
            continue
        wave = piece[side.onset : side.onset + hops * hop, column].astype(np.float64)
        rms = np.sqrt(np.mean(wave.reshape(hops, hop) ** 2, axis=1))
        level = 20.0 * np.log10(np.maximum(rms / max(float(rms.max()), 1e-12), 1e-6))
        clear_s = _clear_s(hit, side.every, column)
        level[np.arange(hops) * hop / rate > clear_s - 0.005] = math.nan
        decays.append(level)
        if clear_s >= 0.080:
            spectrum = np.abs(np.fft.rfft(wave[: round(0.080 * rate)], size)) ** 2
            total = float(spectrum.sum())
            if total > 0.0:
                power = spectrum / total + (power if power.size else 0.0)
    times = (np.arange(hops) + 0.5) * hop / rate
    return Curves(times, _median_curve(decays), *_sixths(power, rate))


def _median_curve(decays: Sequence[FloatArray]) -> FloatArray:
    """Median over the hits that are still alone; NaN where fewer than `MIN_HITS` are."""
    if not decays:
        return np.zeros(0)
    table = np.array(decays)
    enough = np.isfinite(table).sum(axis=0) >= MIN_HITS
    out = np.full(table.shape[1], math.nan)
    if enough.any():
        out[enough] = np.nanmedian(table[:, enough], axis=0)
    return out


def _sixths(power: FloatArray, rate: int) -> tuple[FloatArray, FloatArray]:
    """Power in sixths of an octave about 1 kHz (bands as in IEC 61260-1, base two), dB."""
    centres = 1000.0 * 2.0 ** (np.arange(-27, 25) / 6.0)
    centres = centres[centres < 0.45 * rate]
    if not power.size:
        return centres, np.full(len(centres), math.nan)
    hz = np.arange(len(power)) * rate / (2.0 * (len(power) - 1))
    cumulated = np.concatenate(([0.0], np.cumsum(power / power.sum())))
    edges = np.arange(len(power) + 1) * hz[1] - hz[1] / 2.0
    low, high = centres * 2.0 ** (-1.0 / 12.0), centres * 2.0 ** (1.0 / 12.0)
    share = np.interp(high, edges, cumulated) - np.interp(low, edges, cumulated)
    return centres, 10.0 * np.log10(np.maximum(share, 1e-12))
