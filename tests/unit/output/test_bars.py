"""Hits on bars, against grids made by arithmetic."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from liveassist.output.bars import LEAST_HOLD, Grid, choice_lines, fit_grid, take_maps
from liveassist.output.stored import StoredHit, StoredSession

TEMPO = 132.0
BEAT_S = 60.0 / TEMPO


def groove(start_s: float, bars: int = 8, jitter_ms: float = 5.0, seed: int = 1) -> list[StoredHit]:
    """Kick on one and three, snare on two and four, a ghost on the last sixteenth."""
    rng = np.random.default_rng(seed)
    hits = []
    for beat in range(4 * bars):
        drum = "snare" if beat % 2 else "kick"
        late = float(rng.normal(0.0, jitter_ms / 1000.0))
        hits.append(StoredHit(start_s + beat * BEAT_S + late, drum, -8.0, role="main"))
        if beat % 4 == 3:
            at = start_s + (beat + 0.75) * BEAT_S
            hits.append(StoredHit(at, "snare", -26.0, role="ghost"))
    return hits


@pytest.mark.parametrize("start_s", [0.0, 3.217, 100.4])
def test_the_beat_is_found_from_the_hits(start_s: float) -> None:
    grid = fit_grid(groove(start_s), TEMPO, kicks=["kick"])
    assert grid is not None
    # 32 hits that scatter by 5 ms give their mean to 0.9 ms; three of those.
    assert grid.first_beat_s == pytest.approx(start_s, abs=0.003)
    assert grid.hold > 0.9
    place = grid.place(start_s + (4 * 2 + 2.5) * BEAT_S)
    assert (place.bar, place.beat) == (3, 3.5)
    assert grid.time_s(3) == pytest.approx(start_s + 8 * BEAT_S, abs=0.003)


def test_offsets_are_early_or_late() -> None:
    grid = Grid(120.0, 4, 10.0, 1.0)
    assert grid.place(10.0 + 2.0 + 0.012).offset_ms == pytest.approx(12.0)
    assert grid.place(10.0 - 0.008).offset_ms == pytest.approx(-8.0)
    assert (grid.place(9.5).bar, grid.place(9.5).beat) == (0, 4.0)


def test_what_the_user_says_goes_first() -> None:
    grid = fit_grid(groove(5.0), TEMPO, first_beat_s=5.0 + BEAT_S)
    assert grid is not None
    assert grid.place(5.0 + BEAT_S).bar == 1
    assert grid.place(5.0).bar == 0


def test_a_wrong_tempo_shows() -> None:
    grid = fit_grid(groove(0.0, bars=24), 117.0, kicks=["kick"])
    assert grid is not None
    assert grid.hold < LEAST_HOLD


def test_no_main_hit_no_grid() -> None:
    assert fit_grid([StoredHit(1.0, "snare", role="ghost")], TEMPO) is None


def session_of(takes: dict[str, list[StoredHit]], alerts: list[dict[str, object]]) -> StoredSession:
    rows = [
        {"name": name, "start_s": hits[0].time_s - 0.1, "end_s": hits[-1].time_s + 0.2,
         "drums": {}, "changes": []}
        for name, hits in takes.items()
    ]  # fmt: skip
    every = sorted((hit for hits in takes.values() for hit in hits), key=lambda hit: hit.time_s)
    summary = {"takes": rows, "alerts": alerts, "drums": {}, "unmeasured": {}}
    return StoredSession("s", tuple(every), summary)


@pytest.fixture
def three() -> StoredSession:
    """The first take lacks the backbeat on two of bar 4, the second has a weak one in bar 2 and a
    late kick in bar 6, the third a fault over bar 7."""
    one = [hit for hit in groove(10.0) if abs(hit.time_s - (10.0 + 13 * BEAT_S)) > 0.1]
    two = groove(40.0, seed=2)
    weak = next(h for h in two if abs(h.time_s - (40.0 + 5 * BEAT_S)) < 0.05)
    late = next(h for h in two if abs(h.time_s - (40.0 + 20 * BEAT_S)) < 0.05)
    two = [
        dataclasses.replace(h, role="weak") if h is weak
        else dataclasses.replace(h, time_s=h.time_s + 0.040) if h is late else h
        for h in two
    ]  # fmt: skip
    third = groove(70.0, seed=3)
    start = 70.0 + 24.2 * BEAT_S
    alert: dict[str, object] = {"when": "now", "start_s": start, "end_s": start + BEAT_S}
    later: dict[str, object] = {"when": "between", "start_s": 0.0, "end_s": None}
    return session_of({"one": one, "two": two, "three": third}, [alert, later])


def test_the_map_shows_what_was_built_in(three: StoredSession) -> None:
    maps = take_maps(three, TEMPO, drums=["kick", "snare"], kicks=["kick"])
    signs = {one.take.name: "".join(cell.sign for cell in one.cells) for one in maps}
    assert signs == {"one": "...m....", "two": ".w...t..", "three": "......!."}


def test_what_is_clean_elsewhere_is_said(three: StoredSession) -> None:
    maps = take_maps(three, TEMPO, drums=["kick", "snare"], kicks=["kick"])
    lines = choice_lines(maps)
    assert lines == [
        "one, bar 4: a hit missing; clean there: two, three.",
        "two, bar 2: weak; clean there: one, three.",
        "two, bar 6: loose; clean there: one, three.",
        "three, bar 7: fault; clean there: one, two.",
    ]
    assert choice_lines(maps, most=1)[1] == "3 more bars are marked in the map."


def test_a_bar_played_otherwise_misses_nothing() -> None:
    """Bar 3 has its snare an eighth later in one take, bar 5 one stroke where others have four."""

    def otherwise(hit: StoredHit) -> list[StoredHit]:
        beat = round((hit.time_s - 10.0) / BEAT_S)
        if beat == 9:
            return [dataclasses.replace(hit, time_s=hit.time_s + BEAT_S / 2.0)]
        return [] if beat in (17, 18, 19) else [hit]

    one = [played for hit in groove(10.0) for played in otherwise(hit)]
    varied = session_of(
        {"one": one, "two": groove(40.0, seed=2), "three": groove(70.0, seed=3)}, []
    )
    maps = take_maps(varied, TEMPO, drums=["kick", "snare"], kicks=["kick"])
    assert [sum(cell.missing for cell in one.cells) for one in maps] == [0, 0, 0]


def test_with_two_takes_nothing_can_be_called_missing(three: StoredSession) -> None:
    rows = three.summary["takes"][:2]
    short = dataclasses.replace(three, summary={**three.summary, "takes": rows})
    maps = take_maps(short, TEMPO, drums=["kick", "snare"], kicks=["kick"])
    assert [sum(cell.missing for cell in one.cells) for one in maps] == [0, 0]
