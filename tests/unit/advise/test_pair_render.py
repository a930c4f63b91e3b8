"""Pair check, rendering, own values and track offset against what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from liveassist.advise.expander import ExpanderSettings, run, settings_from
from liveassist.advise.pair import PairCheck, check_pair
from liveassist.advise.render import PLAIN, key_envelope, render, track_offset, with_values
from liveassist.errors import ConfigError, InputError

FS = 48000


def _hits(seed: int = 1) -> tuple[np.ndarray, list[int]]:
    rng = np.random.default_rng(seed)
    audio, onsets = 0.0005 * rng.standard_normal(3 * FS), list(range(4000, 3 * FS - 9000, 14000))
    t = np.arange(8000) / FS
    for at in onsets:
        body = np.exp(-t / 0.05) * np.sin(2 * np.pi * 210.0 * t)
        wires = 0.3 * np.exp(-t / 0.03) * rng.standard_normal(t.size)
        audio[at : at + t.size] += 0.4 * (body + wires)
    return audio, onsets


# 343.2 m/s at 20 degrees: one foot is 0.889 ms; 5 cm are 0.146 ms, 7 samples at 48 kHz.
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("delay", [0, 7, 43])
def test_pair_finds_polarity_delay_and_level(sign: float, delay: int) -> None:
    audio, onsets = _hits()
    second = sign * 0.5 * np.roll(audio, delay)
    check = check_pair(audio, second, onsets, FS)
    assert isinstance(check, PairCheck)
    assert check.inverted == (sign < 0)
    assert check.delay_samples == pytest.approx(delay, abs=0.2)
    assert check.distance_mm == pytest.approx(1000 * 343.2 * delay / FS, abs=1.5)
    assert check.level_db["body"] == pytest.approx(-6.02, abs=0.3)
    assert check.blend_db == pytest.approx(-14.0 + 6.02, abs=0.3)
    assert check.agreement == 1.0


def test_pair_sum_of_equal_and_opposite() -> None:
    audio, onsets = _hits()
    same = check_pair(audio, 10 ** (-14 / 20) * audio, onsets, FS)
    assert isinstance(same, PairCheck)
    # An identical signal at -14 dB adds 20 log10(1 + 10^(-14/20)) = 1.58 dB to the first, or takes
    # 1.93 dB away; against the sum of powers (+0.17 dB) that is +1.41 and -2.10: closed form.
    assert same.sum_db[250.0] == pytest.approx(1.41, abs=0.01)
    assert same.flipped_sum_db[250.0] == pytest.approx(-2.10, abs=0.01)
    assert "leave" in same.sentence
    flipped = check_pair(audio, -0.7 * audio, onsets, FS)
    assert isinstance(flipped, PairCheck)
    assert "flip" in flipped.sentence


def test_pair_refuses_strangers_and_few_hits() -> None:
    audio, onsets = _hits()
    noise = np.random.default_rng(9).standard_normal(audio.size)
    assert "too little in common" in str(check_pair(audio, noise, onsets, FS))
    assert "play 3 more" in str(check_pair(audio, audio, onsets[:2], FS))


def test_render_is_the_expander_aligned() -> None:
    audio, _ = _hits()
    s = replace(PLAIN, threshold_dbfs=-12.0)
    assert np.allclose(render(audio, s, FS), run(audio, settings_from(s), FS)[0], atol=1e-6)
    assert np.allclose(render(0.5 * audio, s, FS, -6.0206), 0.5 * render(audio, s, FS), atol=1e-4)


def test_own_values() -> None:
    s = with_values(None, ["threshold=-30", "key-highpass=200", "ratio=2"])
    assert (s.threshold_dbfs, s.key_highpass_hz, s.ratio) == (-30.0, 200.0, 2.0)
    assert s.predicted is None
    assert with_values(s, ["key-highpass=off"]).key_highpass_hz is None
    assert with_values(s, ["attack=1.5"]).threshold_dbfs == -30.0


def test_own_values_all_mistakes_at_once() -> None:
    with pytest.raises(ConfigError) as caught:
        with_values(None, ["treshold=-30", "ratio=0.5", "hold=soon", "range=nan"])
    assert len(caught.value.problems) == 4
    assert "did you mean threshold" in caught.value.problems[0]


def test_key_envelope_is_the_filtered_peak() -> None:
    audio, _ = _hits()
    s = ExpanderSettings(-20.0, key_highpass_hz=500.0)
    envelope = key_envelope(audio, s, FS, 32)
    assert envelope.size == audio.size // 32
    assert envelope.max() < np.abs(audio).max()


@pytest.mark.parametrize("late", [-300, 0, 1234])
def test_track_offset_is_found_at_any_alignment(late: int) -> None:
    audio, _ = _hits()
    track = -(10 ** (-4.5 / 20)) * (
        np.concatenate((np.zeros(late), audio)) if late >= 0 else audio[-late:]
    )
    found = track_offset(audio, track, FS)
    assert found.offset_db == pytest.approx(-4.5, abs=0.01)
    assert found.delay_samples == late
    assert found.ci[0] <= -4.5 + 0.01
    assert found.ci[1] >= -4.5 - 0.01


def test_track_offset_refuses_another_recording() -> None:
    audio, _ = _hits()
    with pytest.raises(InputError, match="does not hold what was heard"):
        track_offset(audio, np.random.default_rng(3).standard_normal(audio.size), FS)
    with pytest.raises(InputError, match="silent"):
        track_offset(audio, np.zeros(100), FS)
