"""Expander settings for a close microphone, fitted to what it heard, with a prediction.

Start, common practice without a source: range 12 dB, ratio 3.5:1, a little knee. Then:

- *key filter* from `liveassist.advise.keyfilter`, only where it is worth having;
- *threshold* in the window between the background's top and the weakest main hits; where in
  it is the aim's choice. Where the window is too small for that ratio, ratio and knee are made
  steeper; where it is smaller still, the threshold that costs least is searched for;
- *attack* from the measured rise, *look-ahead* from how long hits take to reach the threshold;
- *hold* and *release* from the measured ring, then shortened until bleed that follows comes down;
- *prediction* cross-validated: each stretch of the recording is predicted with a threshold fitted
  on the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from liveassist.advise import keyfilter, predict
from liveassist.advise.expander import ExpanderSettings, settings_from
from liveassist.advise.fitting import GOOD_COST, LEAST_FOREIGN, MISSED_SHARE, RANGE_DB, Fitter
from liveassist.advise.history import FULL_BAND, Envelope, LevelHistory
from liveassist.advise.keyfilter import Separation
from liveassist.advise.predict import Outcome
from liveassist.advise.scene import Scene, build, drums_of
from liveassist.advise.sidechain import Sidechain
from liveassist.model import FloatArray, Hit, Kit, Suggestion
from liveassist.ranks import median
from liveassist.steps import Steps, at_once

Aim = Literal["natural", "tight", "keep-ghosts"]
AIMS: tuple[Aim, ...] = ("natural", "tight", "keep-ghosts")

#: Main hits needed before anything is suggested. Below ten, one odd hit decides the threshold and
#: the interval of the pass rate reaches under 0.75.
NEEDED_HITS = 10
#: Refused below this predicted pass rate, above these openings a minute, under this median cut.
LEAST_PASSED = 0.90
MOST_OPENINGS_PER_MIN = 12.0
LEAST_CUT_DB = 6.0
#: Openings a minute that are aimed to stay below (only a sure excess refuses by itself).
TARGET_PER_MIN = 6.0

#: How much lower the score with a key filter must be: typing one in costs trust and makes the
#: result hang on the filter's slope.
_KEY_PRICE = 0.1
#: Separation, dB, from which a threshold can be found as a rule, and the range that is worth
#: having where it cannot (common practice, no source).
_WORKABLE_DB = 4.0
SMALL_RANGE_DB = 6.0
#: Full-band separation, dB, above which a low cost is enough.
_COMFORT_DB = 8.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A suggestion with what led to it; ``outcome`` is the cross-validated run."""

    suggestion: Suggestion
    outcome: Outcome
    separation: Separation
    full_band: Separation
    scene: Scene

    @property
    def key_gain_db(self) -> float | None:
        """Separation gained by the key filter, dB; None without one."""
        if self.separation is self.full_band:
            return None
        return self.separation.db - self.full_band.db


def suggest(
    kit: Kit, mic: str, hits: Sequence[Hit], levels: LevelHistory, aim: str = "natural"
) -> tuple[Suggestion | None, str | None]:
    """Settings for ``mic``, or None and the reason in one sentence.

    ``hits``: all hits of all drums so far (any order, several reports of a hit are fine). Roles,
    drums and sample positions are used; levels are read from ``levels``.
    """
    fitted = fit(kit, mic, hits, levels, aim)
    return (None, fitted) if isinstance(fitted, str) else (fitted.suggestion, None)


def fit(
    kit: Kit, mic: str, hits: Sequence[Hit], levels: LevelHistory, aim: str = "natural"
) -> Fit | str:
    """`suggest` with everything that led to the suggestion. ValueError for an unknown aim."""
    check_aim(aim)
    refused = not_for_expander(kit, mic)
    if refused is not None:
        return refused
    if levels.hops == 0:
        return "nothing heard yet"
    return at_once(fit_scene(kit, build(kit, mic, hits, levels), aim))


def check_aim(aim: str) -> None:
    """ValueError for an unknown aim."""
    if aim not in AIMS:
        raise ValueError(f"aim is one of {', '.join(AIMS)}, not {aim!r}")


def fit_scene(kit: Kit, scene: Scene, aim: str) -> Steps[Fit | str]:
    """`fit`, in steps, for a microphone that may have an expander."""
    mic = scene.mic
    names = " and ".join(drum.name for drum in drums_of(kit, mic))
    if scene.main.size < NEEDED_HITS:
        missing = NEEDED_HITS - scene.main.size
        return (
            f"{scene.main.size} main {_hits(scene.main.size)} on {names}, {NEEDED_HITS} needed: "
            f"play {missing} more"
        )
    full = keyfilter.separation(scene)
    low = any(drum.kind in ("kick", "tom") for drum in drums_of(kit, mic))
    fitter = yield from _best_fitter(scene, full, aim, low)
    chosen = fitter.chosen
    outcome = yield from fitter.cross_validated()
    complaint = _complaint(outcome, chosen, full, kit, mic)
    if complaint is not None:
        return complaint
    return Fit(
        suggestion=_suggestion(fitter.settings, outcome),
        outcome=outcome,
        separation=chosen,
        full_band=full,
        scene=scene,
    )


def not_for_expander(kit: Kit, mic: str) -> str | None:
    """Why ``mic`` never gets a suggestion, or None where it may."""
    drums = drums_of(kit, mic)
    kind = kit.mics[kit.mic_index(mic)].type
    if kind != "acoustic":
        return f"{mic} is a {kind} input, not a microphone"
    if not drums:
        return "overheads and rooms get no expander: they are there to hear everything"
    if not any(drum.kind in ("kick", "snare", "tom") for drum in drums):
        return f"{drums[0].kind} microphones get no expander: they are there to ring"
    return None


def _best_fitter(scene: Scene, full: Separation, aim: str, low: bool) -> Steps[Fitter]:
    """The full band where it does well, else whichever filter costs clearly less."""
    yield
    best = Fitter(scene, full, aim, low)
    yield from best.fit()
    clear = full.db >= _COMFORT_DB
    if best.cost <= GOOD_COST and clear:
        return best
    # Where little is left to win a filter is worth it that needs no searching.
    search = best.cost > GOOD_COST + _KEY_PRICE or not clear
    for tried in (yield from keyfilter.candidates(scene)):
        if best.score <= _KEY_PRICE:
            break  # no score is low enough to be worth the filter
        yield
        other = Fitter(scene, tried, aim, low)
        yield from other.fit(best.score - _KEY_PRICE, search)
        if other.score + _KEY_PRICE < best.score:
            best = other
    return best


def _hits(count: int) -> str:
    return "hit" if count == 1 else "hits"


def _complaint(
    outcome: Outcome, chosen: Separation, full: Separation, kit: Kit, mic: str
) -> str | None:
    """Why these settings would not be worth typing in, and what would help."""
    cut = median(outcome.foreign_cut_db) if outcome.foreign_cut_db.size else RANGE_DB
    problems = []
    # Own hits the detector missed look like openings: a few are no reason to refuse.
    missed = 1 + round(MISSED_SHARE * (outcome.passed.size + outcome.ghost_cut_db.size))
    count = max(0, outcome.false_openings.size - missed)
    minutes = max(outcome.minutes, 1e-3)
    surely_open = predict.rate_interval(count, minutes)[0] > TARGET_PER_MIN
    if outcome.main_passed < LEAST_PASSED:
        problems.append(f"only {100 * outcome.main_passed:.0f} % of main hits would pass whole")
    if surely_open or (count >= 3 and count / minutes > MOST_OPENINGS_PER_MIN):
        problems.append(f"bleed would open it {outcome.openings_per_min:.0f} times a minute")
    # Where strokes follow one another faster than the drum rings down, nothing can close between
    # them; that is said by the figures, and no reason to leave bleed up where the drum rests.
    judged = outcome.foreign_cut_db.size >= LEAST_FOREIGN
    if cut < LEAST_CUT_DB and judged and chosen.db < _COMFORT_DB:
        problems.append(f"bleed would come down by only {cut:.0f} dB")
    if not problems:
        return None
    best = "with the best key filter" if chosen is not full else "and no key filter tried helps"
    return (
        f"no threshold separates the hits from the bleed ({'; '.join(problems)}; main hits stand "
        f"{chosen.db:.0f} dB above the bleed {best}): {_remedies(chosen.db, kit, mic)}"
    )


def _remedies(separation_db: float, kit: Kit, mic: str) -> str:
    advice = []
    if separation_db < _WORKABLE_DB:
        needed = _WORKABLE_DB - separation_db
        advice.append(f"move the microphone or the source for {needed:.0f} dB less bleed")
    else:
        advice.append("have the soft ones among the main hits played up, or leave them to fall")
    others = [
        other.name
        for other in kit.mics
        if other.name != mic and set(drums_of(kit, other.name)) & set(drums_of(kit, mic))
    ]
    if others:
        advice.append(f"use the expander on {others[0]} instead")
    advice.append(f"or accept a range of {SMALL_RANGE_DB:.0f} dB, which harms less where it errs")
    return ", ".join(advice)


def _suggestion(s: ExpanderSettings, outcome: Outcome) -> Suggestion:
    return Suggestion(
        threshold_dbfs=s.threshold_dbfs,
        hysteresis_db=s.hysteresis_db,
        range_db=s.range_db,
        ratio=s.ratio,
        knee_db=s.knee_db,
        attack_ms=s.attack_ms,
        hold_ms=s.hold_ms,
        release_ms=s.release_ms,
        lookahead_ms=s.lookahead_ms,
        key_highpass_hz=s.key_highpass_hz,
        key_lowpass_hz=s.key_lowpass_hz,
        predicted=predict.prediction(outcome),
    )


def repredict(
    kit: Kit,
    mic: str,
    hits: Sequence[Hit],
    levels: LevelHistory,
    suggestion: Suggestion,
    key: Envelope | None = None,
) -> Outcome | str:
    """What ``suggestion`` (ours, held for a while, or the user's own values) does on the hits so
    far: an `Outcome` for `predict.prediction`, or the reason in one sentence.

    ``key``: envelope behind its key filter, needed where that filter is not one of those tried
    (`liveassist.advise.render.key_envelope` makes it from audio); its hops begin with those of
    ``levels``.
    """
    refused = not_for_expander(kit, mic)
    if refused is not None:
        return refused
    if levels.hops == 0:
        return "nothing heard yet"
    scene = build(kit, mic, hits, levels)
    settings = settings_from(suggestion)
    band = predict.key_band(settings)
    if key is None and band != FULL_BAND and band not in levels.bands(mic):
        return "that key filter was not tried while listening: replay the recording to try it"
    first = scene.heard.first_hop - levels.first_hop
    inside = scene.envelope(band) if key is None else _padded(key, levels.hops)[first:]
    return predict.run_and_spare(scene, settings, Sidechain(inside, scene.hops_per_second))


def _padded(key: Envelope, hops: int) -> FloatArray:
    padded = np.zeros(max(hops, key.size))
    padded[: key.size] = key
    return padded[:hops]
