"""Takes side by side, from an invented session with known levels."""

from __future__ import annotations

from typing import Any

import numpy as np

from liveassist.output.stored import StoredHit, StoredSession
from liveassist.output.taketable import HEAD, least_even, take_table


def played(start_s: float, spreads: list[float], seed: int = 1) -> list[StoredHit]:
    """Twelve main hits for every spread, half a second apart, exactly that uneven."""
    rng = np.random.default_rng(seed)
    hits = []
    for block, spread in enumerate(spreads):
        draws = rng.normal(size=12)
        levels = -10.0 + spread * (draws - draws.mean()) / draws.std(ddof=2)
        for index, level in enumerate(levels):
            time_s = start_s + 0.5 * (12 * block + index)
            peak = float(level)
            hits.append(StoredHit(time_s, "snare", peak, peak + 1.0, role="main"))
    return hits


def figures(spread: float) -> dict[str, Any]:
    main = {"spread_db": spread, "median_dbfs": -10.0}
    return {"snare": {"main": main, "note_hz": 187.4, "ring_s": 0.42}}


def session() -> StoredSession:
    review = {
        "bleed_margin_db": {"snare": 12.3},
        "headroom": [{"mic": "snare", "chance": 0.25}],
    }
    takes = [
        {"name": "one", "start_s": 0.0, "end_s": 30.0, "drums": figures(1.8), "changes": [],
         "review": review},
        {"name": "two", "start_s": 40.0, "end_s": 70.0, "drums": figures(1.1), "changes": []},
    ]  # fmt: skip
    alert = {"alert": "dead_mic", "mic": "over", "severity": "stop", "start_s": 50.0, "end_s": 60.0}
    hits = [*played(0.0, [1.0, 1.0, 4.0, 1.0, 1.0]), *played(40.0, [1.1] * 5, seed=2)]
    summary = {"takes": takes, "alerts": [alert]}
    return StoredSession("evening", tuple(hits), summary)


def test_where_in_the_take_it_is_not_even() -> None:
    found = least_even(played(0.0, [1.0, 1.0, 4.0, 1.0, 1.0]))
    assert found is not None
    assert 10.0 <= found.start_s <= 14.0  # the third dozen begins at 12 s
    assert 15.0 <= found.end_s <= 19.5
    assert 3.0 <= found.spread_db <= 4.6
    assert least_even(played(0.0, [1.2] * 5)) is None
    assert least_even(played(0.0, [4.0])) is None


def test_a_crescendo_is_not_uneven() -> None:
    hits = [StoredHit(0.5 * i, "snare", -30.0 + 0.5 * i, role="main") for i in range(48)]
    assert least_even(hits) is None


def test_the_table_holds_every_column() -> None:
    lines = take_table(session(), ["snare"])
    assert [word for word in HEAD if word not in lines[0]] == []
    one, two = lines[1], lines[2]
    for figure in ("1.8 dB", "-10.0 dBFS", "187.4 Hz", "0.42 s", "12.3 dB", "25 %", "none"):
        assert figure in one
    assert "0:1" in one.split("none")[1]
    assert "1.1 dB*" in two  # the most even take
    assert "dead mic over" in two
    assert two.rstrip().endswith("-")
    assert "*" not in one
