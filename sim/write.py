"""Write a scene to files: FLAC (or WAV), truth CSV, JSON, kit profile."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from .scene import Scene

_BLOCK = 16384
#: FLAC holds at most eight channels.
_FLAC_CHANNELS = 8


def write_scene(
    scene: Scene, folder: Path, *, seconds: float | None = None, stem: str | None = None
) -> list[Path]:
    """Write ``STEM.flac`` (``.wav`` above eight microphones), ``.csv``, ``.json`` and
    ``.kit.toml``; the paths written. ``seconds`` cuts the scene short."""
    import soundfile

    folder.mkdir(parents=True, exist_ok=True)
    stem = stem or scene.name
    left = scene.total_frames
    if seconds is not None:
        left = min(left, round(seconds * scene.sample_rate_hz))
    length_s = left / scene.sample_rate_hz
    kind = "flac" if len(scene.mics) <= _FLAC_CHANNELS else "wav"
    audio_path = folder / f"{stem}.{kind}"
    with soundfile.SoundFile(
        audio_path, "w", scene.sample_rate_hz, len(scene.mics), subtype="PCM_16"
    ) as file:
        while left > 0:
            block = scene.read(min(_BLOCK, left))
            file.write(block)
            left -= block.shape[0]
    rows = scene.truth(length_s)
    csv_path = folder / f"{stem}.csv"
    columns = ["time_s", "drum", "articulation", "sample", "role", "cents"]
    columns += [f"peak_db_{mic}" for mic in scene.mics]
    with csv_path.open("w", newline="", encoding="utf-8") as text:
        writer = csv.DictWriter(text, columns)
        writer.writeheader()
        writer.writerows(rows)
    json_path = folder / f"{stem}.json"
    json_path.write_text(json.dumps(scene.description(length_s)) + "\n", encoding="utf-8")
    kit_path = folder / f"{stem}.kit.toml"
    kit_path.write_text(scene.kit_toml, encoding="utf-8")
    return [audio_path, csv_path, json_path, kit_path]
