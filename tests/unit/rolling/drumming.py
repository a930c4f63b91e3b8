"""An invented kit, invented drumming, and the recorded drums' truth where they are at hand."""

from __future__ import annotations

import csv
import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from liveassist.model import Drum, DrumKind, Hit, Kit, Mic, Role

KIT = Kit(
    "rehearsal kit",
    (
        Drum("kick", "kick", "kick_in"),
        Drum("snare", "snare", "snare_top"),
        Drum("hats", "hihat", "hats_mic"),
        Drum("crash", "cymbal"),
    ),
    (
        Mic("kick_in", 1),
        Mic("snare_top", 2),
        Mic("snare_under", 3, of="snare"),
        Mic("hats_mic", 4),
        Mic("over", 5),
    ),
)
#: How loud each drum is in each microphone against its own, dB (invented).
BLEED = {
    "kick": (0.0, -40.0, -35.0, -45.0, -25.0),
    "snare": (-42.0, 0.0, -3.0, -30.0, -15.0),
    "hats": (-50.0, -28.0, -32.0, 0.0, -12.0),
}

FloatArray = npt.NDArray[np.float64]


def hit(
    number: int,
    drum: str,
    time_s: float,
    level: float | None,
    role: Role = "unsure",
    flags: tuple[str, ...] = (),
    jitter: FloatArray | None = None,
    bound: tuple[bool, ...] = (),
) -> Hit:
    """A complete hit, with its bleed in every microphone (plus ``jitter`` dB)."""
    levels: tuple[float | None, ...] = ()
    heard: tuple[float, ...] = ()
    if level is not None:
        shift = np.zeros(len(KIT.mics)) if jitter is None else jitter
        levels = tuple(
            level + b + (float(j) if b else 0.0) for b, j in zip(BLEED[drum], shift, strict=True)
        )
        # What is heard is a little more than the hit alone.
        heard = tuple(max((v if v is not None else -80.0) + 0.5, -80.0) for v in levels)
    return Hit(
        number=number,
        stage="complete",
        drum=drum,
        sample=round(time_s * 48_000),
        time_s=time_s,
        peak_dbfs=level,
        heard_peak_dbfs=level,
        confidence=1.0,
        role=role,
        flags=flags,
        mic_dbfs=levels,
        mic_heard_dbfs=heard,
        mic_bound=bound or (False,) * len(levels),
    )


def song(
    seed: int,
    seconds: float,
    *,
    spread_db: float = 1.5,
    chorus_db: float = 4.0,
    bpm: float = 118.0,
    level_dbfs: float = -12.0,
    per_minute_db: float = 0.0,
) -> list[Hit]:
    """A rock beat with ghost notes: snare on two and four, kick, hi-hat; every thirty seconds
    verse and chorus change, every four minutes playing pauses for fifteen seconds."""
    rng = np.random.default_rng(seed)
    sixteenth = 15.0 / bpm
    rows: list[tuple[float, str, float]] = []
    for step in range(int(seconds / sixteenth)):
        time = 1.0 + step * sixteenth
        if time % 240.0 > 225.0:
            continue
        base = level_dbfs + chorus_db * (int(time % 240.0 / 30.0) % 2)
        base += per_minute_db * time / 60.0
        place = step % 16
        if place in (4, 12):
            rows.append((time, "snare", base + spread_db * rng.normal()))
        elif place in (3, 7, 9, 14) and rng.random() < 0.5:
            rows.append((time, "snare", base - 20.0 + 3.5 * rng.normal()))
        if place in (0, 6, 10) or (place == 13 and rng.random() < 0.3):
            rows.append((time, "kick", base + 1.0 + spread_db * rng.normal()))
        if place % 2 == 0:
            rows.append((time, "hats", base - 8.0 + 2.0 * rng.normal()))
    out = []
    for number, (time, drum, level) in enumerate(rows):
        moved = time + 0.008 * float(rng.normal())
        jitter = 1.5 * rng.normal(size=len(KIT.mics))
        out.append(hit(number, drum, moved, min(level, -0.3), jitter=jitter))
    return sorted(out, key=lambda h: h.time_s)


# --- recorded drums ------------------------------------------------------------------------

_REPOSITORY = Path(__file__).resolve().parents[3]
SESSIONS = ("a_groove", "a_hardbleed", "a_takes", "a_fewmics", "a_blast")
_KINDS: dict[str, DrumKind] = {"tom_high": "tom", "tom_floor": "tom", "hihat": "hihat"}


@dataclass(frozen=True)
class Truth:
    """What was really played: hits with true levels in every microphone, and their true roles."""

    kit: Kit
    hits: tuple[Hit, ...]
    roles: tuple[str, ...]

    def of(self, drum: str) -> tuple[FloatArray, FloatArray, list[str]]:
        """Times, own levels and roles of one drum's hits."""
        rows = [(h, r) for h, r in zip(self.hits, self.roles, strict=True) if h.drum == drum]
        times = np.array([h.time_s for h, _ in rows])
        levels = np.array([h.peak_dbfs for h, _ in rows], dtype=np.float64)
        return times, levels, [r for _, r in rows]


def truth(session: str) -> Truth:
    """The truth of a recorded session; skips the test, with the reason, where it is absent."""
    named = os.environ.get("LIVEASSIST_REALKIT")
    folder = Path(named) if named else _REPOSITORY.parent / "shared" / "realkit"
    if not (folder / f"{session}.csv").is_file():
        pytest.skip(
            f"no recorded drums at {folder}: set LIVEASSIST_REALKIT to the folder that holds them"
        )
    facts = json.loads((folder / f"{session}.json").read_text())
    with (folder / f"{session}.csv").open() as file:
        rows = sorted(csv.DictReader(file), key=lambda row: float(row["time_s"]))
    mics: list[str] = facts["mics"]
    own: dict[str, str] = facts["own"]
    names = ["kick", "snare", *sorted({row["drum"] for row in rows} - {"kick", "snare"})]
    kinds: dict[str, DrumKind] = {"kick": "kick", "snare": "snare", "cymbal": "cymbal", **_KINDS}
    kit = Kit(
        "recorded",
        tuple(Drum(name, kinds[name], own.get(name)) for name in names),
        tuple(
            Mic(mic, i + 1, of="snare" if mic == "snare_bottom" else None)
            for i, mic in enumerate(mics)
        ),
    )
    hits = []
    for number, row in enumerate(rows):
        levels = tuple(float(row[f"peak_db_{mic}"]) for mic in mics)
        mic = own.get(row["drum"])
        peak = None if mic is None else levels[mics.index(mic)]
        time = float(row["time_s"])
        hits.append(
            Hit(
                number=number,
                stage="complete",
                drum=row["drum"],
                sample=round(time * 44_100),
                time_s=time,
                peak_dbfs=peak,
                heard_peak_dbfs=peak,
                confidence=1.0,
                mic_dbfs=levels,
                mic_heard_dbfs=tuple(level + 0.5 for level in levels),
                mic_bound=(False,) * len(levels),
            )
        )
    return Truth(kit, tuple(hits), tuple(row["role"] for row in rows))
