"""Takes on the recorder's clock, against clocks and hits made by arithmetic."""

from __future__ import annotations

from dataclasses import replace

import pytest

from liveassist.output.bars import session_maps
from liveassist.output.grid import SongGrid, clock_grids
from liveassist.output.stored import StoredHit, StoredSession, StoredSong
from liveassist.song import Beat, Code

#: 120 beats a minute from 10 s on, and again from bar 3 (beat 8) at 100 s on, at 90.
BEATS = tuple(Beat(n, 10.0 + 0.5 * n, 0) for n in range(16))
PUNCH = tuple(Beat(8 + n, 100.0 + n * 60 / 90, 1) for n in range(8))
SONG = StoredSong(BEATS + PUNCH, (Code(10.0, 3600.0, 25.0), Code(17.5, 3607.5, 25.0)))


def _hits(beats: tuple[Beat, ...], late_s: float = 0.006) -> list[StoredHit]:
    return [
        StoredHit(beat.time_s + late_s, "snare" if beat.number % 2 else "kick", -8.0, role="main")
        for beat in beats
    ]


def _take(name: str, start_s: float, end_s: float) -> dict[str, object]:
    return {"name": name, "start_s": start_s, "end_s": end_s, "drums": {}, "changes": []}


def _session(song: StoredSong | None = SONG) -> StoredSession:
    takes = [_take("whole", 10.0, 18.0), _take("punch", 100.0, 105.4), _take("free", 200.0, 210.0)]
    summary = {"takes": takes, "alerts": [], "drums": {"kick": {}, "snare": {}}, "unmeasured": {}}
    hits = _hits(BEATS) + _hits(PUNCH) + _hits(tuple(Beat(n, 200.0 + n, 9) for n in range(8)))
    return StoredSession("s", tuple(hits), summary, song=song)


def test_bars_are_those_of_the_song() -> None:
    grids = clock_grids(_session(), ["kick", "snare"])
    assert list(grids) == ["whole", "punch"]  # the clock stood during the third
    whole, punch = grids["whole"], grids["punch"]
    assert (whole.tempo_bpm, punch.tempo_bpm) == pytest.approx((120.0, 90.0))
    assert (whole.place(14.006).bar, whole.place(14.006).beat) == (3, 1.0)
    assert whole.place(14.006).offset_ms == pytest.approx(6.0)
    # The punch-in begins at bar 3 of the song and lies beside it.
    assert (punch.place(100.0).bar, punch.time_s(3)) == (3, 100.0)
    assert punch.place(100.0 - 0.01).offset_ms == pytest.approx(-10.0)
    assert punch.time_s(5) == pytest.approx(100.0 + 8 * 60 / 90)
    assert punch.time_s(1) == pytest.approx(100.0 - 8 * 60 / 90)
    assert whole.hold > 0.99


def test_a_tempo_that_changes_is_followed() -> None:
    """Eight beats at 120, eight at 90 a minute: a steady tempo would be off by a sixteenth."""
    slower = tuple(Beat(16 + n, 18.0 + n * 60 / 90, 0) for n in range(8))
    grid = SongGrid(105.0, 4, 10.0, 1.0, BEATS + slower)
    place = grid.place(18.0 + 3 * 60 / 90 + 0.004)
    assert (place.bar, place.beat) == (5, 4.0)
    assert place.offset_ms == pytest.approx(4.0)
    assert grid.time_s(6) == pytest.approx(18.0 + 4 * 60 / 90)


def test_takes_are_mapped_on_the_clock_without_a_tempo() -> None:
    ((whole, punch),) = session_maps(_session(), ["kick", "snare"], ["kick"])
    assert (whole.take.name, whole.signs) == ("whole", "....")
    assert (punch.take.name, punch.signs) == ("punch", "  ..")
    assert [cell.bar for cell in punch.cells] == [3, 4]  # nothing is missing in bars 1 and 2
    assert session_maps(_session(None), ["kick", "snare"], ["kick"]) == []


def test_a_tempo_the_user_gives_goes_first() -> None:
    session = replace(_session(), tempos={"": 120.0})
    maps = session_maps(session, ["kick", "snare"], ["kick"])
    assert not isinstance(maps[0][0].grid, SongGrid)


def test_too_little_of_a_clock_lays_nothing() -> None:
    song = StoredSong(BEATS[:3])
    assert clock_grids(_session(song), ["kick", "snare"]) == {}
