"""A take on the recorder's clock, time code or metronome, in words; timing of its hits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from liveassist.output.bars import session_maps
from liveassist.output.clickgrid import metre_of
from liveassist.output.grid import beats_of, clock_grids
from liveassist.output.report_bars import kick_names
from liveassist.output.stored import MAIN_ROLES, StoredSession, StoredTake
from liveassist.rolling.songclock import timing
from liveassist.song import Beat, ClockTiming, code_at, code_text


def with_timing(session: StoredSession) -> StoredSession:
    """The session with how each drum lies on the clock, else on the metronome."""
    found: dict[str, Mapping[str, ClockTiming]] = {}
    for take in session.takes:
        beats = _beats(session, take)
        if beats:
            main = [hit for hit in session.between(take) if hit.role in MAIN_ROLES]
            found[take.name] = {
                drum: timing(beats, [hit.time_s for hit in main if hit.drum == drum])
                for drum in dict.fromkeys(hit.drum for hit in main)
            }
    return replace(session, timing=found)


def _beats(session: StoredSession, take: StoredTake) -> Sequence[Beat]:
    for source in (session.song, session.click):
        beats = () if source is None else beats_of(take, source.beats)
        if beats:
            return beats
    return ()


def song_lines(session: StoredSession, take: StoredTake, drums: Sequence[str]) -> list[str]:
    """Time code, bars, tempo, and how tight each drum was; nothing where nothing told the time."""
    parts, source = [], "recorder"
    if session.song is not None:
        codes = session.song.codes
        ends = [code_at(codes, time_s) for time_s in (take.start_s, take.end_s)]
        known = [code_text(code.code_s, code.frames_per_s) for code in ends if code is not None]
        if known:
            parts.append(f"time code {' to '.join(known)}")
    grid = clock_grids(session, drums).get(take.name)
    if grid is None and session.click is not None and beats_of(take, session.click.beats):
        source = "click"
        grids = {
            one.take.name: one.grid
            for song in session_maps(session, drums, kick_names(session))
            for one in song
        }
        grid = grids.get(take.name)
    if grid is not None:
        bars = [max(1, grid.place(hit.time_s).bar) for hit in session.between(take)]
        parts.append(f"bars {min(bars)} to {max(bars)}")
        parts.append(f"{grid.tempo_bpm:.1f} beats a minute")
        if source == "click":
            told = ", by its accents" if metre_of(session, take)[1] else ""
            parts.append(f"{grid.beats_a_bar} beats a bar{told}")
    for drum in drums:
        found = session.timing.get(take.name, {}).get(drum)
        if found is not None and found.offset_ms is not None and found.spread_ci is not None:
            low, high = found.spread_ci
            late = "late" if found.offset_ms >= 0.0 else "early"
            off = round(abs(found.offset_ms))
            where = f"{off} ms {late}" if off else "on it"
            parts.append(
                f"{drum} {where}, scatter {found.spread_ms:.1f} ms ({low:.1f} to {high:.1f})"
            )
    return [f"   {source}: {', '.join(parts)}"] if parts else []
