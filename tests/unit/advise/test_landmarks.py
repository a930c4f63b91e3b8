"""Landmarks, snippets and sheets against sounds whose frequencies and decays were put in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from liveassist.advise.expander import run as run_expander
from liveassist.advise.expander import settings_from
from liveassist.advise.landmarks import Landmarks, landmarks
from liveassist.advise.pair import PairCheck
from liveassist.advise.sheet import MicSheet, advice, drum_sheet, mic_sheet
from liveassist.advise.snippets import AFTER_S, MOST, Snippets
from liveassist.advise.suggest import suggest
from liveassist.history import History
from liveassist.model import Audio, Hit, HitMeasures, Partial
from tests.unit.advise.kit_scene import FS, KIT, history, session


def sound(parts: list[tuple[float, float, float]], onset: int = 200) -> Audio:
    """Damped sines: (Hz, amplitude, T60 in seconds)."""
    t = np.arange(round(0.3 * FS)) / FS
    wave = sum(a * np.exp(-math.log(1000.0) / t60 * t) * np.sin(2 * np.pi * hz * t)
               for hz, a, t60 in parts)  # fmt: skip
    return np.concatenate((np.zeros(onset), wave)).astype(np.float32)


def measured(*partials: tuple[float, float, float]) -> HitMeasures:
    return HitMeasures(
        partials=tuple(Partial(hz, level, t60) for hz, level, t60 in partials),
        note_hz=partials[0][0],
    )


def test_regions_hold_what_was_put_in() -> None:
    # Energy of a damped sine is a^2 T60 / (4 ln 1000), the same factor for all: equal T60, so the
    # second is 20 dB under the first: 10 log10(0.01 / 1.01) = -20.0 of the whole (closed form).
    sounds = [sound([(200.0, 1.0, 0.08), (3800.0, 0.1, 0.08)])] * 6
    found = landmarks("snare", [], sounds, 200, FS)
    assert isinstance(found, Landmarks)
    regions = {one.name: one for one in found.regions}
    assert regions["crack"].share_db == pytest.approx(-20.04, abs=0.5)
    assert regions["crack"].peak_hz == pytest.approx(3800.0, rel=0.01)
    assert regions["body"].peak_hz == pytest.approx(200.0, rel=0.03)
    assert regions["body"].share_db > -1.0
    assert regions["wires"].share_db < -25.0
    assert "crack -20 dB around 3800 Hz" in found.sentence


def test_partials_are_gathered_over_hits() -> None:
    rng = np.random.default_rng(4)
    hits = []
    for index in range(20):
        wander = 2.0 ** (rng.normal(0.0, 8.0) / 1200.0)
        partials = [(190.0 * wander, -20.0, 0.5), (303.0 * wander, -26.0, 0.9)]
        if index % 5 == 0:
            partials.append((611.0, -40.0, 0.2))  # in a fifth of the hits: chance
        hits.append(measured(*partials))
    found = landmarks("snare", hits, [sound([(190.0, 1.0, 0.5)])] * 6, 200, FS)
    assert isinstance(found, Landmarks)
    assert [round(one.frequency_hz) for one in found.partials] == [
        pytest.approx(190, abs=1),
        pytest.approx(303, abs=2),
    ]
    assert found.partials[1].level_db == pytest.approx(-6.0)
    assert found.partials[1].t60_s == pytest.approx(0.9)
    assert found.partials[0].share == 1.0
    assert found.note_hz == pytest.approx(190.0, rel=0.003)
    assert "longest ring at 303 Hz (0.90 s)" in found.sentence.replace("302", "303")


def test_refusals() -> None:
    assert landmarks("cymbal", [], [], 0, FS) == (
        "no head to measure: landmarks are for kick, snare and toms"
    )
    assert landmarks("kick", [], [sound([(60.0, 1.0, 0.3)])] * 2, 200, FS) == (
        "2 usable hits, 5 needed: play 3 more"
    )


def collected(audio: Audio, hits: list[Hit]) -> Snippets:
    kept, heard = Snippets(KIT, FS), History(len(KIT.mics), FS)
    for start in range(0, len(audio), 2048):
        heard.push(audio[start : start + 2048])
        for hit in hits:
            ready = hit.sample + round(AFTER_S * FS)
            if heard.end - 2048 < ready <= heard.end:
                kept.keep(heard, hit)
    return kept


def test_snippets_are_the_audio_and_bounded() -> None:
    audio, hits = session(bars=30)
    kept = collected(audio, hits)
    assert len(kept.of("snare")) == MOST
    assert kept.of("hat") == []
    by_number = {hit.number: hit for hit in hits}
    assert all(by_number[one.number].role == "main" for one in kept.of("snare"))
    one = kept.of("snare")[3]
    at = by_number[one.number].sample - kept.before
    assert np.array_equal(one.own, audio[at : at + one.own.size, 1])
    assert np.array_equal(one.second["bottom"], audio[at : at + one.second["bottom"].size, 2])
    assert kept.of("snare", [one.number]) == [one]
    gone = replace(by_number[one.number], sample=0)
    kept.keep(History(len(KIT.mics), FS), gone)
    assert len(kept.of("snare")) == MOST


def test_sheets_of_a_session() -> None:
    audio, hits = session(bars=12)
    audio[:, 2] *= -0.5  # the bottom microphone: inverted, 6 dB down
    levels = history(audio)
    snare = KIT.drum("snare")
    sheet = drum_sheet(KIT, snare, hits, collected(audio, hits), FS)
    check = sheet.pairs["bottom"]
    assert isinstance(check, PairCheck)
    assert check.inverted
    assert check.delay_samples == pytest.approx(0.0, abs=0.1)
    assert isinstance(sheet.landmarks, Landmarks)
    body = {one.name: one for one in sheet.landmarks.regions}["box"]
    assert body.peak_hz == pytest.approx(400.0, rel=0.02), "the invented snare speaks at 400 Hz"
    whole = advice(
        KIT,
        hits,
        levels,
        collected(audio, hits),
        {mic.name: suggest(KIT, mic.name, hits, levels)[0] for mic in KIT.mics},
        {"kick": 61.0},
    )
    assert set(whole.mics) == {"kick", "top", "bottom"}
    assert isinstance(whole.drums["kick"].landmarks, Landmarks)
    assert whole.drums["kick"].landmarks.note_hz == 61.0
    assert whole.drums["tom"].landmarks == "0 usable hits, 5 needed: play 5 more"


def test_a_mic_sheet_says_what_happens_to_the_audio() -> None:
    audio, hits = session(bars=12)
    levels = history(audio)
    s, _ = suggest(KIT, "top", hits, levels)
    assert s is not None
    sheet = mic_sheet(KIT, "top", hits, levels, s)
    assert isinstance(sheet, MicSheet)
    assert sheet.suggestion == s
    assert sheet.key_gain_db is None
    # The tail is checked on the processed audio itself, at full rate.
    _, gain = run_expander(audio[:, 1], settings_from(s), FS)
    mains = [h.sample for h in hits if h.drum == "snare" and h.role == "main"]
    for ms, kept in sheet.details.tail_kept_db.items():
        assert kept is not None
        assert kept.hits == len(mains)
        actual = float(np.median([gain[at + ms * FS // 1000] for at in mains]))
        assert kept.value == pytest.approx(actual, abs=1.5)
        assert kept.ci[0] <= actual <= kept.ci[1]
    ghosts = sheet.details.ghost_cut_db
    assert ghosts is not None
    assert ghosts.hits == 12
    assert ghosts.ci[0] <= ghosts.value <= ghosts.ci[1]
    assert sheet.details.foreign > 50
    assert sheet.unheard == ("tom",), "the tom is never struck"
    assert sheet.details.open_share is not None
    assert sheet.details.open_share.ci[1] < 0.1
    at = [rate.threshold_dbfs for rate in sheet.rates]
    assert s.threshold_dbfs in at
    passed = [rate.main_passed or 0.0 for rate in sheet.rates]
    openings = [rate.openings_per_min for rate in sheet.rates]
    assert passed[0] == 1.0
    assert openings[0] >= openings[-1]
    assert sheet.downstream.after.between_dbfs == pytest.approx(
        (sheet.downstream.before.between_dbfs or 0.0) - 12.0, abs=0.5
    )


def test_own_values_get_a_prediction_of_their_own() -> None:
    audio, hits = session(bars=12)
    levels = history(audio)
    s, _ = suggest(KIT, "top", hits, levels)
    assert s is not None
    deaf = replace(s, threshold_dbfs=-3.0)
    sheet = mic_sheet(KIT, "top", hits, levels, deaf, predict_anew=True)
    assert isinstance(sheet, MicSheet)
    assert sheet.suggestion.predicted is not None
    assert (sheet.suggestion.predicted.main_passed or 0.0) < 0.2
    odd = replace(s, key_highpass_hz=123.0)
    assert "was not tried" in str(mic_sheet(KIT, "top", hits, levels, odd, predict_anew=True))
    assert "overheads" in str(mic_sheet(KIT, "over", hits, levels, s))
