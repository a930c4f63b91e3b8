"""A small invented session: decaying tones for drums, bleed at a stated level, noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liveassist.advise.history import LevelHistory
from liveassist.measure.levelframes import LevelMeter
from liveassist.model import Block, Drum, Hit, Kit, Mic, Role

FS = 44100
KIT = Kit(
    "invented",
    (
        Drum("kick", "kick", "kick"),
        Drum("snare", "snare", "top"),
        Drum("tom", "tom", "tom"),
        Drum("hat", "hihat"),
    ),
    (
        Mic("kick", 1),
        Mic("top", 2),
        Mic("bottom", 3, of="snare"),
        Mic("tom", 4),
        Mic("over", 5),
    ),
)
#: Frequency and decay time constant of each drum.
VOICES = {"kick": (60.0, 0.05), "snare": (400.0, 0.04), "tom": (110.0, 0.1), "hat": (8000.0, 0.02)}


def stroke(drum: str, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """One hit of peak 1: a decaying tone, with a little of its own noise."""
    hz, decay = VOICES[drum]
    t = np.arange(int(0.35 * FS)) / FS
    out = np.exp(-t / decay) * (
        np.sin(2 * np.pi * hz * t) + 0.1 * rng.standard_normal(t.size) * np.exp(-t / 0.01)
    )
    return np.asarray(out / np.abs(out).max())


def session(
    bars: int = 12,
    main_dbfs: float = -6.0,
    spread_db: float = 1.0,
    ghost_dbfs: float = -24.0,
    bleed_db: dict[str, float] | None = None,
    seed: int = 1,
) -> tuple[npt.NDArray[np.float32], list[Hit]]:
    """Rock beat at 120 beats a minute. ``bleed_db``: level of each drum in the snare microphones
    relative to its own stroke. Kick, snare on 2 and 4, ghosts, hats on eighths."""
    rng = np.random.default_rng(seed)
    bleed = {"kick": -36.0, "hat": -36.0, "tom": -40.0, **(bleed_db or {})}
    beat = FS // 2
    audio = 0.0001 * rng.standard_normal(((4 * bars + 1) * beat, len(KIT.mics)))
    hits: list[Hit] = []

    def play(drum: str, at: float, level: float, role: Role) -> None:
        start = int(at * beat) + 2000 + int(rng.integers(-300, 300))
        wave = stroke(drum, rng) * 10 ** (level / 20)
        for column, mic in enumerate(KIT.mics):
            own = mic.name == KIT.drum(drum).own or mic.of == drum
            loss = 0.0 if own else bleed[drum] if mic.name in ("top", "bottom") else -36.0
            audio[start : start + wave.size, column] += wave[: len(audio) - start] * 10 ** (
                loss / 20
            )
        hits.append(
            Hit(len(hits), "complete", drum, start, start / FS, level, level, 1.0, role=role)
        )

    for bar in range(bars):
        for at in (0.0, 2.0, 2.5):
            play("kick", 4 * bar + at, -4.0 + rng.normal(0, 0.5), "main")
        for at in (1.0, 3.0):
            play("snare", 4 * bar + at, main_dbfs + rng.normal(0, spread_db), "main")
        play("snare", 4 * bar + 1.75, ghost_dbfs + rng.normal(0, 1.5), "ghost")
        for at in np.arange(0.0, 4.0, 0.5):
            play("hat", 4 * bar + float(at), -6.0 + rng.normal(0, 1.0), "unsure")
    return audio.astype(np.float32), hits


def history(
    audio: npt.NDArray[np.float32], seconds: float = 300.0, first_sample: int = 0
) -> LevelHistory:
    """Level frames of ``audio`` as the daemon would keep them."""
    meter, levels = LevelMeter(KIT, FS), LevelHistory(KIT, FS, seconds)
    for start in range(0, len(audio), 16384):
        frames = meter.feed(Block(first_sample + start, audio[start : start + 16384]))
        if frames is not None:
            levels.add(frames)
    last = meter.flush()
    if last is not None:
        levels.add(last)
    return levels
