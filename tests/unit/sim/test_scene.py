"""A scene read in blocks, its truth against its audio, and things that go wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim import ScenarioError, Scene, names, open_scenario
from sim.kit import parse_kit
from sim.scenario import load_plan

from .small import SCENARIO, write_small

RATE = 16000
ONE_STROKE = """
name = "single"
kit = "bench.toml"
seed = 2
sample_rate_hz = 16000
[drummer]
spread_db = 0.0
timing_ms = 0.0
[drummer.level_db]
{drum} = {level}
[[groove]]
name = "hit"
pattern = "{drum} | x--- ----"
[[take]]
name = "one"
bpm = 120
song = ["hit"]
[change.mic.kick]
noise_dbfs = -140
[change.mic.snare]
noise_dbfs = -140
[change.mic.over]
noise_dbfs = -140
"""


def whole(scene: Scene, block: int) -> np.ndarray:
    parts = []
    while len(part := scene.read(block)):
        parts.append(part)
    return np.concatenate(parts)


def single(folder: Path, drum: str = "snare", level: float = -6.0, extra: str = "") -> Scene:
    text = ONE_STROKE.format(drum=drum, level=level)
    return open_scenario(write_small(folder, extra, text))


@pytest.mark.parametrize("block", [63, 512, 2048])
def test_any_block_size_reads_the_same(tmp_path: Path, block: int) -> None:
    path = write_small(tmp_path)
    once = open_scenario(path)
    reference = once.read(once.total_frames)
    assert reference.dtype == np.float32
    assert reference.shape == (once.total_frames, 3)
    np.testing.assert_array_equal(whole(open_scenario(path), block), reference)


def test_one_frame_at_a_time_reads_the_same(tmp_path: Path) -> None:
    scene, other = single(tmp_path), single(tmp_path)
    start = round(0.99 * RATE)
    first = other.read(start + 400)[start:]
    scene.read(start)
    np.testing.assert_array_equal(np.concatenate([scene.read(1) for _ in range(400)]), first)


def test_ends_where_it_says(tmp_path: Path) -> None:
    scene = open_scenario(write_small(tmp_path))
    scene.read(scene.total_frames - 5)
    assert scene.read(100).shape == (5, 3)
    assert scene.read(100).shape == (0, 3)
    assert scene.position == scene.total_frames
    with pytest.raises(ValueError, match="negative"):
        scene.read(-1)


def test_same_seed_same_sound_other_seed_other_strokes(tmp_path: Path) -> None:
    path = write_small(tmp_path)
    one, two = open_scenario(path, seed=5), open_scenario(path, seed=6)
    again = open_scenario(path, seed=5)
    sound = one.read(20000)
    np.testing.assert_array_equal(sound, again.read(20000))
    assert not np.array_equal(sound, two.read(20000))
    assert one.truth() == again.truth()
    assert [r["time_s"] for r in one.truth()] != [r["time_s"] for r in two.truth()]


@pytest.mark.parametrize(("drum", "own"), [("snare", 1), ("kick", 0)])
def test_truth_of_one_hit_is_what_the_audio_shows(tmp_path: Path, drum: str, own: int) -> None:
    """One stroke with no noise: tenth-of-peak time and 40 ms peaks measured on the audio."""
    scene = single(tmp_path, drum)
    (row,) = scene.truth()
    audio = np.abs(scene.read(scene.total_frames))
    first = int(np.argmax(audio[:, own] >= 0.1 * audio[:, own].max()))
    assert row["drum"] == drum
    assert row["time_s"] == pytest.approx(first / RATE, abs=1e-6)
    span = audio[first : first + round(0.04 * RATE)].max(axis=0)
    for mic, peak in zip(scene.mics, span, strict=True):
        assert row[f"peak_db_{mic}"] == pytest.approx(20 * np.log10(peak), abs=0.02)


def test_a_drum_without_own_microphone_is_timed_at_the_earliest(tmp_path: Path) -> None:
    scene = single(tmp_path, "hihat")
    (row,) = scene.truth()
    audio = np.abs(scene.read(scene.total_frames))
    firsts = np.argmax(audio >= 0.1 * audio.max(axis=0), axis=0)
    assert row["time_s"] == pytest.approx(firsts.min() / RATE, abs=1e-6)
    assert scene.own == {"kick": "kick", "snare": "snare"}


def test_full_stroke_peaks_where_the_gain_was_set(tmp_path: Path) -> None:
    (row,) = single(tmp_path, "kick", 0.0).truth()
    assert row["peak_db_kick"] == pytest.approx(-3.0, abs=1.0)


def test_bleed_falls_with_distance(tmp_path: Path) -> None:
    """A microphone 0.65 m and 1.3 m above the kick in a dead room: near 6 dB apart."""
    text = ONE_STROKE.format(drum="kick", level=-6.0)
    text += "[change.room]\nreflection = 0.0\ndiffuse_db = -40.0\n"
    rows = []
    for height in (0.95, 1.6):
        place = (
            f'position_m = [2.2, 1.6, {height}]\npattern = "omni"\npeak = {{}}\ngain_db = -10.0\n'
        )
        moved = text.replace("[change.mic.over]\n", "[change.mic.over]\n" + place)
        rows += open_scenario(write_small(tmp_path, "", moved)).truth()
    near, far = rows
    assert near["peak_db_over"] - far["peak_db_over"] == pytest.approx(6.02, abs=2.0)
    assert near["peak_db_kick"] == far["peak_db_kick"]
    assert near["peak_db_kick"] > near["peak_db_snare"] + 6


EVENT = """
[[event]]
kind = "{kind}"
at_s = {at}
{rest}
"""


def event(kind: str, at: float, **rest: object) -> str:
    lines = "\n".join(f"{k} = {v!r}" for k, v in rest.items())
    return EVENT.format(kind=kind, at=at, rest=lines)


def test_gain_moves_hits_and_truth_alike(tmp_path: Path) -> None:
    plain = single(tmp_path)
    down = single(tmp_path, extra=event("gain", 0.5, mic="snare", db=-5.0))
    (a,), (b,) = plain.truth(), down.truth()
    assert b["peak_db_snare"] == pytest.approx(a["peak_db_snare"] - 5.0, abs=0.02)
    assert b["peak_db_kick"] == a["peak_db_kick"]
    heard = np.abs(down.read(down.total_frames)).max(axis=0)
    assert 20 * np.log10(heard[1]) == pytest.approx(b["peak_db_snare"], abs=0.1)


def test_a_gain_step_inside_a_hit_is_in_its_truth(tmp_path: Path) -> None:
    plain = single(tmp_path)
    at = plain.truth()[0]["time_s"] + 0.0005
    cut = single(tmp_path, extra=event("gain", at, mic="snare", db=-40.0))
    (row,) = cut.truth()
    first = round(row["time_s"] * RATE)
    heard = np.abs(cut.read(cut.total_frames))[first : first + round(0.04 * RATE), 1].max()
    assert row["peak_db_snare"] == pytest.approx(20 * np.log10(heard), abs=0.02)
    assert row["peak_db_snare"] < plain.truth()[0]["peak_db_snare"] - 3


def test_polarity_and_dead_line(tmp_path: Path) -> None:
    plain = single(tmp_path).read(30000)
    swapped = single(tmp_path, extra=event("polarity", 0.0, mic="snare")).read(30000)
    dead = single(tmp_path, extra=event("dead_mic", 0.0, mic="snare")).read(30000)
    np.testing.assert_allclose(swapped[:, 1], -plain[:, 1], atol=2e-6)
    assert np.abs(dead[:, 1]).max() < 1e-5
    np.testing.assert_array_equal(dead[:, 0], plain[:, 0])


def test_hum_has_the_level_asked_for(tmp_path: Path) -> None:
    scene = single(tmp_path, extra=event("hum", 0.1, mic="over", dbfs=-30.0, over_s=0.8))
    audio = scene.read(round(0.95 * RATE))[:, 2]
    inside = audio[round(0.1 * RATE) : round(0.9 * RATE)]
    assert 20 * np.log10(np.sqrt(np.mean(inside**2))) == pytest.approx(-30.0, abs=0.1)
    assert np.abs(audio[: round(0.1 * RATE)]).max() < 1e-4


def test_dropped_blocks_are_silent_everywhere(tmp_path: Path) -> None:
    extra = event("dropped", 0.5, over_s=0.008)
    audio = open_scenario(write_small(tmp_path, extra)).read(RATE)
    assert not audio[8000:8128].any()
    assert audio[7999].any()
    assert audio[8128].any()


def test_crackle_and_talk_are_heard_while_they_last(tmp_path: Path) -> None:
    extra = event("crackle", 0.2, mic="kick", dbfs=-12.0, over_s=0.4)
    extra += event("talk", 0.2, db=-20.0, over_s=0.5)
    audio = single(tmp_path, extra=extra).read(round(0.95 * RATE))
    quiet = np.abs(audio[: round(0.19 * RATE)]).max()
    loud = np.abs(audio[round(0.2 * RATE) : round(0.6 * RATE)])
    assert quiet < 1e-4
    assert -32 < 20 * np.log10(loud[:, 0].max()) < -11
    assert loud[:, 2].max() > 1e-3


def note_hz(scene: Scene) -> float:
    """Lowest strong partial of the snare, from the padded spectrum of its ringing part."""
    audio = scene.read(scene.total_frames)[:, 1]
    start = round(scene.truth()[0]["time_s"] * RATE) + 200
    ring = audio[start : start + 3000] * np.hanning(3000)
    spectrum = np.abs(np.fft.rfft(ring, 1 << 19))
    hz = np.fft.rfftfreq(1 << 19, 1 / RATE)
    band = (hz > 140) & (hz < 240)
    return float(hz[band][np.argmax(spectrum[band])])


def test_a_head_gone_flat_is_flat_by_that_much_in_the_audio(tmp_path: Path) -> None:
    longer = "[change.instrument.snare.sound]\nt60_s = 0.9\n"
    plain, flat = (
        single(tmp_path, extra=longer),
        single(tmp_path, extra=longer + event("head_flat", 0.1, drum="snare", cents=-30.0)),
    )
    assert flat.truth()[0]["cents"] == -30.0
    assert plain.truth()[0]["cents"] == 0.0
    assert 1200 * np.log2(note_hz(flat) / note_hz(plain)) == pytest.approx(-30.0, abs=3.0)


def test_a_slipped_lug_is_in_the_truth_as_cents(tmp_path: Path) -> None:
    """One of eight lugs at 70 %: mean tension 0.9625, 600 log2 of it in cents."""
    scene = single(tmp_path, extra=event("lug_slip", 0.1, drum="snare", tension=0.7))
    assert scene.truth()[0]["cents"] == pytest.approx(600 * np.log2(0.9625), abs=0.01)


def test_damping_gone_rings_longer(tmp_path: Path) -> None:
    def late(scene: Scene) -> float:
        audio = scene.read(scene.total_frames)[:, 1]
        start = round(scene.truth()[0]["time_s"] * RATE)
        return float(np.sum(audio[start + 2400 :] ** 2) / np.sum(audio[start:] ** 2))

    longer = single(tmp_path, extra=event("damping", 0.1, drum="snare", ring=2.0))
    assert late(longer) > 5 * late(single(tmp_path))


def test_tiring_lowers_every_microphone_alike(tmp_path: Path) -> None:
    (a,) = single(tmp_path).truth()
    (b,) = single(tmp_path, extra=event("tiring", 0.1, db=-6.0)).truth()
    for mic in ("kick", "snare", "over"):
        assert b[f"peak_db_{mic}"] - a[f"peak_db_{mic}"] == pytest.approx(-6.0, abs=1.5)


def test_a_sinking_stand_changes_arrival_and_level_there_only(tmp_path: Path) -> None:
    (a,) = single(tmp_path).truth()
    (b,) = single(tmp_path, extra=event("mic_sink", 0.1, mic="over", metres=0.5)).truth()
    assert b["peak_db_over"] > a["peak_db_over"] + 1.0
    assert b["peak_db_snare"] == a["peak_db_snare"]


def test_clock_drift_stretches_time(tmp_path: Path) -> None:
    plain = open_scenario(write_small(tmp_path)).truth()
    extra = event("clock_drift", 0.0, ppm=1000.0)
    drifted = open_scenario(write_small(tmp_path, extra)).truth()
    for a, b in zip(plain, drifted, strict=True):
        assert b["time_s"] == pytest.approx(a["time_s"] * 1.001, abs=2.1 / RATE)


def test_hot_playing_clips_at_full_scale(tmp_path: Path) -> None:
    scene = single(tmp_path, level=5.0, extra=event("gain", 0.1, mic="snare", db=8.0))
    (row,) = scene.truth()
    audio = scene.read(scene.total_frames)
    assert row["peak_db_snare"] == 0.0
    assert audio.max() == 1.0 or audio.min() == -1.0


def test_wires_off_and_hihat_open_change_the_sound(tmp_path: Path) -> None:
    def treble(scene: Scene, mic: int, late: float = 0.0) -> float:
        audio = scene.read(scene.total_frames)[:, mic]
        start = round((scene.truth()[0]["time_s"] + late) * RATE)
        spectrum = np.abs(np.fft.rfft(audio[start : start + 3000])) ** 2
        return float(spectrum[len(spectrum) // 2 :].sum())

    dry = single(tmp_path, extra=event("wires_off", 0.1, drum="snare"))
    assert treble(single(tmp_path), 1) > 1.5 * treble(dry, 1)
    open_hat = single(tmp_path, "hihat", extra=event("hihat_open", 0.1, drum="hihat", openness=0.8))
    assert treble(open_hat, 2, 0.2) > 10 * treble(single(tmp_path, "hihat"), 2, 0.2)


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        ("[[event]]\nkind = 'gian'\nat_s = 1", "did you mean gain"),
        ("[[event]]\nkind = 'gain'\nat_s = 1\nmic = 'snare'", "needs db"),
        ("[[event]]\nkind = 'gain'\nat_s = 1\ndb = -3", "needs mic = NAME"),
        ("[[event]]\nkind = 'gain'\nat_s = 1\ndb = -3\nmic = 'snaer'", "did you mean snare"),
        ("[[event]]\nkind = 'gain'\ntake = 'two'\ndb = -3\nmic = 'snare'", "no take 'two'"),
        ("[[event]]\nkind = 'tiring'\nat_s = 1\ndb = 'much'", "is not a number"),
        ("[change.mic.side]\nnoise_dbfs = 1", "the kit has no such mic"),
        ("[[take]]\nname = 'x'\nsong = ['bar*many']", "NAME or NAME"),
    ],
)
def test_mistakes_in_a_scenario_are_named(tmp_path: Path, extra: str, says: str) -> None:
    with pytest.raises(ScenarioError, match=says):
        open_scenario(write_small(tmp_path, extra))


def test_unknown_scenario_suggests() -> None:
    with pytest.raises(ScenarioError, match="did you mean first_light"):
        open_scenario("first_ligth")


def test_a_kit_without_microphones_is_refused() -> None:
    with pytest.raises(ScenarioError, match=r"at least one \[\[instrument\]\]"):
        parse_kit({"name": "empty"}, "empty.toml")


@pytest.mark.parametrize("name", names())
def test_shipped_scenarios_are_whole(name: str) -> None:
    plan = load_plan(name)
    check = load_plan(name, soundcheck=True)
    drums = {plan.kit.instrument(s.instrument).drum for s in plan.strokes}
    assert plan.title
    assert {"kick", "snare"} <= drums <= {segment[0] for segment in check.segments}
    assert [s.time_s for s in plan.strokes] == sorted(s.time_s for s in plan.strokes)
    for drum, start, end in check.segments:
        inside = [s for s in check.strokes if start < s.time_s < end]
        assert {check.kit.instrument(s.instrument).drum for s in inside} == {drum}
        assert len(inside) == 8


def test_at_least_six_scenarios_and_the_demo_is_under_three_minutes() -> None:
    assert len(names()) >= 6
    plan = load_plan("first_light")
    assert plan.duration_s < 180
    kinds = {fault.kind for fault in plan.faults}
    assert {"tiring", "lug_slip", "gain", "dead_mic", "damping"} <= kinds


def test_soundcheck_and_session_use_other_strokes(tmp_path: Path) -> None:
    path = write_small(tmp_path, scenario=SCENARIO)
    assert load_plan(path).family != load_plan(path, soundcheck=True).family
