"""What each alert looks for in the rolling figures, hits and meters. Pure functions.

Every threshold states its evidence. None has a published source: what counts as uneven is the
engineer's taste; the figures here are common practice, set so that an even drummer is left in
peace (false alarms are measured in the tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Literal

import numpy as np

from liveassist.model import DrumFigures, Figures, FloatArray, Hit, MicState
from liveassist.ranks import median

# Uneven: recorded rock playing has spreads of 1.4 to 2.7 dB about its trend.
UNEVEN_DB = 3.0
UNEVEN_LOW_DB = 2.4
EVEN_DB = 2.5
UNEVEN_HITS = 24
# Weak: one hit far below, or several in a row of backbeats.
WEAK_SPREADS = 5.0
WEAK_DB = 6.0
WEAK_REPEATS = 3
WEAK_LOOK_BACK = 16
WEAK_OVER = 8
WEAK_LEAST_SPREAD_DB = 1.2
# Falling: a slope that four standard errors agree on, and that amounts to something.
FALL_DB = 2.0
FALL_OVER_DB = 1.0
FALL_CI_STRETCH = 1.75
FALL_HITS = 24
FALL_LINE_SHARE = 0.85
FALL_BELOW_DB = 1.0
# The level a drum has been at: medians of this many main hits on end, this many of them kept.
LOW_HITS = 8
LOW_SETTLE = 12
LOW_BLOCKS = 512
# A slow fall: this many of those medians over this long, a slope this many standard errors off.
SLOW_BLOCKS = 18
SLOW_SPAN_S = 300.0
SLOW_ERRORS = 6.0
# Clipping: full-scale samples since the last look, and quiet time until it counts as over.
CLIP_SAMPLES = 3
CLIP_OVER_S = 10.0
# Headroom: clips expected in the next minutes if the drummer goes on like this.
HEADROOM_AHEAD_S = 300.0
HEADROOM_CLIPS = 3.0
HEADROOM_OVER = 0.5
HEADROOM_HITS = 24
HEADROOM_NEAR_DBFS = -2.0
#: A peak from here on counts as one at full scale, dBFS.
FULL_SCALE_DBFS = -0.05

When = Literal["now", "between"]
Severity = Literal["info", "look", "stop"]


@dataclass(frozen=True, slots=True)
class Sighting:
    """One look at one possible alert.

    ``present``: the threshold to begin is passed. ``clear``: the threshold to end is passed;
    neither: in between, nothing changes. ``lasting_s`` and ``clearing_s``: how long it must stay
    so. ``since_s``: when it began, where that is known better than by the time of looking.
    """

    key: str
    present: bool
    clear: bool
    sentence: str
    when: When = "between"
    severity: Severity = "look"
    drum: str | None = None
    mic: str | None = None
    value: float | None = None
    unit: str | None = None
    confidence: float = 1.0
    lasting_s: float = 0.0
    clearing_s: float = 0.0
    since_s: float | None = None


def clock(time_s: float) -> str:
    """A time as minutes and seconds: ``2:05``."""
    whole = max(int(time_s), 0)
    return f"{whole // 60}:{whole % 60:02d}"


def normal_tail(z: float) -> float:
    """Chance that a standard normal variable exceeds ``z``."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def drum_sightings(
    figures: Figures, drum: str, recent: Sequence[Hit], falls: FallWatch
) -> list[Sighting]:
    """Uneven, weak hits, level falling, headroom, for one judged drum."""
    row = figures.drums[drum]
    levelled = [h for h in recent if h.peak_dbfs is not None and h.stage != "withdrawn"]
    main = [h for h in levelled if h.role in ("main", "weak")]
    inside = [h for h in main if h.time_s >= figures.start_s]
    falls.add(drum, main)
    found = [uneven(row), weak_hits(row, main), falling(row, inside, falls), headroom(row, inside)]
    return [sighting for sighting in found if sighting is not None]


def uneven(row: DrumFigures) -> Sighting | None:
    """Spread of the main hits too large, beyond doubt; None while it cannot be judged."""
    if row.spread_db is None or row.spread_ci is None or row.main_hits < UNEVEN_HITS:
        return None
    low, high = row.spread_ci
    # The interval on a log scale is near enough normal to read a probability off it.
    error = math.log(max(high, 0.1) / max(low, 0.05)) / 3.92
    sure = 1.0 - normal_tail(math.log(max(row.spread_db, 0.05) / UNEVEN_LOW_DB) / max(error, 0.02))
    return Sighting(
        "uneven",
        present=row.spread_db > UNEVEN_DB and low > UNEVEN_LOW_DB,
        clear=row.spread_db < EVEN_DB,
        sentence=(
            f"{row.drum} is uneven: hits vary by {row.spread_db:.1f} dB "
            f"({low:.1f} to {high:.1f}) about the level aimed for."
        ),
        drum=row.drum,
        value=row.spread_db,
        unit="dB",
        confidence=sure,
        lasting_s=4.0,
        clearing_s=4.0,
    )


def weak_hits(row: DrumFigures, main: Sequence[Hit]) -> Sighting | None:
    """A backbeat that fell far short, or several lately. Needs twelve main hits to compare with.

    A hit is short by how far it lies under the hits before *and* under the hits after it, so the
    first hit of a quiet verse is not weak; it is judged when three more main hits are known.
    """
    last = main[-WEAK_LOOK_BACK:]
    if len(last) < 12:
        return None
    levels = np.array([h.peak_dbfs for h in last], dtype=np.float64)
    scale = max(row.spread_db if row.spread_db is not None else 2.0, WEAK_LEAST_SPREAD_DB)
    short = {
        i: _short(levels, i)
        for i in range(3, len(last) - 3)
        if last[i].role == "weak" and _short(levels, i) >= 2.0 * scale
    }
    deep = [i for i, amount in short.items() if amount >= max(WEAK_DB, WEAK_SPREADS * scale)]
    worst = max(short, key=lambda i: short[i], default=None)
    amount = 0.0 if worst is None else short[worst]
    if len(short) >= WEAK_REPEATS or worst is None:
        sentence = f"{len(short)} of the last {len(last)} {row.drum} hits fell short"
        sentence += f", the worst by {amount:.0f} dB."
    else:
        sentence = f"A {row.drum} hit at {clock(last[worst].time_s)} fell {amount:.0f} dB short."
    first = min(deep or short, default=None)
    return Sighting(
        "weak_hit",
        present=bool(deep) or len(short) >= WEAK_REPEATS,
        clear=not any(i >= len(last) - 3 - WEAK_OVER for i in short),
        sentence=sentence,
        severity="info",
        drum=row.drum,
        value=amount,
        unit="dB",
        confidence=1.0 - normal_tail(amount / scale - 2.0) if short else 0.0,
        since_s=None if first is None else last[first].time_s,
    )


def _short(levels: FloatArray, at: int) -> float:
    """How far a level lies under both the four before and the four after it, dB."""
    before, after = levels[max(at - 4, 0) : at], levels[at + 1 : at + 5]
    return float(min(median(before), median(after)) - levels[at])


def falling(row: DrumFigures, main: Sequence[Hit], falls: FallWatch) -> Sighting | None:
    """Level sinking steadily, to below what it has been; None while it cannot be judged.

    Three things tell a sinking drummer from a verse after a chorus: a line explains the hits
    better than any single step does (level until somewhere, then sloping: the window may begin in
    the take before), each third lies below the last, and the level now lies under the lowest it
    has been before. Looked for over the rolling window and, more slowly, over the
    last minutes.
    """
    if row.trend_db_per_min is None or row.trend_ci is None or len(main) < FALL_HITS:
        return None
    times = np.array([h.time_s for h in main], dtype=np.float64)
    levels = np.array([h.peak_dbfs for h in main], dtype=np.float64)
    span = float(times[-1] - times[0])
    fall = -row.trend_db_per_min * span / 60.0
    certain = row.trend_db_per_min + FALL_CI_STRETCH * (row.trend_ci[1] - row.trend_db_per_min)
    thirds = [median(part) for part in np.array_split(levels, 3)]
    steady = thirds[0] - thirds[1] > 0.25 * fall and thirds[1] - thirds[2] > 0.25 * fall
    usual = falls.usual_low(row.drum, float(times[0]))
    present = (
        fall >= FALL_DB
        and certain < 0.0
        and steady
        and (usual is None or thirds[2] < usual - FALL_BELOW_DB)
        and line_over_step(times, levels) < FALL_LINE_SHARE
    )
    slow = None if present else falls.slow_fall(row.drum)
    if slow is not None:
        fall, span = slow
    per_min = -60.0 * fall / max(span, 1.0)
    error = max((row.trend_ci[1] - row.trend_ci[0]) / 3.92, 1e-6)
    return Sighting(
        "level_falling",
        present=present or slow is not None,
        clear=slow is None and (fall < FALL_OVER_DB or row.trend_ci[1] > 0.0),
        sentence=f"{row.drum} is getting softer: {fall:.1f} dB in the last {span:.0f} s.",
        drum=row.drum,
        value=per_min,
        unit="dB/min",
        confidence=0.99 if slow is not None else 1.0 - normal_tail(-per_min / error),
        lasting_s=5.0,
        clearing_s=5.0,
    )


def line_over_step(times_s: FloatArray, levels_db: FloatArray) -> float:
    """Squares left by a slope over those left by the best single step (six hits a side).

    The slope may begin anywhere but in the last twelve hits; before it the level stays. Both have
    a place and two levels to fit. Below 1: a slope fits better. A pure slope gives 0.
    """
    y = levels_db - levels_db.mean()
    n = y.size
    slopes = []
    for start in times_s[: max(n - 11, 1)]:
        x = np.maximum(times_s - start, 0.0)
        x = x - x.mean()
        slopes.append(float(y @ y - (x @ y) ** 2 / max(float(x @ x), 1e-12)))
    k = np.arange(6, n - 5)
    below = np.cumsum(y)[k - 1]
    step = float((y @ y - below**2 * n / (k * (n - k))).min())
    return min(slopes) / max(step, 1e-9)


@dataclass(slots=True)
class FallWatch:
    """Follows each drum's level over minutes: how low it has been, and whether it sinks slowly.

    Kept as medians of `LOW_HITS` main hits on end, `LOW_BLOCKS` of them for each drum.
    """

    blocks: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    seen: dict[str, float] = field(default_factory=dict)

    def add(self, drum: str, main: Sequence[Hit]) -> None:
        """Take in the latest main hits; those seen before are passed over."""
        rows = self.blocks.setdefault(drum, [])
        # Roles of the newest hits may still change: ghost notes of the first bars, say.
        settled = main[:-LOW_SETTLE]
        fresh = [h for h in settled if h.time_s > self.seen.get(drum, -math.inf)]
        while len(fresh) >= LOW_HITS:
            block, fresh = fresh[:LOW_HITS], fresh[LOW_HITS:]
            levels = [h.peak_dbfs for h in block if h.peak_dbfs is not None]
            self.seen[drum] = block[-1].time_s
            rows.append((block[-1].time_s, median(levels)))
        del rows[:-LOW_BLOCKS]

    def usual_low(self, drum: str, before_s: float) -> float | None:
        """Lowest level before that time; None without history."""
        earlier = [level for time, level in self.blocks.get(drum, ()) if time < before_s]
        return min(earlier) if earlier else None

    def slow_fall(self, drum: str) -> tuple[float, float] | None:
        """(fall in dB, over seconds) of a slow steady fall in the last minutes; None if none."""
        rows = self.blocks.get(drum, [])
        rows = [row for row in rows if row[0] >= rows[-1][0] - SLOW_SPAN_S]
        if len(rows) < SLOW_BLOCKS:
            return None
        times, levels = np.array(rows).T
        x = times - times.mean()
        slope = float(x @ levels / (x @ x))
        residual = levels - levels.mean() - slope * x
        error = math.sqrt(float(residual @ residual) / (len(rows) - 2) / float(x @ x))
        thirds = [median(part) for part in np.array_split(levels, 3)]
        span = float(times[-1] - times[0])
        fall = -slope * span
        low = self.usual_low(drum, float(times[0]))
        steady = thirds[0] - thirds[1] > 0.25 * fall and thirds[1] - thirds[2] > 0.25 * fall
        beyond = slope < -SLOW_ERRORS * max(error, 1e-9) and fall >= FALL_DB
        fresh_low = low is None or thirds[2] < low - FALL_BELOW_DB
        line = line_over_step(times, levels) < FALL_LINE_SHARE
        return (fall, span) if steady and beyond and fresh_low and line else None


def headroom(row: DrumFigures, main: Sequence[Hit]) -> Sighting | None:
    """Clips to expect if the drummer goes on like this, before the first one happens.

    The heard peaks of the main hits are taken as normal about their recent median; with n hits
    the prediction for one more is wider by sqrt(1 + 1/n). Where many hits stayed below full scale
    no more is expected than Laplace's rule of succession allows, (clipped + 1) / (n + 2): arms
    have an end, normal tails have none.
    """
    peaks = [h.heard_peak_dbfs for h in main if h.heard_peak_dbfs is not None]
    if len(peaks) < HEADROOM_HITS or row.spread_db is None:
        return None
    levels = np.array(peaks, dtype=np.float64)
    middle = median(levels[-HEADROOM_HITS:])
    scale = max(row.spread_db, 0.5) * math.sqrt(1.0 + 1.0 / len(peaks))
    rate = (len(main) - 1) / max(main[-1].time_s - main[0].time_s, 1.0)
    ahead = max(rate * HEADROOM_AHEAD_S, 1.0)
    loudest = float(levels.max())
    clipped = int(np.count_nonzero(levels >= FULL_SCALE_DBFS))
    chance = normal_tail(-middle / scale)
    seen = (clipped + 1.0) / (len(peaks) + 2.0)
    if seen < chance and middle < 0.0:
        chance, scale = seen, -middle / NormalDist().inv_cdf(1.0 - seen)
    clips = ahead * chance
    # Expected largest of that many normal hits, to first order.
    forecast = middle + scale * math.sqrt(2.0 * math.log(max(ahead, 2.0)))
    return Sighting(
        "headroom",
        present=clips > HEADROOM_CLIPS and loudest > HEADROOM_NEAR_DBFS,
        clear=clips < HEADROOM_OVER or loudest < HEADROOM_NEAR_DBFS - 2.0,
        sentence=(
            f"{row.drum} will clip soon: peaks reach {loudest:.1f} dBFS, "
            f"about {max(clips, 1):.0f} over full scale to expect in 5 minutes; "
            f"take {max(math.ceil(forecast + 1.0), 1)} dB off the gain between takes."
        ),
        drum=row.drum,
        value=min(forecast, 12.0),
        unit="dBFS",
        confidence=1.0 - math.exp(-clips),
        lasting_s=3.0,
        clearing_s=10.0,
    )


def mic_sightings(mics: Sequence[MicState], last_clipped: dict[str, int]) -> list[Sighting]:
    """Clipping of every microphone; ``last_clipped`` is brought up to date."""
    found = []
    for mic in mics:
        since = mic.clipped - last_clipped.get(mic.name, 0)
        # A lone full-scale sample is a peak that just fits; it is counted on until there are more.
        if since >= CLIP_SAMPLES:
            last_clipped[mic.name] = mic.clipped
        found.append(
            Sighting(
                "clipping",
                present=since >= CLIP_SAMPLES,
                clear=mic.clip_age_s is None or mic.clip_age_s >= CLIP_OVER_S,
                sentence=f"{mic.name} clips: {since} samples at full scale.",
                when="now",
                severity="stop",
                mic=mic.name,
                value=float(since),
                unit="samples",
            )
        )
    return found
