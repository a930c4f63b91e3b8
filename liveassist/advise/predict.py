"""What an expander with given settings does to one microphone's hits, and how sure that is.

The expander of `liveassist.advise.expander` runs over the stored envelopes, one value a hop; a
hop's peak stands for its samples. Definitions:

- an *opening*: gain rises above half the range; *false*: no own hit within 20 ms;
- a main hit is *passed* when it is less than 0.5 dB down at its peak and nowhere within its
  first 5 ms as much as 1 dB down;
- *cut*: how far down the gain is at the peak of a hit. Foreign hits with an own hit within 20 ms
  are not judged.

Intervals answer "what will a further take of at most `TAKE_HITS` such hits show", not "where is
the long-run mean": the beta-binomial and negative-binomial predictive distributions for shares and
counts, and a two-level bootstrap for medians (Efron & Tibshirani, "An Introduction to the
Bootstrap", 1993). The prior is Jeffreys', half a lost hit or false opening, where a threshold
`SPARE_DB` further would have lost hits or let bleed open; where it would not, there is room to
spare, and the prior is as much smaller as levels thin out over that distance (`TAIL_DB`). Without
that, half a minute without a false opening could not be told from ten a minute.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import betaln, gammaln

from liveassist.advise.expander import ExpanderSettings
from liveassist.advise.history import FULL_BAND, Band, Envelope
from liveassist.advise.scene import BoolArray, IntArray, Scene
from liveassist.advise.sidechain import Gain, Sidechain
from liveassist.model import FloatArray, Interval, Prediction
from liveassist.ranks import median

PEAK_LOSS_DB = 0.5
ATTACK_LOSS_DB = 1.0
ATTACK_SPAN_S = 0.005
NEAR_S = 0.020
#: Size of the further take that the intervals speak of.
TAKE_HITS = 50
TAKE_MINUTES = 1.0
#: Tail figures are given at these times after the onset.
TAIL_MS = (50, 100, 200)
#: How far expanders of other make may differ from ours at the same settings, dB. From running
#: three other ballistics over recorded sessions (tests/bench).
MODEL_SPREAD_DB = 0.8
_BOOTSTRAPS = 400
#: How far the threshold is moved to see whether there is room to spare, dB, and how fast levels of
#: strokes and bleed thin out beyond it (a factor e in so many dB; recorded drums: 1.5 to 3).
SPARE_DB, TAIL_DB = 3.0, 2.0
#: Open time is told in stretches of this length for its interval, s.
_STRETCH_S = 2.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """Everything counted in one run; arrays have one entry a hit, in order of the scene's."""

    settings: ExpanderSettings
    passed: BoolArray
    main_cut_db: FloatArray
    ghost_cut_db: FloatArray
    foreign_cut_db: FloatArray
    false_openings: IntArray
    open_share: float
    #: Gain so long (`TAIL_MS`) after each main hit that stands alone.
    tail_db: tuple[FloatArray, ...]
    #: Cut reached by the recovery time after each main hit that stands alone (`alone_after`).
    recovered_cut_db: FloatArray
    minutes: float
    #: Main hits lost more, and false openings more, with the threshold `SPARE_DB` higher and
    #: lower; None where that was not tried.
    spare: tuple[int, int] | None = None

    @property
    def main_passed(self) -> float:
        """Share of main hits passed whole; NaN without any."""
        return float(np.mean(self.passed)) if self.passed.size else math.nan

    @property
    def openings_per_min(self) -> float:
        """False openings a minute."""
        return self.false_openings.size / max(self.minutes, 1e-9)


def key_band(settings: ExpanderSettings) -> Band:
    """The key filter of ``settings`` as a band; open sides are 0 and infinity."""
    low, high = FULL_BAND
    return (settings.key_highpass_hz or low, settings.key_lowpass_hz or high)


def aligned_gain(scene: Scene, settings: ExpanderSettings, key: Envelope) -> FloatArray:
    """Gain in dB at every hop of the audio, look-ahead taken into account."""
    return Sidechain(key, scene.hops_per_second).gain_db(settings)


def run(
    scene: Scene,
    settings: ExpanderSettings,
    key: Envelope | Sidechain | None = None,
    recovery_s: float = 0.110,
    brief: bool = False,
) -> Outcome:
    """Run the expander over ``scene``. ``key``: envelope behind its key filter, if at hand; as a
    `Sidechain` where it is run many times.

    ``recovery_s``: the time of ``Outcome.recovered_cut_db``. ``brief``: without the time it is
    open (NaN), an eighth of the work.
    """
    key = scene.envelope(key_band(settings)) if key is None else key
    if not isinstance(key, Sidechain):
        key = Sidechain(key, scene.hops_per_second)
    gain = key.run(settings)
    first = scene.kept("first", lambda: _first_hops(scene))
    hops, ends = scene.kept(("asked", recovery_s), lambda: _asked(scene, recovery_s))
    # Asked for in one go, since most of a short question is asking.
    at_peak, first_db, ghost, foreign, recovered, *tails = np.split(gain.db(hops), ends)
    first_db = first_db.reshape(first.shape).min(axis=1) if first.size else np.zeros(0)
    rises = gain.rises()
    # From zero, or no cut would be minus nothing.
    return Outcome(
        settings=settings,
        passed=(at_peak > -PEAK_LOSS_DB) & (first_db > -ATTACK_LOSS_DB),
        main_cut_db=0.0 - at_peak,
        ghost_cut_db=0.0 - ghost,
        foreign_cut_db=0.0 - foreign,
        false_openings=rises[~near(rises, scene.own, scene.hops(NEAR_S))],
        open_share=math.nan if brief else _open_share_of(scene, gain),
        tail_db=tuple(tails),
        recovered_cut_db=0.0 - recovered,
        minutes=scene.minutes,
    )


def _open_share_of(scene: Scene, gain: Gain) -> float:
    counted = scene.kept("rest", lambda: _rest(scene))
    rest = int(counted[-1])
    return gain.open_hops(counted) / rest if rest else 0.0


def spare(here: Outcome, higher: Outcome, lower: Outcome) -> tuple[int, int]:
    """``Outcome.spare`` of ``here`` from runs with the threshold `SPARE_DB` higher and lower."""
    lost = np.count_nonzero(~higher.passed) - np.count_nonzero(~here.passed)
    return max(0, int(lost)), max(0, lower.false_openings.size - here.false_openings.size)


def run_and_spare(scene: Scene, settings: ExpanderSettings, side: Sidechain) -> Outcome:
    """`run`, and two more for ``Outcome.spare``."""
    at = settings.threshold_dbfs
    here = run(scene, settings, side)
    higher, lower = (
        run(scene, replace(settings, threshold_dbfs=at + shift), side, brief=True)
        for shift in (SPARE_DB, -SPARE_DB)
    )
    return replace(here, spare=spare(here, higher, lower))


def near(at: IntArray, marks: IntArray, distance: int) -> BoolArray:
    """Whether each of ``at`` has one of ``marks`` (sorted) within ``distance``."""
    if marks.size == 0:
        return np.zeros(at.shape, dtype=np.bool_)
    right = np.minimum(np.searchsorted(marks, at), marks.size - 1)
    left = np.maximum(right - 1, 0)
    gap = np.minimum(np.abs(marks[right] - at), np.abs(marks[left] - at))
    return np.asarray(gap <= distance)


def _asked(scene: Scene, recovery_s: float) -> tuple[IntArray, list[int]]:
    """Hops at which a run is asked for its gain, and where in them each question ends."""
    parts = [
        scene.own_peak[scene.main],
        scene.kept("first", lambda: _first_hops(scene)).ravel(),
        scene.own_peak[scene.ghost],
        scene.foreign_peak,
        alone_after(scene, recovery_s),
        *(alone_after(scene, ms / 1000.0) for ms in TAIL_MS),
    ]
    ends = np.cumsum([part.size for part in parts])[:-1]
    return np.concatenate(parts).astype(np.int64, copy=False), ends.tolist()


def _first_hops(scene: Scene) -> IntArray:
    """The hops of the first `ATTACK_SPAN_S` of every main hit, a row each."""
    starts = scene.own[scene.main]
    index = starts[:, None] + np.arange(scene.hops(ATTACK_SPAN_S) + 1)
    return np.asarray(np.minimum(index, max(scene.size - 1, 0)))


def _rest(scene: Scene) -> IntArray:
    """Running count of the hops outside 100 ms after own hits, from 0."""
    sounding = np.zeros(scene.size + 1, dtype=np.int32)
    np.add.at(sounding, np.clip(scene.own - scene.hops(0.005), 0, scene.size), 1)
    np.add.at(sounding, np.clip(scene.own + scene.hops(0.100), 0, scene.size), -1)
    free = np.cumsum(sounding[:-1]) == 0
    return np.concatenate(([0], np.cumsum(free)))


def alone_after(scene: Scene, seconds: float) -> IntArray:
    """The hops that long after main hits with no own hit in between."""

    def make() -> IntArray:
        starts, reach = scene.own[scene.main], scene.hops(seconds)
        gap = np.diff(np.append(scene.own, scene.size + 1))[scene.main]
        return np.asarray(starts[(gap > reach) & (starts + reach < scene.size)] + reach)

    return scene.kept(("after", seconds), make)


# --- intervals -----------------------------------------------------------------------------


def prior(further_off: int | None) -> float:
    """Weight of the prior, in events: `further_off` more came with the threshold moved."""
    if further_off is None:
        return 0.5
    return min(0.5, math.exp(-SPARE_DB / TAIL_DB) * (further_off + 0.5))


def share_interval(
    passed: int, hits: int, further: int | None = None, weight: float = 0.5
) -> Interval:
    """95 % interval of the share in a further take of ``further`` hits, having seen ``passed``
    of ``hits``: beta-binomial; ``weight``: of the prior, in lost hits. ValueError without hits."""
    if hits <= 0:
        raise ValueError("an interval needs at least one hit")
    n = min(hits, TAKE_HITS) if further is None else further
    k = np.arange(n + 1)
    a, b = passed + 0.5, hits - passed + weight
    choose = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    mass = np.exp(choose + betaln(k + a, n - k + b) - betaln(a, b))
    low, high = _quantiles(mass)
    return low / n, high / n


def rate_interval(
    count: int, minutes: float, further: float | None = None, weight: float = 0.5
) -> Interval:
    """95 % interval of the count a minute in ``further`` minutes, having seen ``count`` in
    ``minutes``: negative binomial (gamma-Poisson); ``weight``: of the prior, in events."""
    ahead = min(minutes, TAKE_MINUTES) if further is None else further
    shape, p = count + weight, minutes / (minutes + ahead)
    k = np.arange(20 + 4 * count + int(40 * ahead / minutes))
    mass = np.exp(
        gammaln(k + shape)
        - gammaln(shape)
        - gammaln(k + 1)
        + shape * math.log(p)
        + k * math.log1p(-p)
    )
    low, high = _quantiles(mass)
    return low / ahead, high / ahead


def _quantiles(mass: FloatArray) -> tuple[float, float]:
    total = np.cumsum(mass)
    low = int(np.searchsorted(total, 0.025))
    high = int(np.searchsorted(total, 0.975 * min(1.0, total[-1])))
    return float(low), float(min(high, mass.size - 1))


def median_interval(values: FloatArray, least: float, most: float) -> Interval:
    """95 % interval of the median in a further take, widened by `MODEL_SPREAD_DB` and kept
    between ``least`` and ``most``. Always the same answer for the same values."""
    rng = np.random.default_rng(values.size)
    size = min(values.size, TAKE_HITS)
    seen = rng.choice(values, (_BOOTSTRAPS, values.size))
    picked = rng.integers(0, values.size, (_BOOTSTRAPS, size))
    medians = np.median(np.take_along_axis(seen, picked, axis=1), axis=1)
    low, high = np.quantile(medians, [0.025, 0.975])
    return max(least, float(low) - MODEL_SPREAD_DB), min(most, float(high) + MODEL_SPREAD_DB)


def prediction(outcome: Outcome) -> Prediction:
    """The figures a suggestion carries, each with its interval where one can be given."""
    mains, cut = outcome.passed, outcome.foreign_cut_db
    span = outcome.settings.range_db
    lost, opened = outcome.spare or (None, None)
    whole = None
    if mains.size:
        whole = share_interval(int(mains.sum()), mains.size, weight=prior(lost))
    return Prediction(
        main_passed=outcome.main_passed if mains.size else None,
        main_passed_ci=whole,
        ghost_cut_db=_median(outcome.ghost_cut_db),
        bleed_cut_db=_median(cut),
        bleed_cut_ci=median_interval(cut, 0.0, span) if cut.size else None,
        bleed_openings_per_min=outcome.openings_per_min,
        openings_ci=rate_interval(
            outcome.false_openings.size, max(outcome.minutes, 1e-3), weight=prior(opened)
        ),
        open_share=outcome.open_share,
        hits=int(mains.size),
    )


def _median(values: FloatArray) -> float | None:
    return median(values) if values.size else None


@dataclass(frozen=True, slots=True)
class Known:
    """A median or share with its 95 % interval for a further take, from so many hits."""

    value: float
    ci: Interval
    hits: int


@dataclass(frozen=True, slots=True)
class Details:
    """What a `Prediction` leaves out; None where there were no such hits.

    ``tail_kept_db``: gain so many ms after main hits that stand alone. ``open_share``: of the time
    in which no own hit sounds; its ``hits`` are all own ones. ``foreign``: foreign hits judged.
    """

    ghost_cut_db: Known | None
    tail_kept_db: Mapping[int, Known | None]
    open_share: Known | None
    foreign: int


def details(scene: Scene, outcome: Outcome, side: Sidechain) -> Details:
    """The rest of the figures, from the run that gave ``outcome``."""
    span = outcome.settings.range_db
    return Details(
        ghost_cut_db=_known(outcome.ghost_cut_db, 0.0, span),
        tail_kept_db={
            ms: _known(kept, -span, 0.0) for ms, kept in zip(TAIL_MS, outcome.tail_db, strict=True)
        },
        open_share=_open_share(scene, outcome, side),
        foreign=int(outcome.foreign_cut_db.size),
    )


def _known(values: FloatArray, least: float, most: float) -> Known | None:
    if not values.size:
        return None
    return Known(median(values), median_interval(values, least, most), int(values.size))


def _open_share(scene: Scene, outcome: Outcome, side: Sidechain) -> Known | None:
    """Bootstrap over stretches of `_STRETCH_S`, each with its open and its judged hops."""
    rest = np.diff(scene.kept("rest", lambda: _rest(scene)))
    is_open = (side.gain_db(outcome.settings) > -outcome.settings.range_db / 2.0) & (rest > 0)
    starts = np.arange(0, rest.size, max(1, scene.hops(_STRETCH_S)))
    if not rest.any():
        return None
    judged = np.add.reduceat(rest, starts)
    opened = np.add.reduceat(is_open.astype(np.int64), starts)
    rng = np.random.default_rng(starts.size)
    seen = rng.integers(0, starts.size, (_BOOTSTRAPS, starts.size))
    size = min(starts.size, round(60.0 * TAKE_MINUTES / _STRETCH_S))
    picked = np.take_along_axis(seen, rng.integers(0, starts.size, (_BOOTSTRAPS, size)), axis=1)
    shares = opened[picked].sum(axis=1) / np.maximum(judged[picked].sum(axis=1), 1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return Known(outcome.open_share, (float(low), float(high)), int(scene.own.size))
