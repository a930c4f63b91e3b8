"""The hard cases of a session, each as a scene with exact truth; heard by the tests and by the
benchmark's table (`tests.bench.hard_cases`); strokes and microphones are in `hardstrokes`.

A scene is composed from single simulated hits and, where other things sound, from `foreign`.
Most take the kit with six microphones in a small room: the kick is nearly as loud as the snare in
the snare's microphone, and no microphone stands on the hi-hat.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.signal import butter, sosfilt

from tests.unit.hearing import foreign
from tests.unit.hearing.remix import Audio, Bank, Stroke, alone_dbfs, bank, compose

SMALL, EIGHT = "small_room", "rock_ghosts"
#: Drums other than these two are not counted.
JUDGED = ("kick", "snare")


@dataclass(frozen=True)
class Scene:
    """What is heard and what was struck. ``least``: F of kick and of snare, after a soundcheck,
    under which something broke; None where the scene has no hit of that drum, and none may be
    reported."""

    source: Bank
    audio: Audio
    strokes: tuple[Stroke, ...]
    least: tuple[float | None, float | None]


CASES: dict[str, Callable[[], Scene]] = {}


def case(make: Callable[[], Scene]) -> Callable[[], Scene]:
    """Enter a case under its name."""
    kept = cache(make)
    CASES[make.__name__] = kept
    return kept


def groove(bars: int = 5, bpm: float = 108.0, ghosts: bool = True) -> list[Stroke]:
    """A rock groove from 1 s on: eighths on the hat, ghost notes between the backbeats."""
    step = 15.0 / bpm
    out = []
    for bar in range(bars):
        start = 1.0 + 16 * step * bar
        out += [Stroke(start + n * step, "hihat", -3.0 * (n % 4 == 2)) for n in range(0, 16, 2)]
        out += [Stroke(start + n * step, "snare") for n in (4, 12)]
        out += [Stroke(start + n * step, "kick") for n in (0, 7, 8, 10)]
        if ghosts:
            out += [Stroke(start + n * step, "snare", -14.0) for n in (5, 9, 15)]
    return out


def free_of(
    strokes: Sequence[Stroke], seconds: float, apart_s: float, step_s: float
) -> list[float]:
    """Moments at which nothing was struck for ``apart_s`` before and after."""
    times = np.array([stroke.time_s for stroke in strokes])
    return [
        float(at)
        for at in np.arange(1.0, seconds - 1.0, step_s)
        if not len(times) or np.abs(times - at).min() > apart_s
    ]


def heard_from(
    scene: Audio,
    source: Bank,
    wave: foreign.Wave,
    at_s: float,
    peak_db: float,
    near: str | None = None,
    seed: int = 0,
) -> None:
    """Mix ``wave`` into every microphone, as loud as ``peak_db`` (dBFS) in the snare's.

    ``near``: the microphone it sounds in alone, the others 40 dB under it; None: it comes from
    the room, up to 4 dB and some milliseconds different in each, the snare's own as asked.
    """
    rng = np.random.default_rng(seed)
    snare = source.kit.drum("snare").own
    for column, mic in enumerate(source.kit.mics):
        gain, delay_s = rng.uniform(-4.0, 4.0), rng.uniform(0.001, 0.012)
        if near is not None:
            gain, delay_s = (0.0, 0.0) if mic.name == near else (-40.0, 0.004)
        elif mic.name == snare:
            gain = 0.0
        start = round((at_s + delay_s) * source.rate)
        stop = min(len(scene), start + len(wave))
        level = 10.0 ** ((peak_db + gain) / 20.0)
        scene[start:stop, column] += (level * wave[: stop - start]).astype(np.float32)


def ghost_dbfs(source: Bank, gain_db: float = -14.0) -> float:
    """Peak of a ghost note of `groove` in the snare's microphone, dBFS."""
    return alone_dbfs(source, Stroke(0.0, "snare", gain_db), source.kit.drum("snare").own or "")


# --- no hits -------------------------------------------------------------------------------------


def _with_noises(
    wave_of: Callable[[int, int], foreign.Wave],
    over_ghost_db: float,
    every_s: float,
    apart_s: float = 0.05,
    least: tuple[float, float] = (0.97, 0.93),
) -> Scene:
    """The groove with a foreign sound at moments where nothing is struck."""
    source = bank(SMALL)
    strokes = groove()
    seconds = strokes[-1].time_s + 1.5
    audio = compose(source, strokes, seconds)
    level = ghost_dbfs(source) + over_ghost_db
    for number, at in enumerate(free_of(strokes, seconds, apart_s, every_s)):
        heard_from(audio, source, wave_of(source.rate, number), at, level, seed=number)
    return Scene(source, audio, tuple(strokes), least)


@case
def stick_clicks() -> Scene:
    """Sticks struck together between the strokes, as loud as ghost notes."""
    return _with_noises(foreign.wood, 0.0, every_s=0.35)


@case
def count_in() -> Scene:
    """Four clicks of the sticks before the song; nothing else before it."""
    source = bank(SMALL)
    strokes = [replace(stroke, time_s=stroke.time_s + 2.4) for stroke in groove(3)]
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    for number in range(4):
        at = 1.0 + 0.55 * number
        heard_from(audio, source, foreign.wood(source.rate, number), at, -14.0, seed=number)
    return Scene(source, audio, tuple(strokes), (0.97, 0.93))


@case
def dropped_stick() -> Scene:
    """A stick bounces on the floor, twice, while nothing is played, as loud as ghost notes."""
    source = bank(SMALL)
    strokes = groove(2)
    end = strokes[-1].time_s
    audio = compose(source, strokes, end + 5.0)
    for number in range(2):
        wave = foreign.dropped(source.rate, number)
        level = ghost_dbfs(source)
        heard_from(audio, source, wave, end + 1.0 + 2.0 * number, level, seed=number)
    return Scene(source, audio, tuple(strokes), (0.97, 0.9))


@case
def door() -> Scene:
    """A door falls shut, four times, 10 dB over a ghost note."""
    source = bank(SMALL)
    strokes = groove(2)
    end = strokes[-1].time_s
    audio = compose(source, strokes, end + 5.5)
    for number in range(4):
        wave = foreign.door(source.rate, number)
        level = ghost_dbfs(source) + 10.0
        heard_from(audio, source, wave, end + 1.0 + 1.1 * number, level, seed=number)
    return Scene(source, audio, tuple(strokes), (0.88, 0.9))


@case
def talking() -> Scene:
    """Somebody talks over nothing, then over the groove, as loud as ghost notes."""
    source = bank(SMALL)
    strokes = [replace(stroke, time_s=stroke.time_s + 4.0) for stroke in groove(3)]
    audio = compose(source, strokes, strokes[-1].time_s + 1.0)
    for number, at in enumerate((1.0, 6.0)):
        wave = foreign.voice(source.rate, 3.5, number)
        heard_from(audio, source, wave, at, ghost_dbfs(source), seed=number)
    return Scene(source, audio, tuple(strokes), (0.97, 0.9))


@case
def guitars_on_the_wires() -> Scene:
    """A loud guitar makes the wires rattle 12 dB under a ghost note; it bleeds everywhere."""
    source = bank(SMALL)
    strokes = groove()
    seconds = strokes[-1].time_s + 1.0
    audio = compose(source, strokes, seconds)
    wave = foreign.chords(source.rate, seconds - 1.5, 0.278)
    level = ghost_dbfs(source) - 6.0
    heard_from(audio, source, wave, 0.9, level)
    rattle = foreign.buzz(wave, source.rate)
    snare = source.kit.drum("snare").own
    heard_from(audio, source, rattle, 0.9, ghost_dbfs(source) - 12.0, near=snare)
    return Scene(source, audio, tuple(strokes), (0.97, 0.9))


@case
def loudspeakers() -> Scene:
    """The drums come back from loudspeakers 23 ms late and 16 dB down, with a bass."""
    source = bank(SMALL)
    strokes = groove()
    seconds = strokes[-1].time_s + 1.0
    audio = compose(source, strokes, seconds)
    close = sum(audio[:, source.kit.mic_index(source.kit.drum(d).own or "")] for d in JUDGED)
    late = round(0.023 * source.rate)
    back = sosfilt(butter(2, (60.0, 9000.0), "bandpass", fs=source.rate, output="sos"), close)
    level = 10.0 ** (-16.0 / 20.0)
    audio[late:] += (level * np.asarray(back)[:-late, None]).astype(np.float32)
    wave = foreign.bass(source.rate, seconds - 1.5, 0.278)
    heard_from(audio, source, wave, 1.0, ghost_dbfs(source) - 4.0)
    return Scene(source, audio, tuple(strokes), (0.93, 0.9))


@case
def headphone_click() -> Scene:
    """The drummer's metronome leaks into the snare microphone, as loud as a ghost note."""
    source = bank(SMALL)
    strokes = groove()
    seconds = strokes[-1].time_s + 1.0
    audio = compose(source, strokes, seconds)
    step = 15.0 / 108.0
    wave = foreign.clicks(source.rate, seconds - 1.2, 2 * step)
    snare = source.kit.drum("snare").own
    heard_from(audio, source, wave, 1.0 + step, ghost_dbfs(source), near=snare)
    return Scene(source, audio, tuple(strokes), (0.97, 0.8))
