"""Set-ups kept and compared through the commands."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from liveassist.app.kittoml import kit_toml
from liveassist.app.sessionfiles import SessionFiles
from liveassist.app.setups import SetupRequest, load_setup, restore_check, save_setup, setups_folder
from liveassist.app.store import Store
from liveassist.app.storefile import FILE_NAME
from liveassist.errors import ConfigError, InputError
from liveassist.model import Hit, Snapshot, Standing
from tests.unit.app.test_store import snapshot
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
    assert "kick:" not in text
    assert "Measured from main hits of again: kick 24 (" in text
    assert "Gains and bleed are not compared: the folder holds no session.db" in text
    save_setup(SetupRequest("now", folder), io.StringIO())
    code, text = check(SetupRequest("now", folder))
    assert code == 0
    assert text.startswith("It matches: nothing differs by more than the figures can tell.\n")
    assert "flat of what it was" not in check(
        SetupRequest("reference", folder, take="verse & chorus")
    )[1]  # fmt: skip


def test_polarity_comes_from_the_pair_check(folder: Path) -> None:
    row = {"first": "snare_top", "second": "snare_bottom", "inverted": True, "delay_ms": 0.3}
    (folder / "advice.json").write_text(json.dumps({"schema": 1, "pairs": [row]}))
    save_setup(SetupRequest("a", folder), io.StringIO())
    flipped = {**row, "inverted": False}
    (folder / "advice.json").write_text(json.dumps({"schema": 1, "pairs": [flipped]}))
    code, text = check(SetupRequest("a", folder))
    assert code == 1
    said = "snare_bottom: its polarity against snare_top is turned over; flip it back.\n"
    assert text.startswith(said)


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


TURNED_S = 70.0


def turned(hit: Hit) -> Hit | None:
    """After a break the snare is tuned back, and its microphone turned down by 5 dB."""
    if TURNED_S - 5.0 < hit.time_s < TURNED_S:
        return None
    if hit.time_s < TURNED_S:
        return hit
    levels = tuple(
        None if level is None else level - 5.0 * (mic == 1)
        for mic, level in enumerate(hit.mic_dbfs)
    )
    peak_dbfs = hit.peak_dbfs
    if hit.drum != "snare" or peak_dbfs is None:
        return replace(hit, mic_dbfs=levels)
    measures = hit.measures and replace(hit.measures, note_hz=190.0)
    return replace(hit, peak_dbfs=peak_dbfs - 5.0, mic_dbfs=levels, measures=measures)


def with_store(folder: Path, change: Callable[[Hit], Hit | None]) -> Path:
    """The invented session with other hits, and its store."""
    hits = [new for hit in stored_samples.hits() if (new := change(hit)) is not None]
    SessionFiles(folder).write(replace(stored_samples.record(), hits=tuple(hits)))
    store = Store(folder / FILE_NAME, lambda: Standing((), None))
    store.note(kit=kit_toml(stored_samples.kit()))
    # As they are kept: before later strokes settled what is main.
    store.events([replace(hit, role="main") for hit in hits])
    heard: Snapshot = snapshot(95.0)
    store.figures(heard)
    store.finished()
    store.close()
    return folder


def test_what_was_turned_in_the_last_break_counts_and_nothing_before_it(folder: Path) -> None:
    """The head was flat until the break: over all of the take it would still be called so."""
    today = with_store(folder.parent / "today", turned)
    save_setup(SetupRequest("a", today, take="verse & chorus"), io.StringIO())
    code, text = check(SetupRequest("a", today))
    assert code == 1
    gain, *rest = text.splitlines()
    assert gain == "snare_top: its gain is 5.0 dB down; turn it up by 5.0 dB."
    assert rest == [
        "Measured from main hits of again: kick 20 (1:10 to 1:29), snare 20 (1:10 to 1:30)."
    ]


def test_strokes_too_few_after_a_break_are_said(folder: Path) -> None:
    def few(hit: Hit) -> Hit | None:
        return hit if hit.time_s < 80.0 or 88.0 <= hit.time_s < 89.0 else None

    today = with_store(folder.parent / "today", few)
    save_setup(SetupRequest("a", today), io.StringIO())
    assert "snare: 1 main hit after that, too few to go by; play 8 in a row." in check(
        SetupRequest("a", today)
    )[1]  # fmt: skip


def test_no_gain_is_advised_between_sessions_heard_unlike(folder: Path) -> None:
    """The snare's microphone 5 dB down, but heard with a soundcheck then and without one now."""
    today = with_store(folder.parent / "today", turned)
    save_setup(SetupRequest("a", today, take="verse & chorus"), io.StringIO())
    path = today / "summary.json"
    summary = json.loads(path.read_text(encoding="utf-8"))
    summary["learned"] = "kit.learned.npz"
    path.write_text(json.dumps(summary), encoding="utf-8")
    code, text = check(SetupRequest("a", today))
    assert code == 0
    assert "Gains and bleed are not compared: the set-up was heard without a soundcheck" in text
    assert "its gain is" not in text
    assert "dB softer than it was: the playing, or the gain of snare_top" in text


def test_sessions_heard_unlike_are_warned_of_once(folder: Path) -> None:
    save_setup(SetupRequest("a", folder), io.StringIO())
    assert "not compared: the set-up" not in check(SetupRequest("a", folder))[1]
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
    assert "not compared: the set-up" not in check(SetupRequest("a", folder))[1]
