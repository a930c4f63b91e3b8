"""The page to choose a threshold by: what is drawn lies where the figures say."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from liveassist.advise.expander import settings_from, static_gain_db
from liveassist.app.wire import SnapshotWriter, read_snapshot
from liveassist.model import ExpanderPicture, ExpanderRate, Snapshot, Suggestion
from liveassist.output.terminal_expander import (
    NAME_CELLS,
    _gain_db,
    expander_rows,
    picture_lines,
)
from liveassist.output.terminal_pages import _PAGES, render
from tests.unit.output.terminal_samples import full

S = Suggestion(-24.0, 3.0, 12.0, 3.5, 4.0, 0.5, 20.0, 60.0, 3.0, None, None, None)
#: Main hits at -8 dBFS, ghosts at -30, bleed at -50, in steps of 2 dB.
EDGES = tuple(float(level) for level in range(-60, 2, 2))


def counts(level_dbfs: float, hits: int) -> tuple[int, ...]:
    return tuple(hits if low <= level_dbfs < low + 2.0 else 0 for low in EDGES[:-1])


RATES = tuple(
    ExpanderRate(at, 1.0 if at <= -9.0 else 0.0, 12.0 if at <= -34.0 else 0.0, 12.0)
    for at in (-36.0, -34.0, -28.0, -24.0, -20.0, -14.0, -6.0)
)
PICTURE = ExpanderPicture(EDGES, counts(-8.0, 40), counts(-30.0, 9), counts(-50.0, 70), RATES)


def shown(width: int = 85) -> dict[str, str]:
    lines = picture_lines(PICTURE, S, width)
    return {line[:NAME_CELLS].strip() or "axis": line[NAME_CELLS:] for line in lines}


def level_of(cell: int, width: int = 85) -> float:
    cells = width - NAME_CELLS - 16
    return -54.0 + 54.0 * (cell + 0.5) / cells  # from the softest hit, in steps of 6 dB


def test_each_kind_stands_at_its_level() -> None:
    rows = shown()
    for name, level in (("main", -8.0), ("ghosts", -30.0), ("bleed", -50.0)):
        drawn = [i for i, char in enumerate(rows[name][:60]) if char == "█"]
        assert drawn, name
        assert all(level - 1.5 <= level_of(i) <= level + 3.5 for i in drawn)
    assert rows["main"].endswith("40 hits")
    assert rows["bleed"].endswith("70 hits")


def test_the_threshold_is_drawn_through_all_of_it() -> None:
    rows = shown()
    places = {name: row.index("│") for name, row in rows.items() if name != "axis"}
    assert len(set(places.values())) == 1
    assert level_of(places["main"]) == pytest.approx(-24.0, abs=1.0)


def test_rates_are_those_of_a_threshold_there() -> None:
    rows = shown()
    passed = [level_of(i) for i, char in enumerate(rows["passed"][:60]) if char == "█"]
    assert max(passed) == pytest.approx(-10.0, abs=1.5)
    opened = [level_of(i) for i, char in enumerate(rows["opened"][:60]) if char == "█"]
    assert max(opened) == pytest.approx(-31.0, abs=1.5)
    assert "100 % pass" in rows["passed"]
    assert "0.0 a minute" in rows["opened"]


@pytest.mark.parametrize("knee_db", [0.0, 4.0])
def test_the_curve_is_that_of_the_expander(knee_db: float) -> None:
    s = Suggestion(-24.0, 3.0, 12.0, 3.5, knee_db, 0.5, 20.0, 60.0, 3.0, None, None, None)
    for level in (-60.0, -29.0, -26.5, -25.0, -24.0, -23.0, -21.0, 0.0):
        assert _gain_db(level, s) == pytest.approx(float(static_gain_db(level, settings_from(s))))


def with_pictures() -> Snapshot:
    return replace(
        full(),
        expander={"snare_top": S, "tom": None},
        expander_picture={"snare_top": PICTURE},
        expander_reason={"tom": "4 hits on tom, 10 main hits needed: play 6 more"},
        expander_wrong={"snare_top": "bleed is up"},
    )


def test_the_page_says_what_there_is_and_what_is_missing() -> None:
    text = "\n".join(line for _, line, _ in expander_rows(with_pictures(), 90))
    assert "snare_top: threshold −24.0 dBFS" in text
    assert "no longer right: bleed is up" in text
    assert "play 6 more" in text
    # Too narrow for a picture: words are left.
    narrow = expander_rows(with_pictures(), 30)
    assert not any("│" in line for _, line, _ in narrow)


@pytest.mark.parametrize(("width", "height"), [(40, 12), (80, 24), (200, 60), (3, 1)])
def test_it_is_drawn_at_any_size(width: int, height: int) -> None:
    assert "expander" in _PAGES
    render(with_pictures(), width, height, page="expander", scroll=3)


def test_it_reaches_a_dashboard_in_another_process() -> None:
    one = with_pictures()
    there = read_snapshot(json.loads(SnapshotWriter().text(one)))
    assert there.expander_picture == one.expander_picture
