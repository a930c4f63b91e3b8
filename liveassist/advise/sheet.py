"""All that is known beside the settings themselves: one sheet a microphone, one a drum.

What the expander does downstream, the picture to choose by (levels and rates), the landmarks of the
ring, and the check of two microphones on one drum. Made on demand, for files and reports.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from liveassist.advise import predict
from liveassist.advise.downstream import Downstream, Histogram, downstream, histogram
from liveassist.advise.expander import settings_from
from liveassist.advise.history import FULL_BAND, LevelHistory
from liveassist.advise.keyfilter import separation
from liveassist.advise.landmarks import REGIONS, Landmarks, landmarks
from liveassist.advise.pair import PairCheck, check_pair
from liveassist.advise.picture import rates
from liveassist.advise.predict import Details
from liveassist.advise.scene import MAIN_ROLES, Scene, build, drums_of
from liveassist.advise.sidechain import Sidechain
from liveassist.advise.snippets import Snippets
from liveassist.advise.suggest import not_for_expander
from liveassist.model import Drum, ExpanderRate, Hit, Interval, Kit, Suggestion
from liveassist.steps import at_once

#: Fewer foreign hits say nothing about a drum's bleed.
FEW_HITS = 3


@dataclass(frozen=True, slots=True)
class MicSheet:
    """Settings for one microphone with everything they would do.

    ``suggestion`` has its prediction on all hits looked at. ``key_gain_db``: separation gained by
    its key filter, None without one. ``ghost_cut_range_db``: 10th and 90th percentile.
    ``unheard``: other drums with fewer than `FEW_HITS` hits, of whose bleed nothing is known.
    ``details``: the figures its prediction leaves out, from all hits looked at.
    """

    mic: str
    suggestion: Suggestion
    key_gain_db: float | None
    ghost_cut_range_db: Interval | None
    details: Details
    downstream: Downstream
    levels: Histogram
    unheard: tuple[str, ...]
    rates: tuple[ExpanderRate, ...]


@dataclass(frozen=True, slots=True)
class DrumSheet:
    """Landmarks of a drum, and its pairs by second microphone; or why there are none."""

    drum: str
    landmarks: Landmarks | str
    pairs: Mapping[str, PairCheck | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Advice:
    """Sheets by name; a microphone without settings has none."""

    mics: Mapping[str, MicSheet] = field(default_factory=dict)
    drums: Mapping[str, DrumSheet] = field(default_factory=dict)


def mic_sheet(
    kit: Kit,
    mic: str,
    hits: Sequence[Hit],
    levels: LevelHistory,
    suggestion: Suggestion,
    *,
    predict_anew: bool = False,
) -> MicSheet | str:
    """The sheet of ``suggestion`` (ours or the user's own), or the reason in one sentence.

    ``predict_anew``: give it the prediction of a run over all hits, for values that were not
    fitted; a fitted suggestion keeps its cross-validated one.
    """
    refused = not_for_expander(kit, mic)
    if refused is not None:
        return refused
    if levels.hops == 0:
        return "nothing heard yet"
    scene = build(kit, mic, hits, levels)
    settings = settings_from(suggestion)
    band = predict.key_band(settings)
    if band != FULL_BAND and band not in levels.bands(mic):
        return "that key filter was not tried while listening: replay the recording to try it"
    if scene.main.size == 0:
        return "no main hits to try it on"
    key = scene.envelope(band)
    side = Sidechain(key, scene.hops_per_second)
    outcome = predict.run_and_spare(scene, settings, side)
    if predict_anew or suggestion.predicted is None:
        suggestion = replace(suggestion, predicted=predict.prediction(outcome))
    gained = None
    if band != FULL_BAND:
        gained = separation(scene, band).db - separation(scene).db
    ghosts = outcome.ghost_cut_db
    spread = tuple(np.percentile(ghosts, [10.0, 90.0])) if ghosts.size else None
    return MicSheet(
        mic=mic,
        suggestion=suggestion,
        key_gain_db=gained,
        ghost_cut_range_db=None if spread is None else (float(spread[0]), float(spread[1])),
        details=predict.details(scene, outcome, side),
        downstream=downstream(scene, settings, key),
        levels=histogram(scene, settings),
        unheard=_unheard(kit, scene),
        rates=tuple(at_once(rates(scene, settings, side))),
    )


def _unheard(kit: Kit, scene: Scene) -> tuple[str, ...]:
    own = {drum.name for drum in drums_of(kit, scene.mic)}
    heard = Counter(scene.foreign_drum)
    names = [drum.name for drum in kit.drums if drum.name not in own]
    return tuple(name for name in names if heard[name] < FEW_HITS)


def drum_sheet(
    kit: Kit,
    drum: Drum,
    hits: Sequence[Hit],
    snippets: Snippets,
    sample_rate_hz: float,
    note_hz: float | None = None,
) -> DrumSheet:
    """Landmarks and pairs of ``drum`` from its main hits. ``note_hz``: where it is known."""
    own = [hit for hit in hits if hit.drum == drum.name and hit.role in MAIN_ROLES]
    kept = snippets.of(drum.name, [hit.number for hit in own])
    measures = [hit.measures for hit in own if hit.measures is not None]
    sounds = [one.own for one in kept]
    found = landmarks(drum.kind, measures, sounds, snippets.before, sample_rate_hz, note_hz)
    pairs: dict[str, PairCheck | str] = {}
    for mic in kit.mics:
        if mic.of == drum.name and mic.type == "acoustic":
            first, second, onsets = snippets.joined(kept, mic.name)
            pairs[mic.name] = check_pair(first, second, onsets, sample_rate_hz)
    return DrumSheet(drum.name, found, pairs)


def advice(
    kit: Kit,
    hits: Sequence[Hit],
    levels: LevelHistory,
    snippets: Snippets,
    suggestions: Mapping[str, Suggestion | None],
    notes_hz: Mapping[str, float | None],
) -> Advice:
    """All sheets of a session. ``hits``: all of it; ``notes_hz``: by drum, where known."""
    mics = {}
    for mic, suggestion in suggestions.items():
        if suggestion is not None:
            sheet = mic_sheet(kit, mic, hits, levels, suggestion)
            if isinstance(sheet, MicSheet):
                mics[mic] = sheet
    drums = {
        drum.name: drum_sheet(
            kit, drum, hits, snippets, levels.sample_rate_hz, notes_hz.get(drum.name)
        )
        for drum in kit.drums
        if drum.own is not None and drum.kind in REGIONS
    }
    return Advice(mics, drums)
