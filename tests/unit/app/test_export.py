"""Exports and take lists: read back by other readers (csv, json, soundfile, a RIFF walk, mido)."""

from __future__ import annotations

import csv
import io
import json
import struct
from pathlib import Path

import jsonschema
import mido
import numpy as np
import pytest
import soundfile

from liveassist.app.commands_after import EXPORT_FORMS
from liveassist.app.export import FORMS, ExportRequest, export
from liveassist.app.saying import TakeWords
from liveassist.app.sessionfolder import read_session
from liveassist.app.summary import schema
from liveassist.app.takes import SessionsRequest, TakesRequest, sessions, takes
from liveassist.errors import ConfigError, InputError
from tests.unit.output import stored_samples


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return stored_samples.write_session(tmp_path / "evening")


def exported(folder: Path, form: str, **more: object) -> Path:
    target = folder.parent / f"out.{form}"
    request = ExportRequest(folder, form, target, **more)  # type: ignore[arg-type]
    assert export(request, io.StringIO()) == 0
    assert not list(folder.parent.glob(".*.part"))
    return target


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_command_line_knows_every_form() -> None:
    assert tuple(FORMS) == EXPORT_FORMS


def test_csv_is_hits_csv_with_bars(folder: Path) -> None:
    """The invented drummer plays quarters at 120 exactly: kick on one and three."""
    plain = rows(exported(folder, "csv"))
    assert [row["time_s"] for row in plain] == [row["time_s"] for row in rows(folder / "hits.csv")]
    laid = rows(exported(folder, "csv", tempo_bpm=120.0))
    first = [row for row in laid if row["take"] == "verse & chorus"]
    assert (first[0]["bar"], first[0]["beat"], first[0]["drum"]) == ("1", "1", "kick")
    assert {row["beat"] for row in first if row["drum"] == "kick"} == {"1", "3"}
    assert {row["beat"] for row in first if row["role"] == "main" and row["drum"] == "snare"} == {
        "2", "4",
    }  # fmt: skip
    assert {row["beat"] for row in first if row["role"] == "ghost"} == {"3.5"}
    assert max(abs(float(row["offset_ms"])) for row in first) < 0.1
    assert int(first[-1]["bar"]) == 20


def test_csv_of_one_drum(folder: Path) -> None:
    kicks = rows(exported(folder, "csv", drums=("kick",)))
    assert {row["drum"] for row in kicks} == {"kick"}
    with pytest.raises(ConfigError, match="no such drum"):
        exported(folder, "csv", drums=("kik",))


def test_json_holds_a_valid_summary_and_every_hit(folder: Path) -> None:
    document = json.loads(exported(folder, "json").read_text(encoding="utf-8"))
    jsonschema.validate(document["summary"], schema(), jsonschema.Draft202012Validator)
    assert len(document["hits"]) == len(rows(folder / "hits.csv"))
    assert document["kit"]["mics"][2] == {
        "name": "snare_bottom", "channel": 3, "of": "snare", "type": "acoustic",
    }  # fmt: skip


def test_midi_holds_hits_and_takes(folder: Path) -> None:
    file = mido.MidiFile(exported(folder, "midi", tempo_bpm=97.0))
    now, notes, marks = 0.0, [], []
    for message in file:
        now += message.time
        if message.type == "note_on":
            notes.append(now)
        if message.type == "marker":
            marks.append((round(now, 2), message.text))
    wanted = [float(row["time_s"]) for row in rows(folder / "hits.csv")]
    assert notes == pytest.approx(wanted, abs=0.0002)
    # The weak backbeat is beat 61 of its take; at another tempo than was played it has no bar.
    assert marks == [
        (2.0, "verse & chorus"), (42.0, "verse & chorus end"), (50.0, "again"),
        (60.0, "dead mic over"), (80.5, "weak snare"), (90.0, "again end"),
    ]  # fmt: skip


def test_markers_are_times_and_samples(folder: Path) -> None:
    (first, second) = rows(exported(folder, "markers", only_takes=True))
    assert (first["name"], first["start_sample"], first["end_sample"]) == (
        "verse & chorus", "96000", "2016000",
    )  # fmt: skip
    assert float(second["start_s"]) == 50.0
    everything = rows(exported(folder, "markers", tempo_bpm=120.0))
    assert [(row["kind"], row["name"], float(row["start_s"])) for row in everything] == [
        ("take", "verse & chorus", 2.0), ("take", "again", 50.0), ("fault", "dead mic over", 60.0),
        ("bar", "bar 16: weak", pytest.approx(80.0, abs=0.01)),
    ]  # fmt: skip
    assert float(everything[3]["end_s"]) == pytest.approx(82.0, abs=0.01)


def cue_points(data: bytes) -> tuple[dict[int, int], dict[int, str]]:
    """Sample of each cue point and label of each, walking the chunks of a RIFF WAVE file."""
    assert data[:4] == b"RIFF"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    at, points, labels = 12, {}, {}
    while at < len(data):
        name, (size,) = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])
        body = data[at + 8 : at + 8 + size]
        if name == b"cue ":
            (count,) = struct.unpack("<I", body[:4])
            for number in range(count):
                row = struct.unpack("<II4sIII", body[4 + 24 * number : 28 + 24 * number])
                assert row[2] == b"data"
                points[row[0]] = row[5]
        if name == b"LIST" and body[:4] == b"adtl":
            inner = 4
            while inner < size:
                kind, length = struct.unpack("<4sI", body[inner : inner + 8])
                assert kind == b"labl"
                (number,) = struct.unpack("<I", body[inner + 8 : inner + 12])
                text = body[inner + 12 : inner + 8 + length]
                labels[number] = text.rstrip(b"\0").decode()
                inner += 8 + length + length % 2
        at += 8 + size + size % 2
    return points, labels


def test_cue_points_are_where_the_takes_are(folder: Path, tmp_path: Path) -> None:
    audio = tmp_path / "take.wav"
    sound = np.random.default_rng(1).integers(-(2**15), 2**15, (48_001, 1), dtype=np.int16)
    soundfile.write(audio, sound, 48_000, "PCM_16")
    marked = exported(folder, "cues", audio=audio, only_takes=True)
    points, labels = cue_points(marked.read_bytes())
    assert list(points.values()) == [96_000, 2_016_000, 2_400_000, 4_320_000]
    assert list(labels.values()) == [
        "verse & chorus", "verse & chorus end", "again", "again end",
    ]  # fmt: skip
    read, rate = soundfile.read(marked, dtype="int16", always_2d=True)
    assert rate == 48_000
    assert np.array_equal(read, sound), "the audio is untouched"
    request = ExportRequest(folder, "cues", tmp_path / "b.wav", audio=marked, only_takes=True)
    again = export(request, io.StringIO())
    assert again == 0
    assert cue_points((tmp_path / "b.wav").read_bytes()) == (points, labels), "not doubled"


def test_what_cannot_take_cue_points_is_refused(folder: Path, tmp_path: Path) -> None:
    flac = tmp_path / "take.flac"
    soundfile.write(flac, np.zeros(100), 48_000)
    with pytest.raises(InputError, match=r"WAV files only.*; convert it to WAV first"):
        exported(folder, "cues", audio=flac)
    wav = tmp_path / "take.wav"
    soundfile.write(wav, np.zeros(1000), 48_000)
    with pytest.raises(ConfigError, match="the recording itself"):
        export(ExportRequest(folder, "cues", wav, audio=wav), io.StringIO())
    wav.write_bytes(wav.read_bytes()[:-500])
    with pytest.raises(InputError, match="cut off"):
        exported(folder, "cues", audio=wav)
    with pytest.raises(ConfigError, match="--audio"):
        exported(folder, "cues")
    with pytest.raises(ConfigError, match="only that form"):
        exported(folder, "csv", audio=flac)


# --- lists ------------------------------------------------------------------------------------


def listed(request: TakesRequest) -> str:
    out = io.StringIO()
    assert takes(request, out) == 0
    return out.getvalue()


def test_takes_are_listed_with_stars_and_notes(folder: Path) -> None:
    words = TakeWords(stars=("again",), notes=("again=tired = slow",))
    text = listed(TakesRequest(folder, words=words))
    assert "1. verse & chorus: 0:02 to 0:42, evenness 1 (best), kick" in text
    assert "2. again *: " in text
    assert "evenness 2, kick" in text
    assert "1 change" in text
    assert "   tired = slow" in text
    assert read_session(folder).stars == {"again"}
    assert "again *" not in listed(TakesRequest(folder, words=TakeWords(unstars=("again",))))
    with pytest.raises(ConfigError, match='did you mean "again"'):
        listed(TakesRequest(folder, words=TakeWords(stars=("agian",))))


def on_bars(folder: Path, *first_beats: str, tempo: tuple[str, ...] = ("120",)) -> str:
    return listed(TakesRequest(folder, words=TakeWords(tempos=tempo, first_beats=first_beats)))


def test_takes_on_bars(folder: Path) -> None:
    with pytest.raises(ConfigError, match="--tempo"):
        on_bars(folder, "again=1", tempo=())
    text = on_bars(folder)
    # Beat 61 is in bar 16; a microphone is dead from the tenth to the 22nd second of the take.
    assert "again           .....!!!!!!....w...." in text
    assert "again, bar 16: weak; clean there: verse & chorus." in text
    with pytest.raises(ConfigError, match="seconds"):
        on_bars(folder, "again=soon")
    assert "again, bar 17: weak" in on_bars(folder, "again=48.0")


def test_default_names_end_once(folder: Path) -> None:
    export(ExportRequest(folder, "csv"), io.StringIO())
    export(ExportRequest(folder, "markers"), io.StringIO())
    export(ExportRequest(folder, "midi"), io.StringIO())
    names = {path.name for path in folder.iterdir()}
    assert {"evening.hits.csv", "evening.markers.csv", "evening.mid"} <= names


def test_sessions_are_listed(folder: Path) -> None:
    out = io.StringIO()
    sessions(SessionsRequest(folder.parent), out)
    assert out.getvalue().startswith(f"{folder}: ")
    assert "2 takes" in out.getvalue()
    empty = io.StringIO()
    (folder.parent / "none").mkdir()
    sessions(SessionsRequest(folder.parent / "none"), empty)
    assert "No session in" in empty.getvalue()
    with pytest.raises(ConfigError, match="no such folder"):
        sessions(SessionsRequest(folder.parent / "nowhere"), empty)
