"""Hard cases: strokes that are hard to tell, and microphones that are not as at the soundcheck.

Scenes like those of `hardcases`, entered in the same table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
from scipy.signal import resample_poly

from liveassist.learning import learn
from liveassist.model import Drum, Mic
from tests.unit.hearing import foreign
from tests.unit.hearing.hardcases import (
    EIGHT,
    JUDGED,
    SMALL,
    Scene,
    case,
    ghost_dbfs,
    groove,
    heard_from,
)
from tests.unit.hearing.remix import LEAD_S, Audio, Bank, Stroke, alone_dbfs, bank, compose

#: Resampling to four fifths shortens what stands before an onset; this is put back, samples.
LEAD = round(LEAD_S * 48_000) - round(LEAD_S * 48_000 * 4 / 5)

# --- strokes -------------------------------------------------------------------------------------


@case
def kick_as_loud_as_the_snare() -> Scene:
    """In the snare's microphone; kicks alone, then snares among them."""
    source = bank(SMALL)
    strokes = [Stroke(1.0 + 0.31 * n, "kick") for n in range(12)]
    strokes += [Stroke(4.9 + 0.31 * n, ("kick", "snare")[n % 2]) for n in range(16)]
    return Scene(source, compose(source, strokes, 11.0), tuple(strokes), (0.97, 0.97))


@case
def sixteenths_at_214() -> Scene:
    """Kick and snare in turn, 70 ms apart."""
    source = bank(SMALL)
    strokes = [Stroke(1.0 + 0.07 * n, ("kick", "snare")[n % 2]) for n in range(48)]
    return Scene(source, compose(source, strokes, 5.5), tuple(strokes), (0.97, 0.97))


@case
def roll() -> Scene:
    """Single strokes of a snare roll, 58 ms apart, from soft to loud."""
    source = bank(EIGHT)
    strokes = [Stroke(1.0 + 0.058 * n, "snare", -18.0 + 0.5 * n) for n in range(36)]
    return Scene(source, compose(source, strokes, 4.5), tuple(strokes), (None, 0.93))


@case
def buzz_roll() -> Scene:
    """Each stroke bounces three times, 27 ms apart, each softer than the one before."""
    source = bank(EIGHT)
    strokes = [
        Stroke(1.0 + 0.16 * n + 0.027 * bounce, "snare", -8.0 - 3.0 * bounce)
        for n in range(12)
        for bounce in range(4)
    ]
    return Scene(source, compose(source, strokes, 4.5), tuple(strokes), (None, 0.7))


@case
def flams() -> Scene:
    """A grace note 20 to 30 ms before every full stroke, 9 dB softer."""
    source = bank(EIGHT)
    strokes = []
    for n in range(10):
        strokes += [
            Stroke(1.0 + 0.5 * n - 0.020 - 0.001 * n, "snare", -9.0),
            Stroke(1.0 + 0.5 * n, "snare"),
        ]
    return Scene(source, compose(source, strokes, 7.0), tuple(strokes), (None, 0.93))


@case
def drags() -> Scene:
    """Two grace notes, 60 and 30 ms before every full stroke, 12 dB softer."""
    source = bank(EIGHT)
    strokes = []
    for n in range(10):
        strokes += [
            Stroke(1.0 + 0.5 * n - 0.060, "snare", -12.0),
            Stroke(1.0 + 0.5 * n - 0.030, "snare", -12.0),
            Stroke(1.0 + 0.5 * n, "snare"),
        ]
    return Scene(source, compose(source, strokes, 7.0), tuple(strokes), (None, 0.93))


@case
def rim_shots() -> Scene:
    """The stick meets head and rim at once: the stroke with a crack on top, 3 dB under it; the
    soundcheck had none."""
    source = bank(SMALL)
    strokes = groove()
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    snare = source.kit.drum("snare").own or ""
    for number, stroke in enumerate(strokes):
        if stroke.drum == "snare" and stroke.gain_db == 0.0:
            crack = foreign.wood(source.rate, number)
            for mic in source.kit.mics:
                level = alone_dbfs(source, stroke, mic.name) - 3.0
                heard_from(audio, source, crack, stroke.time_s, level, mic.name)
    assert alone_dbfs(source, Stroke(0.0, "snare"), snare) > -8.0
    return Scene(source, audio, tuple(strokes), (0.97, 0.93))


@case
def washes_and_chokes() -> Scene:
    """Cymbals ring through the groove and are choked by hand."""
    source = bank(SMALL)
    strokes = groove(4)
    seconds = strokes[-1].time_s + 1.0
    audio = compose(source, strokes, seconds)
    step = 15.0 / 108.0
    for number, piece in enumerate(np.arange(1.0 + 2 * step, seconds - 1.5, 8 * step)):
        crash = source.hits["cymbal"][-1].copy()
        # A hand stops it within 15 ms, half a second on.
        at = round(0.42 * source.rate)
        crash[at:] *= np.exp(-np.arange(len(crash) - at) / (0.015 * source.rate))[:, None]
        start = round((float(piece) - 0.01) * source.rate) + 31 * number
        stop = min(len(audio), start + len(crash))
        audio[start:stop] += crash[: stop - start]
    return Scene(source, audio, tuple(strokes), (0.97, 0.85))


@case
def long_kick_tails() -> Scene:
    """An open kick rings for a second and a half under everything."""
    source = bank(SMALL)
    strokes = groove()
    seconds = strokes[-1].time_s + 1.0
    audio = compose(source, strokes, seconds)
    t = np.arange(round(1.5 * source.rate)) / source.rate
    for stroke in strokes:
        if stroke.drum == "kick":
            tail = 0.16 * np.sin(2 * np.pi * 58.0 * t) * np.exp(-t / 0.3) * (1 - np.exp(-t / 0.01))
            start = round(stroke.time_s * source.rate)
            stop = min(len(audio), start + len(tail))
            for column, mic in enumerate(source.kit.mics):
                share = {"kick": 1.0, "snare": 0.6}.get(mic.name, 0.3)
                audio[start:stop, column] += (share * tail[: stop - start]).astype(np.float32)
    return Scene(source, audio, tuple(strokes), (0.97, 0.9))


# --- microphones ---------------------------------------------------------------------------------


def _turned(
    gains_db: dict[str, float], from_share: float, least: tuple[float, float] = (0.97, 0.93)
) -> Scene:
    source = bank(EIGHT)
    strokes = groove(6)
    audio = np.float32(0.3) * compose(source, strokes, strokes[-1].time_s + 1.0)
    start = round(from_share * len(audio))
    for mic, gain_db in gains_db.items():
        audio[start:, source.kit.mic_index(mic)] *= np.float32(10.0 ** (gain_db / 20.0))
    return Scene(source, audio, tuple(strokes), least)


@case
def snare_20_db_up_since_the_soundcheck() -> Scene:
    return _turned({"snare_top": 20.0}, 0.0)


@case
def snare_20_db_down_since_the_soundcheck() -> Scene:
    return _turned({"snare_top": -20.0}, 0.0, (0.97, 0.85))


@case
def kick_20_db_up_since_the_soundcheck() -> Scene:
    return _turned({"kick": 20.0}, 0.0)


@case
def kick_20_db_down_since_the_soundcheck() -> Scene:
    return _turned({"kick": -20.0}, 0.0, (0.75, 0.93))


@case
def snare_gain_12_db_up_in_mid_take() -> Scene:
    return _turned({"snare_top": 12.0}, 0.5)


@case
def snare_gain_12_db_down_in_mid_take() -> Scene:
    return _turned({"snare_top": -12.0}, 0.5, (0.97, 0.85))


@case
def kick_gain_12_db_up_in_mid_take() -> Scene:
    return _turned({"kick": 12.0}, 0.5)


@case
def clipping() -> Scene:
    """Every full snare stroke 5 dB over full scale."""
    source = bank(EIGHT, -1.0)
    strokes = groove(4)
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    mic = source.kit.mic_index("snare_top")
    audio[:, mic] = np.clip(audio[:, mic] * (1.8 / np.abs(audio[:, mic]).max()), -1.0, 1.0)
    return Scene(source, audio, tuple(strokes), (0.97, 0.97))


@case
def hum() -> Scene:
    """50 Hz and overtones, 20 dB under a ghost note, in kick and snare microphones."""
    source = bank(SMALL)
    strokes = groove()
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    t = np.arange(len(audio)) / source.rate
    wave = sum(np.sin(2 * np.pi * 50.0 * n * t) / n for n in (1, 2, 3, 5))
    level = 10.0 ** ((ghost_dbfs(source) - 6.0) / 20.0)
    for name in JUDGED:
        column = source.kit.mic_index(source.kit.drum(name).own or "")
        audio[:, column] += (level * np.asarray(wave)).astype(np.float32)
    return Scene(source, audio, tuple(strokes), (0.97, 0.9))


# --- other inputs --------------------------------------------------------------------------------


def check_strokes(source: Bank) -> tuple[list[Stroke], list[tuple[str, float, float]], float]:
    """A soundcheck: each drum eight times from soft to hard; its segments and length."""
    strokes, segments, at = [], [], 1.0
    for drum in source.hits:
        strokes += [Stroke(at + 1.3 * n, drum, -14.0 + 2.0 * n) for n in range(8)]
        segments.append((drum, at - 0.3, at + 1.3 * 8 - 0.5))
        at += 1.3 * 8 + 0.5
    return strokes, segments, at + 1.0


def at_rate(scene: Scene, rate: int) -> tuple[Bank, Audio]:
    """The scene at another sample rate, with a soundcheck at that rate."""
    source = scene.source
    strokes, segments, seconds = check_strokes(source)
    share = math.gcd(rate, source.rate)

    def turned(audio: Audio) -> Audio:
        other = resample_poly(audio, rate // share, source.rate // share, axis=0)
        return np.asarray(other, dtype=np.float32)

    learned = learn(source.kit, rate, turned(compose(source, strokes, seconds)), segments)
    return replace(source, rate=rate, learned=learned), turned(scene.audio)


def with_trigger(source: Bank, strokes: Sequence[Stroke], audio: Audio) -> tuple[Bank, Audio]:
    """The same with a contact trigger on the snare: a short pulse from its shell at every snare
    stroke, 40 dB less at every other; it was there in the soundcheck too."""
    t = np.arange(round(0.02 * source.rate)) / source.rate
    pulse = np.sin(2 * np.pi * 420.0 * t) * np.exp(-t / 0.003)

    def beside(strokes: Sequence[Stroke], audio: Audio) -> Audio:
        line = np.random.default_rng(2).normal(0.0, 3e-5, len(audio))
        for stroke in strokes:
            gain = stroke.gain_db - 3.0 - (0.0 if stroke.drum == "snare" else 40.0)
            start = round((stroke.time_s - 0.0006) * source.rate)
            stop = min(len(line), start + len(pulse))
            line[start:stop] += 10.0 ** (gain / 20.0) * pulse[: stop - start]
        return np.column_stack([audio, line.astype(np.float32)])

    mics = (*source.kit.mics, Mic("trigger", len(source.kit.mics) + 1, "snare", "trigger"))
    kit = replace(source.kit, mics=mics)
    check, segments, seconds = check_strokes(source)
    learned = learn(kit, source.rate, beside(check, compose(source, check, seconds)), segments)
    return replace(source, kit=kit, learned=learned), beside(strokes, audio)


@cache
def two_kicks() -> Bank:
    """A second kick beside the first, a third higher, in a microphone of its own. Each is heard
    by the other's microphone 14 dB softer, and alike by all others."""
    source = bank(EIGHT)
    kick = source.kit.mic_index("kick")
    hits = {}
    for drum, pieces in source.hits.items():
        far = 10.0 ** (-14.0 / 20.0) if drum == "kick" else 1.0
        hits[drum] = [np.column_stack([piece, far * piece[:, kick]]) for piece in pieces]
    left = []
    for piece in hits["kick"]:
        other = np.asarray(resample_poly(piece, 4, 5, axis=0), dtype=np.float32)
        other[:, [kick, -1]] = other[:, [-1, kick]]
        left.append(np.concatenate([np.zeros((LEAD, other.shape[1]), np.float32), other]))
    kit = replace(
        source.kit,
        drums=(*source.kit.drums, Drum("kick_left", "kick", "kick_left")),
        mics=(*source.kit.mics, Mic("kick_left", len(source.kit.mics) + 1)),
    )
    mixed = replace(source, kit=kit, hits={**hits, "kick_left": left})
    strokes, segments, seconds = check_strokes(mixed)
    learned = learn(kit, source.rate, compose(mixed, strokes, seconds), segments)
    return replace(mixed, learned=learned)
