"""What the search for settings leaves out, against the search that leaves nothing out."""

from __future__ import annotations

import math

import pytest

from liveassist.advise import keyfilter
from liveassist.advise.fitting import Fitter
from liveassist.advise.scene import Scene, build
from liveassist.steps import at_once
from tests.unit.advise.kit_scene import KIT, history, session


def scene(kick_db: float, seed: int = 1) -> Scene:
    audio, hits = session(bars=12, bleed_db={"kick": kick_db, "hat": -36.0}, seed=seed)
    return build(KIT, "top", hits, history(audio))


@pytest.mark.parametrize("kick_db", [-20.0, -8.0, -4.0])
def test_a_filter_is_given_up_only_where_it_could_not_win(kick_db: float) -> None:
    heard = scene(kick_db)
    for tried in [keyfilter.separation(heard), *at_once(keyfilter.candidates(heard))]:
        plain = Fitter(heard, tried, "natural", low=False)
        at_once(plain.fit(search=False))
        least = at_once(Fitter(heard, tried, "natural", low=False)._always_slow())
        assert least <= plain.score + 1e-9
        given_up = Fitter(heard, tried, "natural", low=False)
        at_once(given_up.fit(rival=least, search=False))
        assert given_up.score == math.inf
        # A rival that it beats does not stop it.
        winning = Fitter(heard, tried, "natural", low=False)
        at_once(winning.fit(rival=plain.score + 0.01, search=False))
        assert winning.score == plain.score


@pytest.mark.parametrize(("kick_db", "seed"), [(-3.5, 2), (-1.5, 4), (-1.0, 4), (-8.0, 1)])
def test_the_search_never_ends_worse_than_it_began(kick_db: float, seed: int) -> None:
    heard = scene(kick_db, seed)
    full = keyfilter.separation(heard)
    placed = Fitter(heard, full, "natural", low=False)
    at_once(placed.fit(search=False))
    found = Fitter(heard, full, "natural", low=False)
    at_once(found.fit())
    # The search weighs ghosts and the distance it moves too, which are no part of the score.
    assert found.score <= placed.score + 0.1
