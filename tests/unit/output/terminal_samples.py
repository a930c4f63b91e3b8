"""Hand-made snapshots for the dashboard tests: an invented kit, session and names."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from liveassist.model import (
    Alert,
    BleedMargin,
    Change,
    Drum,
    DrumFigures,
    Figures,
    Hit,
    Kit,
    Mic,
    MicState,
    OutputState,
    Prediction,
    Role,
    SessionRecord,
    Snapshot,
    Suggestion,
    Take,
    TakeLine,
    TakeRecord,
)

MIC_NAMES = (
    "kick_in",
    "snare_top",
    "snare_bottom",
    "tom_rack",
    "tom_floor",
    "hat",
    "over_left",
    "over_right",
)
KIT = Kit(
    name="Blue attic",
    drums=(
        Drum("snare", "snare", "snare_top", 14.0, 10),
        Drum("kick", "kick", "kick_in", 22.0),
        Drum("tom_floor", "tom", "tom_floor"),
        Drum("hat", "hihat", "hat"),
    ),
    mics=tuple(
        Mic(name, i + 1, of="snare" if name == "snare_bottom" else None)
        for i, name in enumerate(MIC_NAMES)
    ),
)


def hit(number: int, drum: str, level_dbfs: float | None, role: Role = "main", *flags: str) -> Hit:
    """One finished hit, a half second after the one before."""
    return Hit(
        number=number,
        stage="complete",
        drum=drum,
        sample=number * 24000,
        time_s=number * 0.5,
        peak_dbfs=level_dbfs,
        heard_peak_dbfs=level_dbfs,
        confidence=0.95,
        role=role,
        flags=flags,
    )


def snare_hits(count: int = 64) -> tuple[Hit, ...]:
    """A groove: backbeats about −12, ghosts about −31, a few weak, one clipped."""
    dice = random.Random(5)
    hits = []
    for i in range(count):
        role: Role = "main"
        value = dice.gauss(-11.5, 1.3)
        if i % 3 == 1:
            role, value = "ghost", dice.gauss(-31.0, 2.0)
        elif i % 17 == 9:
            role, value = "weak", dice.gauss(-18.5, 0.7)
        elif i % 23 == 5:
            role, value = "flam", dice.gauss(-10.5, 0.7)
        elif i % 29 == 3:
            role, value = "rim_click", dice.gauss(-20.0, 0.7)
        flags = ("clipped",) if i == 48 else ()
        hits.append(hit(i, "snare", 0.0 if flags else value, role, *flags))
    return tuple(hits)


def kick_hits(count: int = 64) -> tuple[Hit, ...]:
    """An even kick about −8."""
    dice = random.Random(6)
    return tuple(hit(i, "kick", dice.gauss(-8.0, 1.0)) for i in range(count))


SUGGESTION = Suggestion(
    -22.5, 4.0, 12.0, 3.5, 6.0, 0.5, 60.0, 120.0, 2.0, 180.0, 5200.0,
    Prediction(0.98, (0.95, 1.0), 4.1, 11.2, (10.0, 12.1), 1.5, (0.5, 3.0), 0.12, 96),
)  # fmt: skip


def figures() -> Figures:
    """Rolling figures that go with the hits above."""
    return Figures(
        start_s=100.0,
        end_s=205.0,
        drums={
            "snare": DrumFigures(
                "snare", 214, 118, -11.6, 1.9, (1.5, 2.5), 3.1, -14.0, -9.8, -0.8, (-1.3, -0.3),
                6, 0.05, 84, -31.0, 19.4, 187.3, 0.42, 0.9, 1,
            ),
            "kick": DrumFigures(
                "kick", 302, 302, -8.0, 1.1, (0.9, 1.4), 1.8, -9.4, -6.7, 0.1, (-0.2, 0.4),
                note_hz=58.4, ring_s=0.31, weak_share=0.0,
            ),
        },
        bleed_db={"snare_top": {"kick": -14.0, "hat": -11.0}},
        bleed_dbfs={},
        bleed_upper_bound=(),
        bleed_margin={
            "snare_top": BleedMargin(14.2, 21.0, "hat", {"hat": 14.2, "kick": 17.5}),
            "kick_in": BleedMargin(22.6, 30.1, "snare"),
        },
        unmeasured={},
    )  # fmt: skip


ALERTS = (
    Alert(
        "clipping", 198.0, None, "now", "stop",
        "snare_top clipped on 1 hit: turn its preamp down by 4 dB.", "snare", "snare_top", 1, "hit",
    ),
    Alert(
        "level_falling", 171.0, None, "between", "look",
        "The snare has come down 1.2 dB since the take began.", "snare", None, -1.2, "dB",
    ),
    Alert(
        "bleed_up", 60.0, 92.0, "between", "look",
        "The hi-hat was 3 dB louder in snare_top than at the start.", "snare", "snare_top", 3, "dB",
    ),
)  # fmt: skip

OUTPUTS = (
    OutputState("tablet", "osc", "ok", 12840, 0, 3200.0, "127.0.0.1 port 9000"),
    OutputState("pads", "midi", "down", 812, 3, None, "port vanished"),
    OutputState("store", "store", "ok", 516),
)


def mics(names: tuple[str, ...] = MIC_NAMES) -> tuple[MicState, ...]:
    """Meters somewhere between soft and loud; the second has just clipped, the last is dead."""
    out = []
    for i, name in enumerate(names):
        peak = -8.0 - 37.0 * (0.5 + 0.5 * math.sin(i * 1.7))
        out.append(MicState(name, peak, min(0.0, peak + 5.0), peak - 14.0, 0))
    if len(out) > 1:
        out[1] = replace(out[1], hold_dbfs=0.0, clipped=3, clip_age_s=4.0)
    if len(out) > 7:
        out[-1] = replace(out[-1], peak_dbfs=-200.0, hold_dbfs=-200.0, fault="dead")
    return tuple(out)


def full() -> Snapshot:
    """Everything there is to show at once."""
    return Snapshot(
        time_s=204.6,
        sample_rate_hz=48000.0,
        kit=KIT,
        mics=mics(),
        figures=figures(),
        recent={"snare": snare_hits(), "kick": kick_hits()},
        expander={"snare_top": SUGGESTION, "kick_in": replace(SUGGESTION, threshold_dbfs=-19.0),
                  "tom_floor": None},
        expander_reason={"tom_floor": "3 hits, 12 needed"},
        alerts=ALERTS,
        take=Take("take 3", 70.2, None, provisional=False),
        takes_done=2,
        outputs=OUTPUTS,
        lost_samples=0,
        sureness=0.97,
        learned="blue-attic.learned.json",
        source="simulated",
        load=0.07,
        changes=(
            Change("head_pitch", -18.0, "cents", (-24.0, -12.0), 0.97,
                   "The snare head is 18 cents flat against take 1.", "snare"),
        ),
        takes=take_lines(),
    )  # fmt: skip


def take_lines(count: int = 3) -> tuple[TakeLine, ...]:
    """Takes of half a minute, the last one running: evener from one to the next."""
    lines = []
    for number in range(1, count + 1):
        start_s, spread = 35.0 * (number - 1) + 0.2, 3.0 / number
        lines.append(
            TakeLine(
                f"take {number}",
                start_s,
                start_s + 30.0,
                provisional=False,
                reference=number == 1,
                spread_db={"snare": spread, "kick": 1.2},
                spread_ci={"snare": (0.8 * spread, 1.3 * spread), "kick": (0.9, 1.6)},
                weak_hits=number - 1,
                changes=("The snare head is 18 cents flat against take 1.",) if number == 2 else (),
                starred=number == 2,
                note="fill too early" if number == 2 else "",
            )
        )
    lines[-1] = replace(lines[-1], end_s=None, spread_db={}, spread_ci={}, weak_hits=0)
    return tuple(lines)


def calm() -> Snapshot:
    """A good take: nothing wrong."""
    base = full()
    return replace(
        base,
        alerts=(),
        mics=tuple(replace(m, clipped=0, clip_age_s=None, fault=None) for m in base.mics),
        outputs=tuple(replace(o, state="ok", dropped=0) for o in base.outputs),
    )


def empty(kit: Kit = KIT) -> Snapshot:
    """The first moment: nothing heard yet."""
    return Snapshot(
        time_s=0.0,
        sample_rate_hz=48000.0,
        kit=kit,
        mics=tuple(MicState(mic.name, -200.0, -200.0, -200.0, 0) for mic in kit.mics),
        figures=Figures(0.0, 0.0, {}, {}, {}, (), {}, {}),
        recent={},
        expander={},
        expander_reason={},
        alerts=(),
        take=None,
    )


def no_drums() -> Snapshot:
    """A kit with nothing to judge and no microphone."""
    return empty(Kit("Bare room", (), ()))


def huge() -> Snapshot:
    """Figures far beyond what is sensible, and some that are not numbers."""
    base = full()
    wild = DrumFigures(
        "snare", 10**12, 10**12, -1e9, 1e12, (-1e9, math.inf), math.nan, math.nan, math.inf,
        1e9, (1e8, 1e10), 10**15, 1.0, 10**18, -math.inf, 1e300, 1e200, 1e100, -1e50, 10**9,
    )  # fmt: skip
    wild_spread = {"snare": math.nan, "kick": 1e300}
    return replace(
        base,
        time_s=1e12,
        takes=tuple(
            replace(line, start_s=-1e300, end_s=math.inf, spread_db=wild_spread)
            for line in take_lines(500)
        ),
        figures=replace(base.figures, drums={"snare": wild}),
        mics=tuple(
            replace(m, peak_dbfs=math.inf, hold_dbfs=math.nan, clipped=10**14) for m in base.mics
        ),
        recent={
            "snare": tuple(
                hit(i, "snare", value, "main")
                for i, value in enumerate((1e300, -1e300, math.nan, math.inf, -math.inf, None, 3.0))
            )
        },
        lost_samples=10**15,
        outputs=tuple(replace(o, sent=10**18, dropped=10**17, bytes_per_s=1e30) for o in OUTPUTS),
        load=1e9,
        sureness=math.nan,
        takes_done=10**9,
    )


def long_names() -> Snapshot:
    """Names and sentences that cannot fit, in several scripts, and with control characters."""
    long = "スネア太鼓の上側マイクロホン" * 4
    odd = "e\u0301te\u0301 \x1b[31mred\x07\nnext\u202eline\u200d 👩‍🔧 " + "x" * 120
    kit = Kit(
        long,
        (Drum(odd, "snare", odd), Drum(long, "kick", long)),
        (Mic(odd, 1), Mic(long, 2), Mic("", 3)),
    )
    base = full()
    return replace(
        base,
        kit=kit,
        takes=tuple(replace(line, name=odd, note=long, song=odd) for line in take_lines()),
        mics=mics((odd, long, "")),
        recent={odd: snare_hits(), long: kick_hits()},
        expander={odd: SUGGESTION, long: None},
        expander_reason={long: odd},
        alerts=tuple(replace(a, sentence=odd + long, drum=odd, mic=long) for a in ALERTS * 9),
        take=Take(odd + long, 0.0, None, provisional=False),
        outputs=tuple(replace(o, name=long, note=odd) for o in OUTPUTS),
        source=odd,
        learned=long,
        changes=tuple(replace(c, sentence=odd * 5) for c in base.changes),
    )


def many_mics(count: int = 32) -> Snapshot:
    """As many microphones as a large session has."""
    names = tuple(f"mic_{i + 1}" if i % 3 else f"tom_{i + 1}_under" for i in range(count))
    kit = replace(KIT, mics=tuple(Mic(name, i + 1) for i, name in enumerate(names)))
    return replace(full(), kit=kit, mics=mics(names))


def record() -> SessionRecord:
    """A finished session of two takes."""
    base = full()
    return SessionRecord(
        kit=KIT,
        sample_rate_hz=48000.0,
        duration_s=204.6,
        hits=snare_hits(),
        figures=figures(),
        takes=(
            TakeRecord(Take("take 1", 4.0, 66.0, False), figures(), (), True),
            TakeRecord(Take("take 2", 70.2, 200.0, False), figures(), base.changes),
        ),
        alerts=ALERTS,
        expander=base.expander,
        expander_reason=base.expander_reason,
        learned=base.learned,
    )
