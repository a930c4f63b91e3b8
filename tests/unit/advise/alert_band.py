"""An invented kit and drummer for the alert tests, run through the rolling figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from liveassist.advise.alerts import Alerts
from liveassist.model import Alert, Drum, Hit, Kit, Mic
from liveassist.rolling.tracker import Rolling
from liveassist.steps import at_once

KIT = Kit(
    "rehearsal kit",
    (
        Drum("kick", "kick", "kick_in"),
        Drum("snare", "snare", "snare_top"),
        Drum("hats", "hihat", "hats_mic"),
    ),
    (Mic("kick_in", 1), Mic("snare_top", 2), Mic("hats_mic", 3), Mic("over", 4)),
)
BLEED = {
    "kick": (0.0, -40.0, -45.0, -25.0),
    "snare": (-42.0, 0.0, -30.0, -15.0),
    "hats": (-50.0, -28.0, 0.0, -12.0),
}


def song(
    seed: int,
    seconds: float,
    *,
    spread_db: float = 1.5,
    chorus_db: float = 4.0,
    snare_dbfs: float = -12.0,
    snare_per_minute_db: float = 0.0,
    from_s: float = 0.0,
) -> list[Hit]:
    """118 a minute, ghost notes, verse and chorus by turns of thirty seconds, phrases that swell
    by half a decibel, a pause of fifteen seconds every four minutes."""
    rng = np.random.default_rng(seed)
    sixteenth, phrase, rows = 15.0 / 118.0, 0.0, []
    for step in range(int(seconds / sixteenth)):
        time = 1.0 + step * sixteenth
        phrase = 0.9 * phrase + 0.25 * float(rng.normal())
        if time % 240.0 > 225.0:
            continue
        place = step % 16
        base = phrase + chorus_db * (int(time % 240.0 / 30.0) % 2)
        snare = base + snare_dbfs + snare_per_minute_db * max(time - from_s, 0.0) / 60.0
        if place in (4, 12):
            rows.append((time, "snare", snare + spread_db * float(rng.normal())))
        elif place in (3, 7, 9, 14) and rng.random() < 0.5:
            rows.append((time, "snare", snare - 20.0 + 3.5 * float(rng.normal())))
        if place in (0, 6, 10):
            rows.append((time, "kick", base - 11.0 + spread_db * float(rng.normal())))
        if place % 2 == 0:
            rows.append((time, "hats", base - 20.0 + 2.0 * float(rng.normal())))
    hits = []
    for number, (time, drum, raw) in enumerate(rows):
        level = min(raw, -0.3)
        shift = 1.5 * rng.normal(size=4)
        mics = tuple(
            level + b + (float(s) if b else 0.0) for b, s in zip(BLEED[drum], shift, strict=True)
        )
        moved = time + 0.008 * float(rng.normal())
        hits.append(
            Hit(
                number=number,
                stage="complete",
                drum=drum,
                sample=round(moved * 48_000),
                time_s=moved,
                peak_dbfs=level,
                heard_peak_dbfs=level,
                confidence=1.0,
                mic_dbfs=mics,
                mic_heard_dbfs=tuple(max(m, -75.0) for m in mics),
                mic_bound=(False,) * 4,
            )
        )
    return sorted(hits, key=lambda h: h.time_s)


def run(
    hits: Iterable[Hit],
    *,
    every_s: float = 2.0,
    on_tick: Callable[[Alerts, float], None] | None = None,
) -> tuple[Alerts, list[Alert]]:
    """Play hits through the rolling figures and the alerts; all alerts that began or ended."""
    rolling, alerts = Rolling(KIT, 48_000), Alerts(KIT)
    events: list[Alert] = []
    tick = every_s
    for hit in hits:
        while hit.time_s > tick:
            at_once(rolling.sort_out_steps())
            figures = rolling.window_figures(tick)
            events += alerts.update(tick, figures, rolling.mics(), rolling.recent())
            if on_tick is not None:
                on_tick(alerts, tick)
            tick += every_s
        alerts.hit(rolling.add(hit))
    return alerts, events
