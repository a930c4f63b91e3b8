"""Fits threshold, key filter style and times for one microphone behind one key filter.

See `liveassist.advise.suggest` for what is fitted to what.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from liveassist.advise import keyfilter, predict
from liveassist.advise.expander import ExpanderSettings
from liveassist.advise.history import FULL_BAND
from liveassist.advise.keyfilter import Separation
from liveassist.advise.predict import Outcome
from liveassist.advise.scene import BoolArray, IntArray, Scene, hit_levels, ring_seconds
from liveassist.advise.sidechain import Sidechain
from liveassist.advise.times import (
    LEAST_HOLD_MS,
    LEAST_LOW_HOLD_MS,
    holds_and_releases,
    recovered_s,
    rise_and_lag,
)
from liveassist.model import FloatArray
from liveassist.ranks import median, quantile
from liveassist.steps import Steps

RANGE_DB = 12.0
#: Longest look-ahead suggested. Recorders compensate for it; live rigs may not have it.
MOST_LOOKAHEAD_MS = 15.0
#: (least separation in dB, ratio, knee dB, hysteresis dB): the first row that fits is taken.
STYLES = (
    (14.0, 3.5, 3.0, 4.0),
    (10.0, 3.5, 3.0, 3.0),
    (6.0, 5.0, 2.0, 2.0),
    (2.0, 10.0, 1.0, 1.5),
    (-math.inf, 20.0, 0.5, 1.5),
)
#: Below this separation the threshold is searched for by running the expander.
_SEARCH_BELOW_DB = 6.0
_STEP_DB = 0.5
#: So many costs of runs at hand take as long as a run.
_CHEAP = 5
#: The search goes no further after so many steps that cost so much more than the best, nor with a
#: key filter that costs so much more than twice another.
_HOPELESS, _HOPELESS_STEPS = 1.0, 4
_FOLDS = 4
_WANTED_CUT_DB = 11.0
#: How far ghosts may come down at no cost, dB, and what a decibel more costs, by aim.
_GHOST_CUT_DB = 3.0
_GHOST_COST: dict[str, float] = {"natural": 0.02, "tight": 0.0, "keep-ghosts": 0.05}
#: Fewer foreign hits say nothing about how far bleed comes down.
LEAST_FOREIGN = 5
#: Share of own hits a good detector may miss.
MISSED_SHARE = 0.02
#: Cost (see `Fitter.cost`) under which nothing better is looked for.
GOOD_COST = 0.1


@dataclass(slots=True)
class _Part:
    """A part of a scene's time, and what runs of the expander cost in it."""

    inside: BoolArray
    #: Which of the main, ghost and foreign hits lie in it, of the main hits that stand alone (by
    #: when the gain should be down), how many own hits, which share of the time.
    mains: BoolArray
    ghosts: BoolArray
    foreign: BoolArray
    alone: BoolArray
    own: int
    share: float
    #: By slope of the key filter (whether twice) and threshold.
    costs: dict[tuple[bool, float], float] = field(default_factory=dict)

    @classmethod
    def of(cls, scene: Scene, inside: BoolArray, recovered_s: float) -> _Part:
        """The part of ``scene`` in the hops that are true ``inside``."""
        own = inside[scene.own]
        return cls(
            inside,
            own[scene.main],
            own[scene.ghost],
            inside[scene.foreign],
            inside[predict.alone_after(scene, recovered_s)],
            int(np.count_nonzero(own)),
            np.count_nonzero(inside) / inside.size,
        )


class Fitter:
    """Fits one microphone's settings; runs of the expander are kept by settings.

    `fit` does the work, in steps; ``settings``, ``cost`` and ``score`` stand after it.
    """

    def __init__(self, scene: Scene, chosen: Separation, aim: str, low: bool) -> None:
        #: Whether the drum speaks in the lows (kick, tom).
        self._low = low
        self._scene = scene
        self._chosen = chosen
        self._aim = aim
        self._key = scene.envelope(chosen.band)
        self._side = Sidechain(self._key, scene.hops_per_second)
        #: Runs by all their settings and whether behind the steeper filter: none is made twice.
        self._made: dict[tuple[ExpanderSettings, bool], Outcome] = {}
        #: Behind a filter of twice the slope, where there is a filter.
        self._steep: Sidechain | None = None
        if scene.heard.has_steep(chosen.band):
            self._steep = Sidechain(scene.envelope(chosen.band, True), scene.hops_per_second)
        from_hz, to_hz = chosen.band
        _, ratio, knee, hysteresis = next(row for row in STYLES if chosen.db >= row[0])
        #: The same of the present settings, by threshold.
        self._runs: dict[tuple[float, bool], Outcome] = {}
        self._recovered_s = recovered_s(scene, aim)
        self._everything = _Part.of(scene, np.ones(scene.size, dtype=np.bool_), self._recovered_s)
        self.settings = ExpanderSettings(
            threshold_dbfs=self._place(self._everything, ratio, knee),
            ratio=ratio,
            knee_db=knee,
            range_db=RANGE_DB,
            hysteresis_db=hysteresis,
            key_highpass_hz=from_hz if from_hz > FULL_BAND[0] else None,
            key_lowpass_hz=to_hz if to_hz < FULL_BAND[1] else None,
        )
        self._searching = False
        #: What is wrong with these settings: 0 for nothing; 0.6 for 2 % more main hits lost,
        #: 5 openings a minute more, or 3 dB less cut.
        self.cost = math.inf
        #: `cost`, and a share of what it would be a little further off.
        self.score = math.inf

    def fit(self, rival: float = math.inf, search: bool = True) -> Steps[None]:
        """Find times and threshold; only roughly, or not at all (`score` stays infinite), where
        the score will not come under that of a ``rival``.

        ``search``: for a better threshold than the levels give, where that one is not good.
        """
        everything = self._everything
        if not search and (yield from self._always_slow()) >= rival:
            return
        self.settings = yield from self._with_times(self.settings)
        placed = yield from self._robust_cost(self.settings.threshold_dbfs, everything)
        wanting = self._chosen.db < _SEARCH_BELOW_DB or placed > GOOD_COST
        self._searching = search and wanting
        threshold = yield from self._threshold(everything)
        self.settings = replace(self.settings, threshold_dbfs=threshold)
        found = yield from self._robust_cost(threshold, everything)
        if self._searching and found <= 2.0 * rival + _HOPELESS:
            # The times were chosen at a threshold that has moved since.
            self.settings = yield from self._with_times(self.settings)
            self._runs.clear()
            everything.costs.clear()
            threshold = yield from self._threshold(everything)
            self.settings = replace(self.settings, threshold_dbfs=threshold)
        outcome = yield from self._run(threshold)
        self.cost = self._cost(outcome, everything)
        self.score = yield from self._robust_cost(threshold, everything)

    @property
    def chosen(self) -> Separation:
        """The key filter fitted."""
        return self._chosen

    # --- threshold -------------------------------------------------------------------------

    def _place(self, part: _Part, ratio: float, knee: float) -> float:
        """Threshold from the levels heard in ``part`` of the time, by aim."""
        scene, chosen = self._scene, self._chosen
        levels = hit_levels(scene, self._key, chosen.reach_s)
        inside = part.inside[scene.own]
        mains = chosen.mains[inside[scene.main]]
        top = keyfilter.low_level(mains if mains.size else chosen.mains) - knee / 2.0
        bottom = chosen.rest_dbfs + RANGE_DB / 2.0 / (ratio - 1.0)
        bottom = max(bottom, top - 30.0)
        room = top - bottom
        if room <= 0.0:
            return _rounded((top + bottom) / 2.0)
        ghosts = levels[scene.ghost][inside[scene.ghost]]
        # A lost hit costs more than an opening: nearer to the bleed than to the hits.
        low_end = bottom + min(3.0, 0.3 * room)
        high_end = top - min(6.0, 0.6 * room)
        if self._aim == "tight":
            wanted = top - min(4.0, 0.5 * room)
        elif ghosts.size and self._aim == "keep-ghosts":
            wanted = quantile(ghosts, 0.10)
        elif ghosts.size:
            # A ghost of middling level comes down some 3 dB.
            wanted = median(ghosts) + 1.0
        else:
            # Nothing between hits and bleed to keep: high, so that the ring closes it in time.
            wanted = max(bottom + 0.4 * room, top - 12.0)
        if self._aim == "tight":
            high_end = top - min(4.0, 0.5 * room)
        return _rounded(min(max(wanted, low_end), high_end))

    def _threshold(self, part: _Part) -> Steps[float]:
        s = self.settings
        placed = self._place(part, s.ratio, s.knee_db)
        if not self._searching:
            return placed
        top, bottom = self._chosen.main_dbfs + 4.0, self._chosen.rest_dbfs - 1.0
        roam = max(4.0, 0.2 * self._chosen.db) if self._chosen.db > _SEARCH_BELOW_DB else 8.0
        highest = max(placed + roam, self._chosen.main_dbfs - s.knee_db / 2.0)
        # Where hits and bleed overlap it may be placed outside of what the levels suggest.
        low, high = min(placed, max(bottom, placed - roam)), max(placed, min(top, highest))
        costs: dict[float, float] = {}
        best = placed
        # From where it was placed upwards, then downwards; no further where it gets worse. Where
        # there is room a step is left out each time, and those beside the best tried at the end.
        step = _STEP_DB if self._chosen.db < _SEARCH_BELOW_DB else 2.0 * _STEP_DB
        for way in (step, -step):
            tried, worse = placed, 0
            while low <= tried <= high + 0.1 and worse < _HOPELESS_STEPS:
                best = yield from self._tried(tried, placed, best, costs, part)
                worse = worse + 1 if costs[tried] > costs[best] + _HOPELESS else 0
                tried = _rounded(tried + way)
        for tried in (_rounded(best - _STEP_DB), _rounded(best + _STEP_DB)):
            if low <= tried <= high + 0.1:
                best = yield from self._tried(tried, placed, best, costs, part)
        return best

    def _tried(
        self, at: float, placed: float, best: float, costs: dict[float, float], part: _Part
    ) -> Steps[float]:
        """Whichever threshold costs less, ``at`` or ``best``; the cost goes into ``costs``."""
        if len(costs) % _CHEAP == 0:
            yield
        if at not in costs:
            least = costs.get(best, math.inf)
            cost = 0.02 * abs(at - placed)
            cost += self._ghost_cost((yield from self._run(at)), part)
            cost += yield from self._robust_cost(at, part, least - cost)
            costs[at] = cost
        return at if costs[at] < costs.get(best, math.inf) else best

    def _robust_cost(self, threshold: float, part: _Part, enough: float = math.inf) -> Steps[float]:
        """Cost at ``threshold``, and a share of what it would be with hits or bleed a little
        further off: what holds by a hair here fails on the next take. Likewise of what it would be
        behind a steeper key filter: slopes differ from one expander to the next.

        No further runs are made once it is over ``enough``: then it is a part of the cost."""
        slack = self._slack(2.0)
        cost = yield from self._cost_at(threshold, part)
        for share, shift in ((0.3, slack), (0.2, -slack)):
            if cost > enough:
                return cost
            cost += share * (yield from self._cost_at(threshold + shift, part))
        if self._steep is not None and cost <= enough:
            cost += 0.3 * (yield from self._cost_at(threshold, part, steep=True))
        return cost

    def _cost_at(self, threshold: float, part: _Part, steep: bool = False) -> Steps[float]:
        """Cost of a run in ``part``, worked out once: neighbours in the search share it."""
        key = (steep, _rounded(threshold))
        if key not in part.costs:
            outcome = yield from self._run(threshold, steep)
            part.costs[key] = self._cost(outcome, part)
        return part.costs[key]

    def _slack(self, most_db: float) -> float:
        return float(np.clip(self._chosen.db / 6.0, _STEP_DB, most_db))

    def _cost(self, outcome: Outcome, part: _Part) -> float:
        passed = outcome.passed[part.mains]
        cut = outcome.foreign_cut_db[part.foreign]
        # Some of the openings that look false are own hits the detector missed.
        missed = MISSED_SHARE * part.own
        false = max(0.0, np.count_nonzero(part.inside[outcome.false_openings]) - missed)
        minutes = max(part.share * outcome.minutes, 1e-9)
        lost = 0.0
        if passed.size:
            lost = max(0.0, 0.99 - np.count_nonzero(passed) / passed.size)
        short = 0.0
        if cut.size and self._scene.foreign.size >= LEAST_FOREIGN:
            short = max(0.0, _WANTED_CUT_DB - quantile(cut, 0.40))
        slow = self._slow(outcome, part)
        return 30.0 * lost + 0.15 * max(0.0, false / minutes - 1.0) + 0.2 * short + slow

    @staticmethod
    def _slow(outcome: Outcome, part: _Part) -> float:
        down = outcome.recovered_cut_db[part.alone]
        return 0.02 * max(0.0, 9.0 - median(down)) if down.size else 0.0

    def _ghost_cost(self, outcome: Outcome, part: _Part) -> float:
        """What it costs that ghosts come down further than a little: enough not to give them away
        for a faster close, little beside main hits or openings."""
        cut = outcome.ghost_cut_db[part.ghosts]
        if not cut.size:
            return 0.0
        return _GHOST_COST[self._aim] * max(0.0, median(cut) - _GHOST_CUT_DB)

    def _run(self, threshold: float, steep: bool = False) -> Steps[Outcome]:
        at = _rounded(threshold)
        if (at, steep) not in self._runs:
            yield
            self._runs[at, steep] = self._outcome(replace(self.settings, threshold_dbfs=at), steep)
        return self._runs[at, steep]

    def _outcome(self, settings: ExpanderSettings, steep: bool = False) -> Outcome:
        key = self._steep if steep else self._side
        if (settings, steep) not in self._made:
            self._made[settings, steep] = predict.run(
                self._scene, settings, key, self._recovered_s, brief=True
            )
        return self._made[settings, steep]

    # --- times -----------------------------------------------------------------------------

    def _with_times(self, base: ExpanderSettings) -> Steps[ExpanderSettings]:
        timed, trials = self._timed(base)
        best, best_cost = timed, math.inf
        for trial in trials:
            cost = yield from self._time_cost(trial, best_cost - 0.02)
            if cost < best_cost - 0.02:
                best, best_cost = trial, cost
            if cost <= 0.0:
                break
        return best

    def _timed(self, base: ExpanderSettings) -> tuple[ExpanderSettings, list[ExpanderSettings]]:
        """``base`` with attack and look-ahead, and with each hold and release that is tried."""
        rise_ms, lag_ms = rise_and_lag(self._scene, self._key, base.threshold_dbfs)
        attack = float(np.clip(round(rise_ms / 4.0, 1), 0.2, 0.5))
        ahead = math.ceil(2.0 * (lag_ms + 4.0 * attack + 0.5)) / 2.0
        timed = replace(
            base, attack_ms=attack, lookahead_ms=float(np.clip(ahead, 1.5, MOST_LOOKAHEAD_MS))
        )
        least_hold_ms = LEAST_HOLD_MS
        if self._low and base.key_highpass_hz is None:
            least_hold_ms = LEAST_LOW_HOLD_MS
        scale = 0.6 if self._aim == "tight" else 1.0
        times = holds_and_releases(1000.0 * ring_seconds(self._scene), scale, least_hold_ms)
        return timed, [replace(timed, hold_ms=hold, release_ms=release) for hold, release in times]

    def _always_slow(self) -> Steps[float]:
        """What it costs at least, at the threshold as it is placed, that the gain is not down in
        time: what the shortest hold and release cost."""
        _, trials = self._timed(self.settings)
        yield
        return self._slow(self._outcome(trials[-1]), self._everything)

    def _time_cost(self, trial: ExpanderSettings, enough: float) -> Steps[float]:
        """Cost of ``trial``, and half of what it is a little lower, where the ring chatters; only
        the first where that is ``enough``."""
        yield
        cost = self._cost(self._outcome(trial), self._everything)
        if cost < enough:
            yield
            lower = replace(trial, threshold_dbfs=trial.threshold_dbfs - self._slack(2.5))
            cost += 0.5 * self._cost(self._outcome(lower), self._everything)
        return cost

    # --- prediction ------------------------------------------------------------------------

    def cross_validated(self) -> Steps[Outcome]:
        """One outcome put together from stretches, each run with a threshold fitted elsewhere."""
        scene, hops = self._scene, self._scene.size
        fold = (np.arange(hops) * (2 * _FOLDS) // hops) % _FOLDS
        runs = []
        for k in range(_FOLDS):
            threshold = yield from self._threshold(_Part.of(scene, fold != k, self._recovered_s))
            runs.append((yield from self._run(threshold)))
        threshold = self.settings.threshold_dbfs
        yield
        whole = predict.run(self._scene, self.settings, self._side, self._recovered_s)
        higher = yield from self._run(threshold + predict.SPARE_DB)
        lower = yield from self._run(threshold - predict.SPARE_DB)

        def merged(at: IntArray, parts: Sequence[FloatArray | BoolArray]) -> FloatArray:
            return np.choose(fold[at], parts) if at.size else np.zeros(0)

        mains = scene.own[scene.main]
        false = [r.false_openings[fold[r.false_openings] == k] for k, r in enumerate(runs)]
        return replace(
            whole,
            passed=merged(mains, [r.passed for r in runs]).astype(np.bool_),
            main_cut_db=merged(mains, [r.main_cut_db for r in runs]),
            ghost_cut_db=merged(scene.own[scene.ghost], [r.ghost_cut_db for r in runs]),
            foreign_cut_db=merged(scene.foreign, [r.foreign_cut_db for r in runs]),
            false_openings=np.sort(np.concatenate(false)),
            spare=predict.spare(whole, higher, lower),
        )


def _rounded(threshold: float) -> float:
    return round(threshold / _STEP_DB) * _STEP_DB
