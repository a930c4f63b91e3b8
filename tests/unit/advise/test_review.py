"""The verdict on a take, headroom for the next, hands and heads, on invented takes."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.advise.forecast import PeakTail, forecast, peak_tail
from liveassist.advise.review import review
from liveassist.model import Alert, Change, Drum, Hit, HitMeasures, Kit, Mic, Partial
from liveassist.remarks import Forecast

KIT = Kit(
    "shed",
    (Drum("kick", "kick", "kick"), Drum("snare", "snare", "snare")),
    (Mic("kick", 1), Mic("snare", 2)),
)


def hit(number: int, time_s: float, level: float, drum: str = "snare", **more: object) -> Hit:
    return Hit(
        number, "complete", drum, round(time_s * 48000), time_s, level, level, 1.0, role="main",
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def change(cause: str, sentence: str) -> Change:
    return Change(cause, None, None, None, 0.99, sentence, drum="snare")


def alert(severity: str, sentence: str) -> Alert:
    return Alert("uneven", 0.0, None, "between", severity, sentence)  # type: ignore[arg-type]


# --- the light -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "alerts", "forecasts", "light"),
    [
        ([], [], [], "fine"),
        ([change("head_pitch", "flat")], [], [], "look"),
        ([change("polarity", "reversed")], [], [], "stop"),
        ([change("mic_fault", "hums")], [], [], "stop"),
        ([], [alert("info", "by the way")], [], "fine"),
        ([], [alert("look", "uneven")], [], "look"),
        ([], [alert("stop", "clips")], [], "stop"),
        ([], [], [Forecast("snare", 0.5, 1.0, 3.0, 1, "may clip")], "look"),
        ([], [], [Forecast("snare", 0.9, 1.0, 3.0, 1, "will clip")], "stop"),
        ([], [], [Forecast("snare", 0.1, -3.0, 0.0, 1, "has room")], "fine"),
    ],
)
def test_the_light_of_a_take(
    changes: list[Change], alerts: list[Alert], forecasts: list[Forecast], light: str
) -> None:
    found = review(KIT, "two", [], changes, alerts, forecasts, compared=True).verdict
    assert found.light == light
    assert found.take == "two"


def test_the_most_urgent_is_said_first_and_the_rest_counted() -> None:
    causes = [change("head_pitch", "The head is flat."), change("polarity", "Reversed.")]
    found = review(KIT, "two", [], causes, [alert("look", "Uneven.")], [], compared=True).verdict
    assert found.sentence == "Reversed. (and 2 more)"
    calm = review(KIT, "one", [], [], [], [], compared=False).verdict
    assert calm.sentence == "Nothing stands out."
    same = review(KIT, "two", [], [], [], [], compared=True).verdict
    assert same.sentence == "Nothing changed since the reference."


# --- hands, heads --------------------------------------------------------------------------


def test_hands_and_how_they_tire_are_in_the_review() -> None:
    """Six runs of sixteen strokes, every second one 3 dB softer and 8 ms late, falling by 6 dB."""
    rng = np.random.default_rng(4)
    hits: list[Hit] = []
    for run in range(6):
        for stroke in range(16):
            weak = stroke % 2
            time_s = 3.0 * run + 0.1 * stroke + 0.008 * weak + rng.normal(0, 0.001)
            level = -8.0 - 3.0 * weak - 6.0 * run / 5.0 + rng.normal(0, 0.5)
            hits.append(hit(len(hits), time_s, level))
    (limbs,) = review(KIT, "one", hits, [], [], [], compared=False).limbs
    assert limbs.level_db == pytest.approx(3.0, abs=0.5)
    assert limbs.timing_ms == pytest.approx(8.0, abs=1.5)
    assert limbs.level_change_db == pytest.approx(0.0, abs=0.7)
    assert limbs.timing_change_ms == pytest.approx(0.0, abs=1.5)
    assert limbs.fatigue_db == pytest.approx(-4.8, abs=1.0)  # thirds of a line that falls 6 dB
    assert limbs.strokes == 96
    assert "get softer by" in limbs.sentence


def test_an_uneven_head_is_stated_in_hertz_and_cents() -> None:
    """(1,1) at 299.68 and 305.74 Hz: tension uneven by 4 % (Rayleigh-Ritz)."""
    rows = ((190.0, -10.0), (299.68, -14.0), (305.74, -12.0))
    partials = tuple(Partial(hz, level, 0.5) for hz, level in rows)
    hits = [hit(i, 0.5 * i, -8.0, measures=HitMeasures(partials=partials)) for i in range(10)]
    found = review(KIT, "one", hits, [], [], [], compared=False)
    (uneven,) = found.uneven
    assert uneven.difference_hz == pytest.approx(6.06, abs=0.01)
    assert uneven.difference_cents == pytest.approx(34.7, abs=0.1)
    assert found.verdict.light == "look"
    assert "6.1 Hz, 35 cents apart" in found.verdict.sentence


# --- headroom ------------------------------------------------------------------------------


def tails(rng: np.random.Generator, middles: list[float]) -> list[PeakTail]:
    found = [
        peak_tail(np.concatenate([rng.normal(m, 1.5, 40), rng.normal(m - 20.0, 3.0, 60)]))
        for m in middles
    ]
    return [tail for tail in found if tail is not None]


@pytest.mark.parametrize("known", [1, 2, 4])
def test_the_chance_of_clipping_is_what_happens(known: int) -> None:
    """Drawn sessions: takes about a level of their own, main hits normal, bleed 20 dB under them.

    Over 600 sessions, forecasts in three bins are within 0.2 of how often the next take clipped,
    and never more than 0.1 too hopeful.
    """
    rng = np.random.default_rng(known)
    said: list[float] = []
    came: list[bool] = []
    for _ in range(600):
        middle = rng.uniform(-10.0, -1.0)
        levels = list(middle + rng.normal(0.0, 1.3, known + 1))
        found = forecast("snare", tails(rng, levels[:-1]))
        assert found is not None
        said.append(found.chance)
        came.append(bool(rng.normal(levels[-1], 1.5, 40).max() > 0.0))
    chances, happened = np.array(said), np.array(came)
    for low, high in ((0.0, 0.2), (0.2, 0.7), (0.7, 1.01)):
        inside = (chances >= low) & (chances < high)
        assert inside.sum() > 30
        assert -0.1 < chances[inside].mean() - happened[inside].mean() < 0.2


def test_turning_down_by_what_is_said_leaves_a_small_chance() -> None:
    rng = np.random.default_rng(9)
    hot = forecast("snare", tails(rng, [-3.5]))
    assert hot is not None
    assert hot.chance > 0.5
    assert "turn its preamp down" in hot.sentence
    cooler = forecast("snare", tails(np.random.default_rng(9), [-3.5 - hot.turn_down_db]))
    assert cooler is not None
    assert cooler.chance <= 0.101
    assert cooler.turn_down_db <= 1.0


def test_few_peaks_forecast_nothing() -> None:
    assert peak_tail(np.full(10, -3.0)) is None
    assert forecast("snare", []) is None
