"""Set-ups kept and compared through the commands."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from liveassist.app.setups import SetupRequest, load_setup, restore_check, save_setup, setups_folder
from liveassist.errors import ConfigError, InputError
from tests.unit.output import stored_samples


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LIVEASSIST_SETUPS_DIR", str(tmp_path / "kept"))
    return stored_samples.write_session(tmp_path / "evening")


def check(request: SetupRequest) -> tuple[int, str]:
    out = io.StringIO()
    return restore_check(request, out), out.getvalue()


def test_the_first_take_is_found_again_and_the_second_is_flat(folder: Path) -> None:
    """The invented snare goes 30 cents flat in the second take, whose hits are the last."""
    save_setup(SetupRequest("reference", folder, take="verse & chorus"), io.StringIO())
    code, text = check(SetupRequest("reference", folder))
    assert code == 1
    assert "snare: 30 cents flat of what it was (190.0 Hz); tune up by 30 cents" in text
    assert "kick" not in text
    save_setup(SetupRequest("now", folder), io.StringIO())
    assert check(SetupRequest("now", folder)) == (
        0, "It matches: nothing differs by more than the figures can tell.\n",
    )  # fmt: skip


def test_polarity_comes_from_the_pair_check(folder: Path) -> None:
    row = {"first": "snare_top", "second": "snare_bottom", "inverted": True, "delay_ms": 0.3}
    (folder / "advice.json").write_text(json.dumps({"schema": 1, "pairs": [row]}))
    save_setup(SetupRequest("a", folder), io.StringIO())
    flipped = {**row, "inverted": False}
    (folder / "advice.json").write_text(json.dumps({"schema": 1, "pairs": [flipped]}))
    code, text = check(SetupRequest("a", folder))
    assert code == 1
    assert text == "snare_bottom: its polarity against snare_top is turned over; flip it back.\n"


def test_following_ends_when_it_matches(folder: Path) -> None:
    save_setup(SetupRequest("a", folder, take="verse & chorus"), io.StringIO())
    out, looks = io.StringIO(), []

    def tuned(seconds: float) -> None:
        looks.append(seconds)
        if len(looks) == 2:
            text = (folder / "hits.csv").read_text()
            assert "186.74" in text
            (folder / "hits.csv").write_text(text.replace("186.74", "190.00"))

    assert restore_check(SetupRequest("a", folder, follow=True), out, sleep=tuned) == 0
    assert len(looks) == 2
    assert out.getvalue().count("cents flat") == 1, "said once, not at every look"
    assert "It matches" in out.getvalue()


def test_a_name_is_not_written_over(folder: Path) -> None:
    save_setup(SetupRequest("a", folder), io.StringIO())
    with pytest.raises(ConfigError, match="--replace"):
        save_setup(SetupRequest("a", folder), io.StringIO())
    save_setup(SetupRequest("a", folder, replace=True), io.StringIO())
    with pytest.raises(ConfigError, match="letters"):
        save_setup(SetupRequest("../a", folder), io.StringIO())


def test_what_is_missing_or_damaged_is_said(folder: Path) -> None:
    save_setup(SetupRequest("november", folder), io.StringIO())
    with pytest.raises(ConfigError, match='did you mean "november"'):
        load_setup("novembre")
    (setups_folder() / "bad.json").write_text("{}")
    with pytest.raises(InputError, match="not a set-up"):
        load_setup("bad")
    with pytest.raises(ConfigError, match="--take nine"):
        save_setup(SetupRequest("b", folder, take="nine"), io.StringIO())
    (folder / "session_kit.toml").unlink()
    with pytest.raises(ConfigError, match="--kit"):
        check(SetupRequest("november", folder))


def test_sessions_heard_unlike_are_warned_of_once(folder: Path) -> None:
    save_setup(SetupRequest("a", folder), io.StringIO())
    assert "Mind:" not in check(SetupRequest("a", folder))[1]
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    summary["learned"] = "kit.learned.npz"
    (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    _, text = check(SetupRequest("a", folder))
    assert "heard without a soundcheck, this session with a soundcheck learned" in text
    # One saved by an earlier version says nothing of it.
    path = setups_folder() / "a.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    del document["learned"]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert "Mind:" not in check(SetupRequest("a", folder))[1]
