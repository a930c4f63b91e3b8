"""Own values, rendered tracks, advice.json and the track offset, from files to files."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from liveassist.advise.render import render
from liveassist.advise.sheet import MicSheet, mic_sheet
from liveassist.advise.suggest import suggest
from liveassist.app.cli import main
from liveassist.app.replay import ReplayRequest, replay
from liveassist.app.secondpass import Renderer, second_pass
from liveassist.app.summary import schema
from liveassist.app.trackoffset import TrackOffsetRequest, measure_track_offset
from liveassist.app.tryout import assignments_of, own_values
from liveassist.errors import ConfigError, InputError, StorageError
from liveassist.input.files import open_recording
from liveassist.model import Block, Suggestion
from tests.bench import independent_expander as other
from tests.unit.advise.kit_scene import FS, KIT, history, session

KIT_TOML = """
[kit]
name = "invented"
[[drum]]
name = "kick"
kind = "kick"
own = "kick"
[[drum]]
name = "snare"
kind = "snare"
own = "top"
[[drum]]
name = "hat"
kind = "hihat"
[[mic]]
name = "kick"
channel = 1
[[mic]]
name = "top"
channel = 2
track_offset_db = -3.0
[[mic]]
name = "bottom"
channel = 3
of = "snare"
[[mic]]
name = "over"
channel = 5
"""


def suggestion(**changes: Any) -> Suggestion:
    base = Suggestion(-26.0, 3.0, 12.0, 3.5, 3.0, 0.5, 20.0, 60.0, 4.0, None, None, None)
    return replace(base, **changes)


# --- own values ----------------------------------------------------------------------------


def test_one_for_all_and_one_for_one() -> None:
    got = assignments_of(["range=10", "top.threshold=-24", "top.range=8"], KIT)
    assert set(got) == {"kick", "top", "bottom", "tom"}
    values = own_values(got, {"top": suggestion(ratio=5.0), "kick": None})
    assert values["top"] == suggestion(ratio=5.0, threshold_dbfs=-24.0, range_db=8.0)
    assert values["kick"].range_db == 10.0
    assert set(assignments_of(["top.threshold=-24"], KIT)) == {"top"}
    assert assignments_of([], KIT) == {}


def test_all_mistakes_at_once() -> None:
    with pytest.raises(ConfigError) as caught:
        assignments_of(["tpo.range=9", "over.range=9", "top.treshold=-3", "range=hello"], KIT)
    told = "\n".join(caught.value.problems)
    assert 'did you mean "top"' in told
    assert "overheads" in told
    assert "did you mean threshold?" in told
    assert "range needs a number" in told


# --- tracks --------------------------------------------------------------------------------


@pytest.mark.parametrize("block", [63, 512, 100_000])
def test_tracks_are_aligned_to_the_sample(tmp_path: Path, block: int) -> None:
    audio, _ = session(bars=2)
    chosen = suggestion(key_highpass_hz=250.0)
    renderer = Renderer(tmp_path, KIT, FS, len(audio), {"top": {"suggested": chosen}})
    for start in range(0, len(audio), block):
        renderer.feed(Block(start, audio[start : start + block]))
    renderer.close()
    dry, rate = soundfile.read(tmp_path / "top.dry.wav", dtype="float32")
    wet, _ = soundfile.read(tmp_path / "top.suggested.wav", dtype="float32")
    assert rate == FS
    assert np.array_equal(dry, audio[:, 1])
    assert np.array_equal(wet, render(audio[:, 1], chosen, FS))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["top.dry.wav", "top.suggested.wav"]
    # An expander written apart, one sample at a time: the same loud hits, the same quiet rest.
    gain = other.gain_db(audio[: FS * 2, 1].astype(float), chosen, FS, "gate")
    apart = audio[: FS * 2, 1] * 10.0 ** (gain / 20.0)
    assert np.corrcoef(apart, wet[: FS * 2])[0, 1] > 0.999


def test_a_track_that_is_not_finished_is_not_there(tmp_path: Path) -> None:
    renderer = Renderer(tmp_path, KIT, FS, 100, {"top": {"suggested": suggestion()}})
    renderer.feed(Block(0, np.zeros((50, 5), np.float32)))
    renderer.discard()
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StorageError, match="this is a file"):
        Renderer(tmp_path / "file", KIT, FS, 100, {"top": {}})


def test_second_pass_equals_the_first_with_any_key_filter(tmp_path: Path) -> None:
    audio, hits = session(bars=8)
    soundfile.write(tmp_path / "all.wav", audio, FS, subtype="FLOAT")
    found, _ = suggest(KIT, "top", hits, history(audio))
    assert found is not None
    odd = replace(found, key_highpass_hz=333.0)
    with open_recording([str(tmp_path / "all.wav")], KIT) as recording:
        same = second_pass(recording, KIT, hits, {"top": found, "kick": odd}, None)
    sheet = mic_sheet(KIT, "top", hits, history(audio), found, predict_anew=True)
    assert isinstance(sheet, MicSheet)
    assert isinstance(same["top"], MicSheet)
    assert same["top"].suggestion == sheet.suggestion
    assert isinstance(same["kick"], MicSheet), "a key filter nobody tried before"


# --- the whole command -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("replayed")
    audio, _ = session(bars=14)
    soundfile.write(where / "take.wav", audio, FS, subtype="FLOAT")
    (where / "kit.toml").write_text(KIT_TOML)
    return where


def run(folder: Path, **options: Any) -> str:
    out, err = io.StringIO(), io.StringIO()
    request = ReplayRequest((str(folder / "take.wav"),), str(folder / "kit.toml"), **options)
    assert replay(request, out, err) == 0
    assert err.getvalue() == ""
    return out.getvalue()


def test_replay_renders_and_tries(folder: Path) -> None:
    out = folder / "s"
    said = run(out=out, folder=folder, render=True, own_values=("top.threshold=-3",))
    summary = json.loads((out / "summary.json").read_text())
    jsonschema.validate(summary, schema(), jsonschema.Draft202012Validator)
    advice = json.loads((out / "advice.json").read_text())
    top = advice["microphones"]["top"]
    assert top["suggested"]["settings"] == summary["expander"]["top"]
    passed = {
        name: top[name]["settings"]["predicted"]["main_passed"] for name in ("suggested", "yours")
    }
    assert passed["suggested"] >= 0.97
    assert passed["yours"] < 0.5
    assert top["yours"]["settings"]["threshold_dbfs"] == -3.0
    threshold = summary["expander"]["top"]["threshold_dbfs"]
    assert top["suggested"]["track_threshold_dbfs"] == threshold - 3.0
    assert advice["microphones"]["over"]["suggested"] is None
    assert "overheads" in advice["microphones"]["over"]["reason"]
    (pair,) = advice["pairs"]
    assert (pair["first"], pair["second"]) == ("top", "bottom")
    assert pair["inverted"] is False
    box = advice["drums"]["snare"]["regions"]["box"]
    assert box["peak_hz"] == pytest.approx(400.0, rel=0.02)
    levels = top["suggested"]["levels"]
    assert len(levels["edges_dbfs"]) == len(levels["main"]) + 1
    assert summary["bleed_margin_db"]["top"]["key_filtered"] is not None
    names = {path.name for path in (out / "rendered").iterdir()}
    assert {"top.dry.wav", "top.suggested.wav", "top.yours.wav", "kick.suggested.wav"} <= names
    dry, _ = soundfile.read(out / "rendered" / "top.dry.wav", dtype="float32")
    assert np.array_equal(dry, session(bars=14)[0][:, 1])
    assert "top, your values: " in said
    assert "top, as suggested: " in said
    assert f"on the recorded track, threshold {threshold - 3.0:.1f} dBFS" in said
    assert "snare with bottom: leave the polarity" in said


def test_every_key_is_documented(folder: Path) -> None:
    run(folder, out=folder / "keys")
    advice = json.loads((folder / "keys" / "advice.json").read_text())
    page = (Path(__file__).parents[3] / "liveassist" / "docs" / "expander.md").read_text()
    page = re.sub(r"```.*?```", "", page, flags=re.S)
    told = set(re.findall(r"[a-z][a-z0-9_]+", " ".join(re.findall(r"`([^`]+)`", page))))
    sheet = advice["microphones"]["top"]["suggested"]
    parts = [advice, advice["microphones"]["top"], sheet, sheet["downstream"], sheet["levels"]]
    parts += [sheet["downstream"]["before"], sheet["curve"], sheet["rates"][0]]
    parts += [advice["drums"]["snare"], advice["drums"]["snare"]["regions"]["box"]]
    parts += [advice["pairs"][0], *advice["landmarks"].get("snare", [])]
    assert {key for part in parts for key in part} - told == set()


def test_the_aim_reaches_the_suggestion(folder: Path) -> None:
    cuts = {}
    for aim in ("tight", "keep-ghosts"):
        run(folder, out=folder / aim, aim=aim)
        advice = json.loads((folder / aim / "advice.json").read_text())
        settings = advice["microphones"]["top"]["suggested"]["settings"]
        cuts[aim] = settings["predicted"]["ghost_cut_db"]
        assert not (folder / aim / "rendered").exists()
    assert cuts["tight"] > cuts["keep-ghosts"] + 3.0


def test_wrong_use(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    base = ["replay", str(folder / "take.wav"), "--kit", str(folder / "kit.toml")]
    assert main([*base, "--render"]) == 2
    assert "--out DIR" in capsys.readouterr().err
    assert main([*base, "--set", "top.threshold=7"]) == 2
    assert "from -100 to 0" in capsys.readouterr().err


# --- track offset ----------------------------------------------------------------------------


def test_track_offset_from_files(tmp_path: Path) -> None:
    audio, _ = session(bars=4)
    soundfile.write(tmp_path / "heard.wav", audio, FS, subtype="FLOAT")
    later = np.concatenate((np.zeros(777), -0.25 * audio[:, 1]))  # -12.04 dB, inverted
    soundfile.write(tmp_path / "track.wav", later, FS, subtype="FLOAT")
    out = io.StringIO()
    request = TrackOffsetRequest(tmp_path / "heard.wav", tmp_path / "track.wav", 2)
    assert measure_track_offset(request, out) == 0
    said = out.getvalue()
    assert said.startswith("track_offset_db = -12.0\n")
    assert "777 samples later" in said
    assert "kit profile" in said


def test_track_offset_says_when_more_than_a_gain_lies_between(tmp_path: Path) -> None:
    audio, _ = session(bars=6, spread_db=4.0)
    one = audio[:, 1].astype(float)
    soundfile.write(tmp_path / "heard.wav", one, FS, subtype="FLOAT")
    soundfile.write(tmp_path / "track.wav", np.tanh(6.0 * one) / 3.0, FS, subtype="FLOAT")
    out = io.StringIO()
    request = TrackOffsetRequest(tmp_path / "heard.wav", tmp_path / "track.wav")
    assert measure_track_offset(request, out) == 0
    assert "more than a gain" in out.getvalue()


def test_track_offset_refuses(tmp_path: Path) -> None:
    audio, _ = session(bars=2)
    soundfile.write(tmp_path / "all.wav", audio, FS)
    soundfile.write(tmp_path / "slow.wav", audio[:, 0], 48_000)
    (tmp_path / "words.wav").write_text("no audio")
    for heard, track, words in (
        ("all.wav", "slow.wav", "say which with --heard-channel"),
        ("slow.wav", "none.wav", "no such file"),
        ("slow.wav", "words.wav", "cannot be read as audio"),
    ):
        with pytest.raises(InputError, match=words):
            measure_track_offset(
                TrackOffsetRequest(tmp_path / heard, tmp_path / track), io.StringIO()
            )
    with pytest.raises(InputError, match="runs at 48000 Hz"):
        measure_track_offset(
            TrackOffsetRequest(tmp_path / "all.wav", tmp_path / "slow.wav", 1), io.StringIO()
        )
    with pytest.raises(InputError, match="holds 5 channel"):
        measure_track_offset(
            TrackOffsetRequest(tmp_path / "all.wav", tmp_path / "slow.wav", 9), io.StringIO()
        )
