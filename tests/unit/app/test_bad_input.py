"""Whatever comes from outside: a sentence or a result, never a traceback, never a hang."""

from __future__ import annotations

import contextlib
import io
import json
import os
import socket
import sqlite3
import string
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from liveassist.app.cli import main
from liveassist.app.config import load_kit, parse_kit
from liveassist.app.control import ORDERS, ControlServer
from liveassist.app.controlclient import Connection
from liveassist.app.kittoml import kit_toml
from liveassist.app.resources import bundled
from liveassist.app.rundir import Claim
from liveassist.app.storefile import FILE_NAME, PRAGMAS, SCHEMA_SQL, SCHEMA_VERSION, find
from liveassist.errors import LiveassistError
from liveassist.input.files import open_recording
from liveassist.model import Audio, Drum, Kit, Mic
from liveassist.pipeline import Pipeline

RATE = 48_000
KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1), Mic("far", 2)))
ONE = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
GOOD = bundled("kits")["eight_mics"].read_text(encoding="utf-8")
#: Words and values as a person may put them where others belong.
VALUES = st.sampled_from(
    ["-1", "0", "99999999999999999999", "1e400", "nan", "-inf", '""', "[]", "{}", "[[1]]", "true"]
)


def refused_or_read(text: str) -> None:
    said = "read"
    try:
        parse_kit(text, "kit.toml")
    except LiveassistError as problem:
        said = str(problem)
    assert said.strip()


@ONE
@given(st.text(max_size=300))
def test_any_text_as_a_profile(text: str) -> None:
    refused_or_read(text)


@ONE
@given(st.data())
def test_a_profile_with_one_thing_changed(data: st.DataObject) -> None:
    """A line dropped or doubled, a value of another kind, a character anywhere."""
    lines = GOOD.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    what = data.draw(st.sampled_from(["drop", "double", "value", "character"]))
    if what == "drop":
        del lines[at]
    elif what == "double":
        lines.insert(at, lines[at])
    elif what == "value" and "=" in lines[at]:
        lines[at] = lines[at].split("=")[0] + "= " + data.draw(VALUES)
    else:
        place = data.draw(st.integers(0, len(lines[at])))
        lines[at] = lines[at][:place] + data.draw(st.characters()) + lines[at][place:]
    refused_or_read("\n".join(lines))


@ONE
@given(st.binary(max_size=400))
def test_any_bytes_as_a_profile(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("kit") / "kit.toml"
    path.write_bytes(content)
    with contextlib.suppress(LiveassistError):
        load_kit(str(path))


def wav(audio: Audio) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, audio, RATE, subtype="FLOAT", format="WAV")
    return file.getvalue()


@ONE
@given(st.data())
def test_an_audio_file_with_a_lying_header(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Cut anywhere, and any bytes in its first hundred: channels, rate, sizes, format."""
    raw = bytearray(wav(np.zeros((600, 2), dtype=np.float32)))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, 99))
        raw[at : at + 4] = data.draw(st.binary(min_size=4, max_size=4))
    path = tmp_path_factory.mktemp("audio") / "x.wav"
    path.write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
    said = "read"
    try:
        with open_recording([str(path)], KIT) as recording:
            for block in recording.blocks(256):
                assert np.isfinite(block.audio).all()
    except LiveassistError as problem:
        said = str(problem)
    assert said.strip()


def test_a_file_of_no_channels_is_refused(tmp_path: Path) -> None:
    raw = bytearray(wav(np.zeros((600, 1), dtype=np.float32)))
    raw[22:24] = b"\0\0"  # channels, RIFF WAVE format chunk
    (tmp_path / "x.wav").write_bytes(raw)
    with pytest.raises(LiveassistError):
        open_recording([str(tmp_path / "x.wav")], KIT)


def test_sixty_four_channels_give_those_the_kit_names(tmp_path: Path) -> None:
    audio = np.tile(np.arange(1, 65, dtype=np.float32) / 128.0, (700, 1))
    soundfile.write(tmp_path / "x.wav", audio, RATE, subtype="FLOAT")
    kit = Kit("yard", KIT.drums, (Mic("top", 64), Mic("far", 2)))
    with open_recording([str(tmp_path / "x.wav")], kit) as recording:
        block = next(iter(recording.blocks(512)))
    assert block.audio[0].tolist() == [0.5, 2.0 / 128.0]


@pytest.mark.parametrize("what", ["denormals", "offset", "square", "impulses"])
def test_odd_signals_go_through_the_analysis(what: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    audio = {
        "denormals": rng.standard_normal((RATE, 2)) * 1e-40,
        "offset": np.full((RATE, 2), 0.9),
        "square": np.sign(np.sin(np.arange(RATE) / 7.0))[:, None] * np.ones((1, 2)),
        "impulses": (np.arange(RATE)[:, None] % 4800 == 0) * np.ones((1, 2)),
    }[what].astype(np.float32)
    soundfile.write(tmp_path / "x.wav", audio, RATE, subtype="FLOAT")
    pipeline = Pipeline(KIT, RATE)
    with open_recording([str(tmp_path / "x.wav")], KIT) as recording:
        for block in recording.blocks(4096):
            pipeline.feed(block)
    pipeline.finish()
    record = pipeline.session()
    assert all(np.isfinite(hit.time_s) for hit in record.hits)
    if what == "denormals":
        assert not record.hits
    if what == "offset":  # nothing but where it begins and ends, which are steps
        assert all(min(hit.sample, RATE - hit.sample) < RATE // 50 for hit in record.hits)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ControlServer]:
    before = os.environ.get("LIVEASSIST_RUNTIME_DIR")
    os.environ["LIVEASSIST_RUNTIME_DIR"] = str(tmp_path_factory.mktemp("run"))
    os.chmod(os.environ["LIVEASSIST_RUNTIME_DIR"], 0o700)
    claim = Claim("box")
    made = ControlServer(claim.socket)
    yield made
    made.close()
    claim.release()
    if before is None:
        del os.environ["LIVEASSIST_RUNTIME_DIR"]
    else:
        os.environ["LIVEASSIST_RUNTIME_DIR"] = before


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)


@ONE
@given(
    st.lists(
        st.binary(max_size=200)
        | JSON.map(lambda value: json.dumps(value).encode())
        | st.fixed_dictionaries({"do": JSON, "what": JSON}).map(lambda v: json.dumps(v).encode()),
        max_size=8,
    ),
    st.integers(1, 60),
)
def test_anything_on_the_local_socket(
    server: ControlServer, lines: list[bytes], piece: int
) -> None:
    """In pieces of any size; who asks honestly meanwhile is answered, and nothing is ordered."""
    rude = socket.socket(socket.AF_UNIX)
    rude.connect(str(server.path))
    data = b"\n".join(lines) + b"\n"
    with contextlib.suppress(OSError):
        for at in range(0, len(data), piece):
            rude.sendall(data[at : at + piece])
    with Connection(server.path) as daemon:
        assert "status" in daemon.answer("status")
    rude.close()
    while not server.orders.empty():
        assert server.orders.get_nowait().do in ORDERS


WORD = st.sampled_from(
    ["check", "replay", "sessions", "takes", "export", "compare", "report", "watch", "status",
     "--kit", "three_mics", "no_such_kit", "--take", "a=1:2", "a=2:1", "--out", "--seconds", "-1",
     "nan", "1e999", "--aim", "--rate", "--help", "--", "", "x.wav", "/no/such/file", "--json"]
) | st.text(alphabet=string.printable, max_size=8)  # fmt: skip


@ONE
@given(
    st.sampled_from(["check", "replay", "takes", "export", "compare", "status", "watch", "tell"]),
    st.lists(WORD, max_size=5),
)
def test_any_command_line_ends_in_words(
    tmp_path_factory: pytest.TempPathFactory, command: str, words: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("here")
    words = [word for word in words if "\0" not in word]
    out, err = io.StringIO(), io.StringIO()
    before, run = Path.cwd(), os.environ.get("LIVEASSIST_RUNTIME_DIR")
    os.environ["LIVEASSIST_RUNTIME_DIR"] = str(folder / "run")
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main([command, *words])
            except SystemExit as end:
                code = int(end.code or 0)
    finally:
        os.chdir(before)
        if run is None:
            del os.environ["LIVEASSIST_RUNTIME_DIR"]
        else:
            os.environ["LIVEASSIST_RUNTIME_DIR"] = run
    assert code in (0, 1, 2)
    assert out.getvalue() or err.getvalue()
    assert "Traceback" not in err.getvalue()


@ONE
@given(
    st.dictionaries(st.sampled_from(["heard", "standing", "kit", "ended", "started_at"]), JSON),
    st.lists(st.binary(max_size=60), max_size=2),
    st.lists(JSON, max_size=1),
    st.booleans(),
)
def test_a_store_whose_rows_mean_nothing(
    tmp_path_factory: pytest.TempPathFactory,
    facts: dict[str, object],
    hits: list[bytes],
    alerts: list[object],
    ours: bool,
) -> None:
    """A sound database of this version with rows as another program may have left them."""
    folder = tmp_path_factory.mktemp("store")
    if ours:
        facts |= {"kit": kit_toml(KIT)}
        facts.setdefault("heard", {"time_s": 5.0, "wall_s": 999.0})
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as db:
        for pragma in PRAGMAS:
            db.execute(pragma)
        db.executescript(SCHEMA_SQL)
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        for name, value in facts.items():
            db.execute("INSERT INTO facts VALUES (?, ?)", (name, json.dumps(value)))
        for number, content in enumerate(hits):
            row = (number, 0.1, "snare", content, None)
            db.execute("INSERT INTO hits VALUES (?, ?, ?, ?, ?)", row)
        for alert in alerts:
            db.execute("INSERT INTO alerts VALUES ('a', 0.0, ?)", (json.dumps(alert),))
        db.commit()
    found = find(folder, KIT, now_s=1000.0)
    if found.kept is not None:
        assert (found.kept.heard_s, found.kept.hits, found.kept.alerts) == (5.0, (), ())
