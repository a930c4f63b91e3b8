"""An explanation keeps what was known when it was made: learning may go on before it is asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from liveassist.attribute.explain import Explainer
from liveassist.measure.level import MASK_STARTS
from liveassist.spectra import Grid
from tests.bench.recordings import from_scenario, learned_from


def test_what_is_learned_later_changes_no_explanation() -> None:
    check = from_scenario("three_mics", 0.0, soundcheck=True)
    learned = learned_from(check)
    grid = Grid(check.rate)
    explainer = Explainer(grid)
    struck = next(hit for hit in check.truth if hit.drum == "snare")
    at = round(struck.time_s * check.rate)
    before, after = explainer.reach
    heard = explainer.hear(check.audio[at - before : at + after], before)
    known = dict(learned.signatures)
    snare = known["snare"]
    assert len(snare.exemplars) > 1
    explanation = explainer.explain(
        heard, learned.noise, at, known, {"snare": 0}, [], [], {"snare": snare.mic}
    )
    starts = MASK_STARTS * grid.fine
    mine, rest = explanation.seen(starts, grid.fine, "snare")
    assert mine.max() > 0.0
    # A correction takes examples away, or the drum is forgotten, before the hit is reported.
    known["snare"] = replace(snare, exemplars=snare.exemplars[:1], power=snare.power[:1])
    for forgotten in (False, True):
        if forgotten:
            known.clear()
        again = explanation.seen(starts, grid.fine, "snare")
        np.testing.assert_array_equal(again[0], mine)
        np.testing.assert_array_equal(again[1], rest)
