"""The list of takes on the dashboard, and pages that are moved."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.unit.output import terminal_samples as samples
from tests.unit.output.test_terminal_dashboard import Screen


@pytest.fixture
def screen() -> Iterator[Screen]:
    made = Screen()
    yield made
    made.dashboard.close()


def test_the_list_of_takes_is_moved_in_and_commands_are_about_the_chosen_take(
    screen: Screen,
) -> None:
    screen.dashboard.draw(samples.full())
    assert screen.dashboard.subject("star") == ""
    screen.dashboard.handle("page_takes")
    assert screen.dashboard.chosen == "take 3"
    screen.dashboard.handle("up")
    screen.dashboard.handle("page_up")
    screen.dashboard.handle("down")
    assert screen.dashboard.chosen == "take 2"
    assert screen.dashboard.subject("star") == "take 2"
    assert screen.dashboard.subject("take_toggle") == ""
    assert screen.dashboard.handle("star") == "star"
    screen.written()
    assert screen.dashboard.draw(samples.full())
    assert "Noted: fill too early" in screen.written()
    for _ in range(9):
        screen.dashboard.handle("down")
    screen.dashboard.handle("up")
    assert screen.dashboard.chosen == "take 2", "it does not run beyond the end"


def test_help_is_moved_to_its_last_line() -> None:
    screen = Screen(width=60, height=14)
    screen.dashboard.draw(samples.full())
    screen.dashboard.handle("help")
    seen = ""
    for _ in range(40):
        screen.dashboard.draw(samples.full())
        seen += screen.written()
        screen.clock.now += 1
        screen.dashboard.handle("down")
    assert "start a take" in seen
    assert "headphones down" in seen
    screen.dashboard.handle("up")
    screen.dashboard.draw(samples.full())
    assert "headphones down" not in screen.written(), "one step up is one line"
    screen.dashboard.close()


def test_plain_mode_speaks_the_list_and_the_keys() -> None:
    spoken = Screen(plain=True)
    spoken.dashboard.draw(samples.full())
    spoken.written()
    spoken.dashboard.handle("page_takes")
    text = spoken.written()
    assert "take 2: snare spread 1.5 dB, kick spread 1.2 dB" in text
    assert "starred" in text
    assert "noted fill too early" in text
    spoken.dashboard.handle("help")
    assert "start a take" in spoken.written()
