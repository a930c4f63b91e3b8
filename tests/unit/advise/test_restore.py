"""What differs from a saved set-up, against set-ups changed by known amounts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from liveassist.advise.restore import Pair, Setup, fitted_gains, steps

OWN = {"kick": "kick_in", "snare": "snare_top", "tom": "tom_mic"}
MICS = ("kick_in", "snare_top", "tom_mic", "snare_bottom", "over", "room")
PAIR = ("snare_top", "snare_bottom")


def around(value: float, share: float = 0.002) -> tuple[float, tuple[float, float]]:
    reach = abs(value) * share
    return value, (value - reach, value + reach)


def setup() -> Setup:
    rng = np.random.default_rng(3)
    bleed = {
        mic: {drum: -20.0 + float(rng.normal(0.0, 5.0)) for drum, own in OWN.items() if own != mic}
        for mic in MICS
    }
    return Setup(
        OWN,
        {drum: around(-8.0) for drum in OWN},
        {"kick": around(54.0), "snare": around(190.0), "tom": around(110.0)},
        {"kick": around(0.2, 0.05), "snare": around(0.35, 0.05), "tom": around(0.9, 0.05)},
        bleed,
        {PAIR: Pair(True, 0.30)},
    )


def with_gain(before: Setup, mic: str, gain: float) -> Setup:
    """That microphone is ``gain`` dB louder: its own drum's level, and every cell it is part of."""
    bleed = {
        name: {
            drum: level + (gain if name == mic else 0.0) - (gain if OWN[drum] == mic else 0.0)
            for drum, level in row.items()
        }
        for name, row in before.bleed_db.items()
    }
    levels = {
        drum: around(level + (gain if OWN[drum] == mic else 0.0))
        for drum, (level, _) in before.level_dbfs.items()
    }
    return replace(before, bleed_db=bleed, level_dbfs=levels)


def test_nothing_differs_from_itself() -> None:
    assert steps(setup(), setup()) == []


@pytest.mark.parametrize("mic", MICS)
@pytest.mark.parametrize("gain", [-5.0, 3.2])
def test_a_turned_preamp_is_found_and_nothing_else(mic: str, gain: float) -> None:
    found = steps(setup(), with_gain(setup(), mic, gain))
    assert [(one.kind, one.where) for one in found] == [("gain", mic)]
    assert found[0].amount == pytest.approx(gain, abs=0.05)
    turn = "down" if gain > 0 else "up"
    assert f"turn it {turn} by {abs(gain):.1f} dB" in found[0].sentence


def test_playing_is_not_a_preamp() -> None:
    """Softer hits leave every bleed figure as it was."""
    levels = {drum: around(level - 5.0) for drum, (level, _) in setup().level_dbfs.items()}
    found = steps(setup(), replace(setup(), level_dbfs=levels))
    assert [(one.kind, one.where, one.advice) for one in found] == [
        ("playing", drum, False) for drum in OWN
    ]
    assert found[0].amount == pytest.approx(-5.0)


def test_a_moved_microphone_does_not_look_like_a_gain() -> None:
    """One cell of eleven differs by 8 dB; gains stay within a tenth of a dB."""
    bleed = {mic: dict(row) for mic, row in setup().bleed_db.items()}
    bleed["over"]["snare"] += 8.0
    now = replace(setup(), bleed_db=bleed)
    assert max(abs(gain) for gain in fitted_gains(setup(), now).values()) < 0.2
    (found,) = steps(setup(), now)
    assert (found.kind, found.where) == ("bleed", "over.snare")
    assert found.amount == pytest.approx(8.0, abs=0.2)


def test_a_flat_head_is_told_in_cents() -> None:
    """21 cents: 190 Hz times 2 to the power of -21/1200."""
    now = replace(setup(), note_hz={**setup().note_hz, "snare": around(187.7093)})
    (found,) = steps(setup(), now)
    assert found.amount == pytest.approx(-21.0, abs=0.01)
    assert "21 cents flat" in found.sentence
    assert "tune up by 21 cents" in found.sentence


def test_a_note_that_is_not_sure_is_left_alone() -> None:
    unsure = replace(setup(), note_hz={"snare": (187.7, (184.0, 191.4))})
    assert steps(setup(), unsure) == []


def test_another_drum_is_not_to_be_tuned() -> None:
    now = replace(setup(), note_hz={**setup().note_hz, "snare": around(250.0)})
    assert "Another drum or head" in steps(setup(), now)[0].sentence


def test_polarity_and_delay() -> None:
    """0.35 ms at 343.2 m/s are 12 cm."""
    (turned,) = steps(setup(), replace(setup(), pairs={PAIR: Pair(False, 0.30)}))
    assert (turned.kind, turned.where) == ("polarity", "snare_bottom")
    (late,) = steps(setup(), replace(setup(), pairs={PAIR: Pair(True, 0.65)}))
    assert late.amount == pytest.approx(0.35)
    assert "move it 12 cm nearer to" in late.sentence


def test_ring_names_the_cure() -> None:
    now = replace(setup(), ring_s={**setup().ring_s, "snare": around(0.50, 0.05)})
    assert "add damping" in steps(setup(), now)[0].sentence


def test_a_drum_not_yet_heard_is_asked_for_first() -> None:
    levels = {drum: setup().level_dbfs[drum] for drum in ("kick", "tom")}
    now = replace(with_gain(setup(), "over", 4.0), level_dbfs=levels)
    assert [one.kind for one in steps(setup(), now)] == ["missing", "gain"]


def test_a_note_is_given_with_its_interval_where_that_is_wide() -> None:
    """Each note known to +-10 cents: their difference to +-14.1 (root of the sum of squares)."""
    ratio = 2.0 ** (10.0 / 1200.0)
    before = replace(setup(), note_hz={"snare": (190.0, (190.0 / ratio, 190.0 * ratio))})
    flat = 190.0 * 2.0 ** (-30.0 / 1200.0)
    now = replace(before, note_hz={"snare": (flat, (flat / ratio, flat * ratio))})
    (step,) = steps(before, now)
    assert "tune up by 30 cents (16 to 44), lug by lug" in step.sentence


def test_what_was_heard_unlike_has_no_gains() -> None:
    """The snare's preamp 5 dB down: told as a level that may be either."""
    before = setup()
    found = steps(before, with_gain(before, "snare_top", -5.0), bleed=False)
    assert [step.kind for step in found] == ["playing"]
    assert "the playing, or the gain of snare_top" in found[0].sentence
