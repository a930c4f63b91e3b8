"""An invented kit, snapshot and hits for the output tests."""

from __future__ import annotations

from dataclasses import replace

from liveassist.model import (
    Alert,
    BleedMargin,
    Drum,
    DrumFigures,
    Figures,
    Hit,
    HitMeasures,
    Kit,
    Mic,
    MicState,
    Prediction,
    Snapshot,
    Suggestion,
    Take,
)

KIT = Kit(
    "rehearsal kit",
    (
        Drum("kick", "kick", "kick_in"),
        Drum("snare", "snare", "snare_top"),
        Drum("hi hat", "hihat"),
    ),
    (Mic("kick_in", 1), Mic("snare_top", 2), Mic("snare_bottom", 3, of="snare"), Mic("left", 4)),
)

HIT = Hit(
    number=412,
    stage="early",
    drum="snare",
    sample=3_670_000,
    time_s=83.25,
    peak_dbfs=-9.5,
    heard_peak_dbfs=-9.25,
    confidence=0.75,
    velocity=104,
    role="main",
)
COMPLETE = replace(
    HIT,
    stage="complete",
    flags=("clipped",),
    measures=HitMeasures(note_hz=187.5, ring_s=0.5),
)
ALERT = Alert(
    key="uneven",
    start_s=80.0,
    end_s=None,
    when="between",
    severity="look",
    sentence="The snare is uneven.",
    drum="snare",
    value=3.25,
    unit="dB",
)
TAKE = Take("take 3", 41.5, provisional=False)
SUGGESTION = Suggestion(
    threshold_dbfs=-24.5,
    hysteresis_db=3.0,
    range_db=12.0,
    ratio=3.5,
    knee_db=4.0,
    attack_ms=0.2,
    hold_ms=60.0,
    release_ms=140.0,
    lookahead_ms=1.0,
    key_highpass_hz=None,
    key_lowpass_hz=None,
    predicted=Prediction(0.98, (0.9, 1.0), 4.0, 11.2, (10.0, 12.0), 1.0, (0.0, 3.0), 0.2, 40),
)
FIGURES = Figures(
    start_s=0.0,
    end_s=83.0,
    drums={
        "kick": DrumFigures("kick", hits=3),
        "snare": DrumFigures(
            "snare", hits=64, main_hits=48, median_dbfs=-9.8, spread_db=1.44, spread_ci=(1.1, 1.9)
        ),
    },
    bleed_db={"snare_top": {"kick": -23.4}, "kick_in": {"snare": None}},
    bleed_dbfs={"snare_top": {"hi hat": -31.0}},
    bleed_upper_bound=("snare_top.kick",),
    bleed_margin={"snare_top": BleedMargin(12.4, 17.0, "hi hat")},
    unmeasured={"drums.kick.main.spread_db": "3 hits, 8 needed"},
)
SNAPSHOT = Snapshot(
    time_s=83.2,
    sample_rate_hz=48000.0,
    kit=KIT,
    mics=tuple(MicState(mic.name, -21.5, -8.9, -38.0, 0) for mic in KIT.mics),
    figures=FIGURES,
    recent={"snare": (HIT,)},
    expander={"snare_top": SUGGESTION, "kick_in": None},
    expander_reason={"kick_in": "3 hits, 20 needed"},
    alerts=(ALERT,),
    take=TAKE,
    takes_done=2,
    source="simulated session",
)
