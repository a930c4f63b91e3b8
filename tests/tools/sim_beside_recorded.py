"""Simulated strokes beside recorded ones: a table of figures, and a picture.

Run by hand: ``python -m tests.tools.sim_beside_recorded [--realkit DIR] [--picture FILE.png]``.
Needs the recorded drums (see `tests.bench.realkit_truth.folder`).
Figures are of single strokes from a soundcheck, the louder half of each instrument, in its own
microphone (cymbals: in the overhead that hears them loudest): median and range.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt, spectrogram

import sim
from liveassist.model import Audio, FloatArray
from tests.bench import realkit_truth as realkit
from tests.unit.sim.strokes import figures

#: Rows: name, (drum, articulation) as recorded, articulation as simulated.
ROWS = (
    ("kick", "kick", "KdrumL", "kick"),
    ("snare", "snare", "Snare", "snare"),
    ("rack tom", "tom_high", "Tom1", "tom_high"),
    ("floor tom", "tom_floor", "Tom4", "tom_floor"),
    ("hi-hat, closed", "hihat", "HihatClosed", "hihat"),
    ("hi-hat, open", "hihat", "HihatOpen", "hihat_open"),
    ("crash", "cymbal", "CrashL", "crash"),
    ("ride", "cymbal", "RideL", "ride"),
    ("china-like", "cymbal", "China", "china"),
)
BANDS_HZ = ((300, 1000), (1000, 4000), (4000, 12000))
OVERHEADS = ("over_left", "over_right")


@dataclass(frozen=True)
class Stroke:
    """One stroke from its tenth-of-peak time on, in one microphone. ``peak_dbfs``: its peak."""

    audio: FloatArray
    rate: int
    peak_dbfs: float


def strokes(
    audio: Audio,
    rate: int,
    rows: list[dict[str, str]],
    own: Mapping[str, str],
    mics: list[str],
) -> dict[str, list[Stroke]]:
    """Strokes by articulation; each ends where the next begins."""
    found: dict[str, list[Stroke]] = {}
    starts = [float(row["time_s"]) for row in rows] + [audio.shape[0] / rate]
    for row, after in zip(rows, starts[1:], strict=True):
        heard = {mic: float(row[f"peak_db_{mic}"]) for mic in mics}
        mic = own.get(row["drum"]) or max(OVERHEADS, key=lambda name: heard[name])
        first = round(float(row["time_s"]) * rate)
        last = min(round((after - 0.05) * rate), audio.shape[0])
        piece = audio[first:last, mics.index(mic)].astype(np.float64)
        found.setdefault(row["articulation"], []).append(Stroke(piece, rate, heard[mic]))
    return found


def recorded(where: Path) -> dict[str, list[Stroke]]:
    """The soundcheck of the recorded kit with little bleed."""
    about = json.loads((where / "a_soundcheck.json").read_text())
    with (where / "a_soundcheck.csv").open() as file:
        rows = list(csv.DictReader(file))
    audio, rate = soundfile.read(where / "a_soundcheck.flac", dtype="float32")
    return strokes(audio, rate, rows, about["own"], about["mics"])


def simulated(name: str = "first_light") -> dict[str, list[Stroke]]:
    """The soundcheck of a shipped scenario."""
    scene = sim.open_scenario(name, soundcheck=True)
    audio = scene.read(scene.total_frames)
    rows = [{key: str(value) for key, value in row.items()} for row in scene.truth()]
    return strokes(audio, scene.sample_rate_hz, rows, scene.own, list(scene.mics))


def band_figures(stroke: Stroke) -> dict[str, float]:
    """Of each band: when its 5 ms envelope peaks (ms) and its T20 times three (s)."""
    out = {}
    for low, high in BANDS_HZ:
        sos = butter(3, [low, high], btype="band", fs=stroke.rate, output="sos")
        wave = sosfilt(sos, stroke.audio)
        width = round(0.005 * stroke.rate)
        level = np.sqrt(np.convolve(wave**2, np.ones(width) / width)[: wave.size])
        peak = int(np.argmax(level))
        left = np.cumsum(wave[::-1] ** 2)[::-1]
        left_db = 10 * np.log10(left / left[0] + 1e-30)
        five, down = int(np.argmax(left_db < -5)), int(np.argmax(left_db < -25))
        out[f"peak_{low}_ms"] = 1e3 * peak / stroke.rate
        out[f"t60_{low}_s"] = 3.0 * (down - five) / stroke.rate if down > five else float("nan")
    return out


def louder(found: list[Stroke]) -> list[Stroke]:
    """The louder half, at least one."""
    ranked = sorted(found, key=lambda item: item.peak_dbfs, reverse=True)
    return ranked[: max(len(ranked) // 2, 1)]


def table(kits: Mapping[str, dict[str, list[Stroke]]]) -> list[str]:
    """Markdown: one row an instrument and kit; median, and the range where there are several."""
    lines: list[str] = []
    for label, _, real_name, sim_name in ROWS:
        for kit, name in (("recorded", real_name), ("simulated", sim_name)):
            rows = [figures(s.audio, s.rate) | band_figures(s) for s in louder(kits[kit][name])]
            if not lines:
                lines.append("| stroke | kit | " + " | ".join(rows[0]) + " |")
                lines.append("|---" * (len(rows[0]) + 2) + "|")
            cells = []
            for key in rows[0]:
                values = [row[key] for row in rows]
                low, high = min(values), max(values)
                cell = f"{np.median(values):.3g}"
                cells.append(cell if len(values) == 1 else f"{cell} ({low:.3g} to {high:.3g})")
            lines.append(f"| {label} | {kit} | " + " | ".join(cells) + " |")
    return lines


def picture(kits: Mapping[str, dict[str, list[Stroke]]], path: Path) -> None:
    """Loudest stroke of each instrument: first 60 ms, and the spectrogram of half a second."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    sheet, axes = plt.subplots(len(ROWS), 4, figsize=(11, 1.35 * len(ROWS)), squeeze=False)
    for line, (label, _, real_name, sim_name) in zip(axes, ROWS, strict=True):
        for place, (kit, name) in enumerate((("recorded", real_name), ("simulated", sim_name))):
            stroke = louder(kits[kit][name])[0]
            piece = np.pad(stroke.audio, (0, stroke.rate))[: stroke.rate // 2]
            piece = piece / np.abs(piece).max()
            time_ms = 1e3 * np.arange(piece.size) / stroke.rate
            near = time_ms < 60
            line[place].plot(time_ms[near], piece[near], linewidth=0.5, color=f"C{place}")
            line[place].set_ylim(-1.05, 1.05)
            line[place].set_yticks([])
            hz, when, power = spectrogram(piece, stroke.rate, nperseg=1024, noverlap=896)
            shown = 10 * np.log10(power / power.max() + 1e-12)
            line[2 + place].pcolormesh(
                1e3 * when, hz / 1e3, shown, vmin=-80, vmax=0, cmap="magma", rasterized=True
            )
            line[2 + place].set_yscale("log")
            line[2 + place].set_ylim(0.05, 20)
            line[2 + place].set_yticks([0.1, 1, 10], ["0.1", "1", "10"])
            line[2 + place].minorticks_off()
        line[0].set_ylabel(label, rotation=0, ha="right", va="center", fontsize=8)
    for column, title in enumerate(
        ("recorded, 60 ms", "simulated, 60 ms", "recorded, kHz over ms", "simulated, kHz over ms")
    ):
        axes[0][column].set_title(title, fontsize=9)
    for axis in axes.flat:
        axis.tick_params(labelsize=6)
        if axis not in axes[-1]:
            axis.set_xticklabels([])
    sheet.tight_layout(h_pad=0.3, w_pad=0.4)
    sheet.savefig(path, dpi=75)


def main() -> None:
    """Print the table; draw the picture where asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--realkit", type=Path, default=realkit.folder())
    parser.add_argument("--scenario", default="first_light")
    parser.add_argument("--picture", type=Path)
    options = parser.parse_args()
    if options.realkit is None:
        parser.error(realkit.MISSING)
    kits = {"recorded": recorded(options.realkit), "simulated": simulated(options.scenario)}
    print("\n".join(table(kits)))
    if options.picture is not None:
        picture(kits, options.picture)


if __name__ == "__main__":
    main()
