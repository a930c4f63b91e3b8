"""An invented session, written by the code that writes real ones: two takes, snare and kick.

The drummer tires in the second take; one backbeat falls short; the snare goes 30 cents flat.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from liveassist.app.config import parse_kit
from liveassist.app.sessionfiles import SessionFiles
from liveassist.model import (
    Alert,
    Change,
    Hit,
    HitMeasures,
    Kit,
    Prediction,
    Role,
    SessionRecord,
    Suggestion,
    Take,
    TakeRecord,
)
from liveassist.rolling.figures import figures

RATE = 48_000
KIT = """
[kit]
name = "cellar <one>"
[[drum]]
name = "kick"
kind = "kick"
own = "kick_in"
[[drum]]
name = "snare"
kind = "snare"
own = "snare_top"
head_diameter_in = 14
lugs = 10
[[drum]]
name = "hihat"
kind = "hihat"
[[mic]]
name = "kick_in"
channel = 1
track_offset_db = -6.0
[[mic]]
name = "snare_top"
channel = 2
[[mic]]
name = "snare_bottom"
channel = 3
of = "snare"
[[mic]]
name = "over"
channel = 4
"""
#: Quarters at 120 beats a minute: kick on one and three, snare on two and four, ghosts between.
BEAT_S = 0.5
TAKES = (("verse & chorus", 2.0, 42.0), ("again", 50.0, 90.0))
WEAK_S = 50.0 + 61 * BEAT_S


def kit() -> Kit:
    return parse_kit(KIT, "the invented kit")


def _levels(drum: str, peak: float, mics: Kit) -> tuple[float, ...]:
    own = {"kick": "kick_in", "snare": "snare_top"}[drum]
    return tuple(peak if mic.name == own else peak - 18.0 for mic in mics.mics)


def _hit(number: int, time_s: float, drum: str, peak: float, role: Role, cents: float) -> Hit:
    take = next((name for name, start, end in TAKES if start <= time_s < end), None)
    note = {"kick": 55.0, "snare": 190.0}[drum] * 2.0 ** (cents / 1200.0)
    measured = HitMeasures(note_hz=note, ring_s=0.3, attack_ms=2.0)
    return Hit(
        number, "complete", drum, round(time_s * RATE), time_s, peak, peak + 0.2, 0.95,
        velocity=100 if role == "main" else 30, role=role, take=take,
        flags=("clipped",) if peak >= 0.0 else (),
        mic_dbfs=_levels(drum, peak, kit()), mic_bound=(False,) * 4,
        measures=measured if role == "main" else None,
    )  # fmt: skip


def hits() -> list[Hit]:
    rng = np.random.default_rng(9)
    found: list[Hit] = []
    for number, (_, start, end) in enumerate(TAKES):
        spread = (0.6, 1.8)[number]
        for beat in range(int((end - start) / BEAT_S)):
            at = start + beat * BEAT_S
            drum = "snare" if beat % 2 else "kick"
            weak = abs(at - WEAK_S) < 1e-9
            peak = -8.0 + float(rng.normal(0.0, spread)) - (11.0 if weak else 0.0)
            cents = (0.0, -30.0)[number] if drum == "snare" else 0.0
            found.append(
                _hit(len(found), at, drum, min(peak, 0.0), "weak" if weak else "main", cents)
            )
            if beat % 4 == 2:
                ghost = -27.0 + float(rng.normal(0.0, 1.5))
                found.append(_hit(len(found), at + 0.25, "snare", ghost, "ghost", 0.0))
    return found


SUGGESTION = Suggestion(
    threshold_dbfs=-18.0, hysteresis_db=3.0, range_db=12.0, ratio=3.5, knee_db=3.0, attack_ms=0.5,
    hold_ms=40.0, release_ms=90.0, lookahead_ms=2.0, key_highpass_hz=None, key_lowpass_hz=None,
    predicted=Prediction(0.98, (0.93, 1.0), 8.1, 11.2, (10.5, 11.9), 0.6, (0.1, 1.9), 0.11, 78),
)  # fmt: skip


def record() -> SessionRecord:
    found, drums = hits(), kit()
    whole = figures(drums, found, 0.0, 100.0)
    flat = Change(
        "head_pitch", -30.0, "cents", (-35.0, -25.0), 0.97,
        "The snare head is 30 cents flat of the reference: check the lugs.", drum="snare",
    )  # fmt: skip
    alert = Alert(
        "dead_mic", 60.0, 72.0, "now", "stop", "over <left> went silent: check its cable.",
        mic="over", value=22.0, unit="hits",
    )  # fmt: skip
    takes = [
        TakeRecord(Take(name, start, end, False), figures(drums, found, start, end))
        for name, start, end in TAKES
    ]
    takes[1] = replace(takes[1], changes=(flat,))
    return SessionRecord(
        kit=drums, sample_rate_hz=RATE, duration_s=95.0, hits=tuple(found), figures=whole,
        takes=tuple(takes), alerts=(alert,),
        expander={
            "kick_in": SUGGESTION,
            "snare_top": replace(SUGGESTION, key_highpass_hz=300.0),
            "over": None,
        },
        expander_reason={"over": "overheads get no expander"},
        unmeasured=whole.unmeasured,
    )  # fmt: skip


def write_session(folder: Path) -> Path:
    """The session as files in ``folder``."""
    SessionFiles(folder).write(record())
    return folder
