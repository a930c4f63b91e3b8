"""A take on the recorder's clock and time code, in words."""

from __future__ import annotations

from collections.abc import Sequence

from liveassist.output.grid import clock_grids
from liveassist.output.stored import MAIN_ROLES, StoredSession, StoredTake
from liveassist.rolling.songclock import timing
from liveassist.song import code_at, code_text


def song_lines(session: StoredSession, take: StoredTake, drums: Sequence[str]) -> list[str]:
    """Time code, bars, tempo, and how tight each drum was; nothing where no clock was heard."""
    if session.song is None:
        return []
    parts = []
    ends = [code_at(session.song.codes, time_s) for time_s in (take.start_s, take.end_s)]
    known = [code_text(code.code_s, code.frames_per_s) for code in ends if code is not None]
    if known:
        parts.append(f"time code {' to '.join(known)}")
    grid = clock_grids(session, drums).get(take.name)
    if grid is not None:
        bars = [max(1, grid.place(hit.time_s).bar) for hit in session.between(take)]
        parts.append(f"bars {min(bars)} to {max(bars)}")
        parts.append(f"{grid.tempo_bpm:.1f} beats a minute")
    for drum in drums:
        times = [
            hit.time_s
            for hit in session.between(take)
            if hit.drum == drum and hit.role in MAIN_ROLES
        ]
        found = timing(session.song.beats, times)
        if found.offset_ms is not None and found.spread_ci is not None:
            low, high = found.spread_ci
            late = "late" if found.offset_ms >= 0.0 else "early"
            parts.append(
                f"{drum} {abs(found.offset_ms):.0f} ms {late}, scatter {found.spread_ms:.1f} ms "
                f"({low:.1f} to {high:.1f})"
            )
    return [f"   recorder: {', '.join(parts)}"] if parts else []
