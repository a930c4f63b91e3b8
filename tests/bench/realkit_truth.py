"""Recorded drums with exact truth, as hits and level frames; for tests and tables.

The recordings are not part of this repository: `folder` finds them by the environment variable
LIVEASSIST_REALKIT or beside the repository, and callers say so when there are none.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from liveassist.model import Audio, Drum, DrumKind, Hit, Kit, Mic, Role

REPOSITORY = Path(__file__).resolve().parents[2]
MISSING = (
    "the recorded drums are absent: set LIVEASSIST_REALKIT to their folder, "
    "or put it at ../shared/realkit beside the repository"
)
SESSIONS = ("a_groove", "a_blast", "a_hardbleed", "a_fewmics", "a_takes")
KINDS: dict[str, DrumKind] = {
    "kick": "kick",
    "snare": "snare",
    "hihat": "hihat",
    "cymbal": "cymbal",
    "tom_high": "tom",
    "tom_floor": "tom",
}
ROLES: dict[str, Role] = {"main": "main", "ghost": "ghost", "fill": "main"}


@dataclass(frozen=True)
class Session:
    """One recording: audio (frames, mics), its kit, and the true hits in time order."""

    name: str
    kit: Kit
    sample_rate_hz: int
    audio: Audio
    hits: tuple[Hit, ...]
    truth_role: tuple[str, ...]
    takes: tuple[dict[str, Any], ...]


def folder() -> Path | None:
    """Where the recordings are, or None."""
    named = os.environ.get("LIVEASSIST_REALKIT")
    found = Path(named) if named else REPOSITORY.parent / "shared" / "realkit"
    return found if (found / "a_groove.csv").is_file() else None


def make_kit(facts: dict[str, Any], drums: Sequence[str]) -> Kit:
    """The kit profile that fits a recording's description."""
    own: dict[str, str] = facts["own"]
    return Kit(
        name="recorded",
        drums=tuple(Drum(name, KINDS[name], own.get(name)) for name in sorted({*own, *drums})),
        mics=tuple(
            Mic(mic, index + 1, of="snare" if mic == "snare_bottom" else None)
            for index, mic in enumerate(facts["mics"])
        ),
    )


def load(name: str) -> Session:
    """Session ``name``; call only where `folder` is not None."""
    where = folder()
    assert where is not None, MISSING
    facts = json.loads((where / f"{name}.json").read_text())
    with (where / f"{name}.csv").open() as file:
        rows = list(csv.DictReader(file))
    audio, rate = soundfile.read(where / f"{name}.flac", dtype="float32", always_2d=True)
    kit = make_kit(facts, [row["drum"] for row in rows])
    mics = [mic.name for mic in kit.mics]
    hits = []
    for number, row in enumerate(sorted(rows, key=lambda r: float(r["time_s"]))):
        levels = tuple(float(row[f"peak_db_{mic}"]) for mic in mics)
        own = kit.drum(row["drum"]).own
        peak = levels[mics.index(own)] if own is not None else None
        hits.append(
            Hit(
                number=number,
                stage="complete",
                drum=row["drum"],
                sample=round(float(row["time_s"]) * rate),
                time_s=float(row["time_s"]),
                peak_dbfs=peak,
                heard_peak_dbfs=peak,
                confidence=1.0,
                role=ROLES.get(row["role"], "unsure"),
                mic_dbfs=levels,
            )
        )
    roles = tuple(row["role"] for row in sorted(rows, key=lambda r: float(r["time_s"])))
    return Session(name, kit, rate, audio, tuple(hits), roles, tuple(facts.get("takes", ())))


def perturb(
    hits: Sequence[Hit],
    seed: int,
    missed: float = 0.02,
    invented: float = 0.01,
    level_sd_db: float = 0.5,
    time_sd_ms: float = 0.3,
    role_errors: float = 0.01,
) -> tuple[Hit, ...]:
    """What a good but imperfect detector would have reported: misses, false hits, small errors."""
    rng = np.random.default_rng(seed)
    rate = hits[-1].sample / hits[-1].time_s
    out: list[Hit] = []
    for hit in hits:
        if rng.random() < missed:
            continue
        shift = round(rng.normal(0.0, time_sd_ms) * rate / 1000.0)
        sample = max(0, hit.sample + shift)
        role: Role = hit.role
        if rng.random() < role_errors and role in ("main", "ghost"):
            role = "ghost" if role == "main" else "main"
        level = None if hit.peak_dbfs is None else hit.peak_dbfs + rng.normal(0.0, level_sd_db)
        out.append(replace(hit, sample=sample, time_s=sample / rate, role=role, peak_dbfs=level))
    for index in range(round(invented * len(hits))):
        model = hits[int(rng.integers(len(hits)))]
        sample = int(rng.integers(hits[-1].sample))
        out.append(replace(model, number=len(hits) + index, sample=sample, time_s=sample / rate))
    return tuple(sorted(out, key=lambda hit: hit.sample))
