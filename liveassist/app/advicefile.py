"""advice.json: what goes beyond summary.json, for whoever wants to choose by ear and eye.

Described in docs/expander.md. Levels are peak dBFS as the tool heard them, gains and cuts dB, times
as their names say; what could not be measured is null or a sentence.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from liveassist.advise.downstream import Downstream, Histogram, Levels
from liveassist.advise.expander import settings_from, static_gain_db
from liveassist.advise.landmarks import Landmarks, RingPartial
from liveassist.advise.pair import USUAL_BLEND_DB, PairCheck
from liveassist.advise.predict import Known
from liveassist.advise.sheet import Advice, DrumSheet, MicSheet
from liveassist.app.summary import suggestion_json
from liveassist.model import Interval, Kit, SessionRecord

Json = dict[str, Any]
FILE_NAME = "advice.json"


def advice_text(
    advice: Advice, record: SessionRecord, yours: Mapping[str, MicSheet | str] | None = None
) -> str:
    """The text of advice.json. ``yours``: sheets of the user's own values."""
    kit, reasons, wrong = record.kit, record.expander_reason, record.expander_wrong
    document = {
        "schema": 1,
        "microphones": {
            mic.name: {
                "suggested": _maybe(advice.mics.get(mic.name), mic.track_offset_db),
                "reason": None if mic.name in advice.mics else reasons.get(mic.name),
                "no_longer_right": wrong.get(mic.name),
                "yours": _maybe((yours or {}).get(mic.name), mic.track_offset_db),
            }
            for mic in kit.mics
        },
        "drums": {name: _drum(sheet) for name, sheet in advice.drums.items()},
        "landmarks": {
            name: [_partial(one) for one in sheet.landmarks.partials]
            for name, sheet in advice.drums.items()
            if isinstance(sheet.landmarks, Landmarks) and sheet.landmarks.partials
        },
        "pairs": [
            {"drum": name, "first": kit.drum(name).own, "second": second, **_pair(pair)}
            for name, sheet in advice.drums.items()
            for second, pair in sheet.pairs.items()
        ],
    }
    return json.dumps(_plain(document), indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def advice_by_mic(
    advice: Advice, kit: Kit, yours: Mapping[str, MicSheet | str]
) -> dict[str, list[str]]:
    """What is to be said of each microphone's settings beside the settings."""
    said: dict[str, list[str]] = {}
    for mic in kit.mics:
        lines = []
        sheet = advice.mics.get(mic.name)
        own = yours.get(mic.name)
        if sheet is not None:
            lines.append(f"{mic.name}, as suggested: {_promise(sheet)}.")
            if sheet.unheard:
                names = ", ".join(sheet.unheard)
                lines.append(f"{mic.name}: hardly heard yet, so not part of that: {names}.")
            if mic.track_offset_db is not None:
                moved = sheet.suggestion.threshold_dbfs + mic.track_offset_db
                lines.append(f"{mic.name}: on the recorded track, threshold {moved:.1f} dBFS.")
        if isinstance(own, MicSheet):
            lines.append(f"{mic.name}, your values: {_promise(own)}.")
        elif own is not None:
            lines.append(f"{mic.name}, your values: {own}.")
        after = None if sheet is None else sheet.downstream.sentence
        if after is not None:
            lines.append(f"{mic.name}: {after}.")
        if lines:
            said[mic.name] = lines
    return said


def drum_lines(advice: Advice) -> list[str]:
    """What is to be said of each drum: landmarks and pairs of microphones."""
    lines = []
    for drum in advice.drums.values():
        if isinstance(drum.landmarks, Landmarks):
            lines.append(f"{drum.drum}, landmarks: {drum.landmarks.sentence}.")
        for name, pair in drum.pairs.items():
            if isinstance(pair, PairCheck):
                lines.append(
                    f"{drum.drum} with {name}: {pair.sentence}; {name} hears it "
                    f"{pair.delay_samples:.0f} samples later ({pair.distance_mm:.0f} mm); "
                    f"{pair.blend_db:+.0f} dB puts it {-USUAL_BLEND_DB:.0f} dB under, where mixes "
                    "usually start."
                )
            else:
                lines.append(f"{drum.drum} with {name}: not checked, {pair}.")
    return lines


def _promise(sheet: MicSheet) -> str:
    """All figures of one microphone, each with its 95 % interval and the hits it comes from."""
    now, more = sheet.suggestion.predicted, sheet.details
    if now is None:
        return "not tried"
    parts = []
    if now.main_passed is not None:
        hits = "hit" if now.hits == 1 else "hits"
        passed = _value(100.0 * now.main_passed, now.main_passed_ci, 100.0)
        parts.append(f"{passed} % of {now.hits} main {hits} whole")
    if more.ghost_cut_db is not None:
        ghosts = _value(more.ghost_cut_db.value, more.ghost_cut_db.ci)
        parts.append(f"{more.ghost_cut_db.hits} ghosts {ghosts} dB down")
    if now.bleed_cut_db is not None:
        bleed = _value(now.bleed_cut_db, now.bleed_cut_ci)
        parts.append(f"bleed of {more.foreign} hits {bleed} dB down")
    if now.bleed_openings_per_min is not None:
        opened = _value(now.bleed_openings_per_min, now.openings_ci)
        parts.append(f"opened by bleed {opened} times a minute")
    if more.open_share is not None:
        share = _value(100.0 * more.open_share.value, more.open_share.ci, 100.0)
        parts.append(f"open {share} % of the time between hits")
    tails = [
        f"{_value(-one.value, one.ci, -1.0)} dB after {ms} ms"
        for ms, one in more.tail_kept_db.items()
        if one is not None
    ]
    if tails:
        parts.append("tail down " + ", ".join(tails))
    return "; ".join(parts) + f" (threshold {sheet.suggestion.threshold_dbfs:.1f} dBFS)"


def _value(value: float, ci: Interval | None, scale: float = 1.0) -> str:
    """A figure with its interval in brackets, in whole numbers."""
    said = f"{value + 0.0:.0f}"
    if ci is None:
        return said
    low, high = sorted(scale * end + 0.0 for end in ci)
    return f"{said} [{low:.0f} to {high:.0f}]"


def _maybe(sheet: MicSheet | str | None, track_offset_db: float | None) -> Json | str | None:
    return _mic(sheet, track_offset_db) if isinstance(sheet, MicSheet) else sheet


def _mic(sheet: MicSheet, track_offset_db: float | None) -> Json:
    settings = sheet.suggestion
    moved = None if track_offset_db is None else settings.threshold_dbfs + track_offset_db
    return {
        "settings": suggestion_json(settings),
        "track_offset_db": track_offset_db,
        "track_threshold_dbfs": moved,
        "key_gain_db": sheet.key_gain_db,
        "unheard": sheet.unheard,
        "ghost_cut_range_db": sheet.ghost_cut_range_db,
        "ghost_cut": _known(sheet.details.ghost_cut_db),
        "bleed_hits": sheet.details.foreign,
        "tail_kept": {str(ms): _known(one) for ms, one in sheet.details.tail_kept_db.items()},
        "open_share": _known(sheet.details.open_share),
        "downstream": _downstream(sheet.downstream),
        "levels": _histogram(sheet.levels),
        "curve": _curve(sheet),
        "rates": [
            {
                "threshold_dbfs": rate.threshold_dbfs,
                "main_passed": rate.main_passed,
                "bleed_openings_per_min": rate.openings_per_min,
                "bleed_cut_db": rate.bleed_cut_db,
            }
            for rate in sheet.rates
        ],
    }


def _known(found: Known | None) -> Json | None:
    return None if found is None else {"value": found.value, "ci": found.ci, "hits": found.hits}


def _downstream(found: Downstream) -> Json:
    return {
        "before": _levels(found.before),
        "after": _levels(found.after),
        "sentence": found.sentence,
    }


def _levels(levels: Levels) -> Json:
    return {
        "main_spread_db": levels.main_spread_db,
        "ghost_distance_db": levels.ghost_distance_db,
        "between_hits_dbfs": levels.between_dbfs,
    }


def _histogram(found: Histogram) -> Json:
    return {
        "edges_dbfs": found.edges_dbfs.tolist(),
        "main": found.main,
        "ghost": found.ghost,
        "bleed": found.bleed,
    }


def _curve(sheet: MicSheet) -> Json:
    """The gain of the closed expander at steady levels, for drawing."""
    level = np.arange(float(sheet.levels.edges_dbfs[0]), 0.01, 0.5)
    gain = static_gain_db(level, settings_from(sheet.suggestion))
    return {"level_dbfs": level.tolist(), "gain_db": gain.tolist()}


def _drum(sheet: DrumSheet) -> Json:
    found = sheet.landmarks
    if isinstance(found, str):
        return {"note_hz": None, "regions": {}, "hits": 0, "reason": found}
    return {
        "note_hz": found.note_hz,
        "regions": {
            one.name: {
                "low_hz": one.low_hz,
                "high_hz": one.high_hz,
                "share_db": one.share_db,
                "peak_hz": one.peak_hz,
            }
            for one in found.regions
        },
        "hits": found.hits,
        "reason": None,
    }


def _partial(one: RingPartial) -> Json:
    return {
        "frequency_hz": one.frequency_hz,
        "level_db": one.level_db,
        "t60_s": one.t60_s,
        "share": one.share,
    }


def _pair(pair: PairCheck | str) -> Json:
    if isinstance(pair, str):
        return {"reason": pair}
    return {
        "inverted": pair.inverted,
        "agreement": pair.agreement,
        "delay_samples": pair.delay_samples,
        "delay_ms": pair.delay_ms,
        "distance_mm": pair.distance_mm,
        "level_db": dict(pair.level_db),
        "sum_db": {f"{hz:g}": value for hz, value in pair.sum_db.items()},
        "flipped_sum_db": {f"{hz:g}": value for hz, value in pair.flipped_sum_db.items()},
        "blend_db": pair.blend_db,
        "usual_blend_db": USUAL_BLEND_DB,
        "hits": pair.hits,
        "sentence": pair.sentence,
    }


def _plain(value: Any) -> Any:
    """Numbers with six decimals, as in summary.json; infinities and NaN as null."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(float(value), 6) + 0.0 if math.isfinite(value) else None
    return value
