"""What `takes` and `export` say of a session whose recorder sent clock and time code."""

from __future__ import annotations

from liveassist.app.songwords import song_lines, with_timing
from tests.unit.output.test_grid import _session


def test_a_take_on_clock_and_time_code() -> None:
    session = with_timing(_session())
    whole, punch, free = session.takes
    assert song_lines(session, whole, ["kick", "snare"]) == [
        "   recorder: time code 01:00:00:00 to 01:00:08:00, bars 1 to 4, 120.0 beats a minute, "
        "kick 6 ms late, scatter 0.0 ms (0.0 to 0.0), snare 6 ms late, scatter 0.0 ms (0.0 to 0.0)"
    ]
    # Four hits a drum are too few for a figure.
    assert song_lines(session, punch, ["kick", "snare"]) == [
        "   recorder: bars 3 to 4, 90.0 beats a minute"
    ]
    assert song_lines(session, free, ["kick", "snare"]) == []
    assert song_lines(_session(None), whole, ["kick"]) == []
