"""Predicted beside actual with the real detection: prints the tables of docs/expander.md.

Each recording is cut in two. The analysis hears one half, as if it were a session of its own after
a soundcheck; what it suggests at the end is judged on the other half, by the ``gate`` of
`independent_expander`, with the true hits. Run by hand: ``python -m tests.bench.expander_table``
(minutes of one core); with ``--alone`` nothing was learned before, with ``--recorded`` or
``--simulated`` only one half of the work. Recorded drums are taken where `realkit_truth.folder`
finds them, and left out with a word where it does not.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

import sim
from liveassist.advise.predict import Known
from liveassist.advise.scene import drums_of
from liveassist.advise.suggest import not_for_expander
from liveassist.app.config import parse_kit
from liveassist.attribute.signature import Learned
from liveassist.model import Audio, Block, Kit, Suggestion
from liveassist.pipeline import Pipeline
from tests.bench import independent_expander as other
from tests.bench import realkit_truth as truth
from tests.bench.recordings import from_scenario, learned_from, pair_from_folder

SCENARIOS = ("rock_ghosts", "hard_bleed", "three_mics", "small_room", "double_kick", "first_light")
#: A scenario is heard this long at most, s.
LONGEST_S = 60.0
#: Fewer foreign hits than this, with no own hit near, have no median worth stating.
LEAST_FOREIGN = 5
OPEN = Suggestion(-99.0, 3.0, 12.0, 3.5, 3.0, 0.5, 20.0, 60.0, 0.0, None, None, None)
EXTREMES = {"always open": OPEN, "always shut": replace(OPEN, threshold_dbfs=20.0)}
#: What has an interval: name of what happened, and of the figure in a `Prediction`.
FIGURES = (
    ("passed", "main_passed"),
    ("cut", "bleed_cut"),
    ("openings", "openings"),
    ("ghosts", None),
)
WANTED = "97 % passed, 9 dB cut, at most 6 openings a minute"


@dataclass(frozen=True)
class Song:
    """A recording with its true hits: (sample, drum, whether it is a main hit).

    ``learned``: what its soundcheck teaches."""

    name: str
    kit: Kit
    rate: int
    audio: Audio
    hits: Sequence[tuple[int, str, bool]]
    learned: Learned | None = None


@dataclass(frozen=True)
class Row:
    """One half judged. ``suggestion`` is None where there was none, or for the extremes."""

    song: str
    mic: str
    judged: str
    suggestion: Suggestion | None
    reason: str | None
    got: Mapping[str, float]
    #: The same with key filters of 24 dB an octave; None without one.
    steep: Mapping[str, float] | None = None
    #: How far ghosts come down, as predicted; None without ghosts.
    ghosts: Known | None = None

    @property
    def good(self) -> bool:
        """Whether it does what is asked of an expander."""
        return bool(self.got) and _good(self.got)

    @property
    def words(self) -> str:
        """The same in words, with what a steeper key filter changes."""
        said = "yes" if self.good else "no"
        if self.steep is None or _good(self.steep) == self.good:
            return said
        return f"{said}; at 24 dB an octave {'yes' if _good(self.steep) else 'no'}"

    @property
    def badness(self) -> float:
        """How far off: 1 for 2 % of main hits, 3 dB of cut or 6 openings a minute too many."""
        if not self.got:
            return math.inf
        lost = max(0.0, 0.97 - self.got["passed"]) / 0.02
        cut = self.got["cut"]
        short = 0.0 if math.isnan(cut) else max(0.0, 9.0 - cut) / 3.0
        return lost + short + max(0.0, self.got["openings"] - 6.0) / 6.0


def _good(got: Mapping[str, float]) -> bool:
    deep = math.isnan(got["cut"]) or got["cut"] >= 9.0  # nothing to cut is no fault
    return got["passed"] >= 0.97 and deep and got["openings"] <= 6.0


def recorded(alone: bool = True) -> Iterator[Song]:
    """The recorded sessions; with ``alone`` without their soundchecks."""
    where = truth.folder()
    if where is None:
        print(truth.MISSING, file=sys.stderr)
        return
    for name in truth.SESSIONS:
        one = truth.load(name)
        hits = [
            (hit.sample, hit.drum, role == "main")
            for hit, role in zip(one.hits, one.truth_role, strict=True)
        ]
        if alone:
            yield Song(name, one.kit, one.sample_rate_hz, one.audio, hits)
        else:
            whole, check = pair_from_folder(where, name)
            learned = learned_from(check)
            yield Song(name, whole.kit, one.sample_rate_hz, one.audio, hits, learned)


def simulated(alone: bool = True) -> Iterator[Song]:
    """The scenarios of the simulator; with ``alone`` without their soundchecks."""
    for name in SCENARIOS:
        scene = sim.open_scenario(name)
        rate = scene.sample_rate_hz
        audio = scene.read(round(min(LONGEST_S, scene.duration_s) * rate))
        hits = [
            (round(float(row["time_s"]) * rate), row["drum"], row["role"] == "main")
            for row in scene.truth()
            if float(row["time_s"]) * rate < len(audio)
        ]
        learned = None if alone else learned_from(from_scenario(name, 0.0, soundcheck=True))
        yield Song(name, parse_kit(scene.kit_toml, name), rate, audio, hits, learned)


def suggested(song: Song, start: int, stop: int) -> Pipeline:
    """The analysis after hearing that part."""
    pipeline = Pipeline(song.kit, song.rate, learned=song.learned)
    for at in range(start, stop, 4096):
        pipeline.feed(Block(at - start, song.audio[at : min(at + 4096, stop)]))
    pipeline.finish()
    return pipeline


def judge(
    song: Song, mic: str, s: Suggestion, start: int, stop: int, order: int = 2
) -> dict[str, float]:
    """What an expander written apart does there, with key filters of that order."""
    audio = song.audio[start:stop, song.kit.mic_index(mic)].astype(float)
    names = {drum.name for drum in drums_of(song.kit, mic)}
    inside = [(at - start, drum, main) for at, drum, main in song.hits
              if start <= at < stop - round(0.07 * song.rate)]  # fmt: skip
    main = [at for at, drum, is_main in inside if drum in names and is_main]
    own = [at for at, drum, _ in inside if drum in names]
    foreign = [at for at, drum, _ in inside if drum not in names]
    arrays = [np.sort(np.array(part, dtype=float)) for part in (main, own, foreign)]
    gain = other.gain_db(audio, s, song.rate, "gate", order)
    got = other.judge(audio, gain, song.rate, s.range_db, *arrays)
    soft = [at for at, drum, is_main in inside if drum in names and not is_main]
    fallen = []
    for at in soft:
        later = [one for one in own if one > at]
        size = min([0.04 * song.rate, *(one - at for one in later)])
        span = np.abs(audio[at : at + max(round(size), 1)])
        fallen.append(-gain[at + int(span.argmax())])
    got["ghosts"] = float(np.median(fallen)) if fallen else math.nan
    if got["foreign"] < LEAST_FOREIGN:
        got["cut"] = math.nan
    return got


def rows_of(song: Song) -> list[Row]:
    """All rows of a recording, with the extremes on the snare's microphone."""
    middle, end = len(song.audio) // 2, len(song.audio)
    rows = []
    for judged, heard, later in (
        ("2nd half", (0, middle), (middle, end)),
        ("1st half", (middle, end), (0, middle)),
    ):
        heard_all = suggested(song, *heard)
        record, sheets = heard_all.session(), heard_all.advice().mics
        for mic, s in record.expander.items():
            if not_for_expander(song.kit, mic) is not None:
                continue
            reason = record.expander_reason.get(mic)
            got = {} if s is None else judge(song, mic, s, *later)
            if got and not got["main"]:
                s, reason, got = None, "suggested, but the other half has no main hits", {}
            steep = None
            if s is not None and (s.key_highpass_hz or s.key_lowpass_hz):
                steep = judge(song, mic, s, *later, order=4)
            ghosts = sheets[mic].details.ghost_cut_db if mic in sheets else None
            rows.append(Row(song.name, mic, judged, s, reason, got, steep, ghosts))
    snare = next(drum.own for drum in song.kit.drums if drum.kind == "snare")
    assert snare is not None
    for label, extreme in EXTREMES.items():
        got = judge(song, snare, extreme, middle, end)
        rows.append(Row(song.name, snare, label, None, None, got))
    return rows


def table(rows: Sequence[Row]) -> list[str]:
    """Markdown, worst first; intervals that do not hold what happened are marked, and the cut is –
    where there were too few foreign hits."""
    lines = [
        "| recording | microphone | judged on | threshold, ratio, key | passed: predicted, actual "
        "| bleed cut dB: predicted, actual | openings a minute: predicted, actual "
        "| ghosts down dB: predicted, actual | good |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    judged = sorted((row for row in rows if row.got), key=lambda row: -row.badness)
    for row in judged:
        s, got = row.suggestion, row.got
        if s is None or s.predicted is None:
            cells = (
                ["–"]
                + [
                    f"– / **{got[key]:.{digits}f}**"
                    for key, digits in (("passed", 2), ("cut", 1), ("openings", 1))
                ]
                + [_cell(None, None, got["ghosts"], 1)]
            )
        else:
            p = s.predicted
            key = _key_words(s.key_highpass_hz, s.key_lowpass_hz)
            cells = [
                f"{s.threshold_dbfs:.1f} dBFS, {s.ratio:g}:1{key}",
                _cell(p.main_passed, p.main_passed_ci, got["passed"], 2),
                _cell(p.bleed_cut_db, p.bleed_cut_ci, got["cut"], 1),
                _cell(p.bleed_openings_per_min, p.openings_ci, got["openings"], 1),
                _cell(*_value_and_ci(row.ghosts), got["ghosts"], 1),
            ]
        words = [row.song, row.mic, row.judged, *cells, row.words]
        lines.append(f"| {' | '.join(words)} |")
    return lines


def _value_and_ci(known: Known | None) -> tuple[float | None, tuple[float, float] | None]:
    return (None, None) if known is None else (known.value, known.ci)


def _key_words(low: float | None, high: float | None) -> str:
    if low is None:
        return "" if high is None else f", below {high:.0f} Hz"
    return f", above {low:.0f} Hz" if high is None else f", {low:.0f}–{high:.0f} Hz"


def _cell(value: float | None, ci: tuple[float, float] | None, actual: float, digits: int) -> str:
    if math.isnan(actual):
        return "–"
    if value is None or ci is None:
        return f"– / **{actual:.{digits}f}**"
    miss = "" if ci[0] - 1e-9 <= actual <= ci[1] + 1e-9 else " (outside)"
    span = f"{value:.{digits}f} [{ci[0]:.{digits}f}, {ci[1]:.{digits}f}]"
    return f"{span} / **{actual:.{digits}f}**{miss}"


def totals(rows: Sequence[Row]) -> list[str]:
    """Share that is good, share of intervals that hold what happened, median widths."""
    kept = [row for row in rows if row.suggestion is not None]
    refused = [row for row in rows if row.reason is not None]
    lines = [f"- {sum(row.good for row in kept)} of {len(kept)} suggestions do what is asked "
             f"({WANTED}); {len(refused)} times there was none."]  # fmt: skip
    extremes = [row for row in rows if row.judged in EXTREMES]
    good = sum(row.good for row in extremes)
    lines.append(f"- Always open and always shut: {good} of {len(extremes)} would be good.")
    inside = tried = 0
    for name, key in FIGURES:
        pairs = []
        for row in kept:
            predicted = row.suggestion.predicted if row.suggestion is not None else None
            ci = _value_and_ci(row.ghosts)[1]
            if key is not None:
                ci = None if predicted is None else getattr(predicted, f"{key}_ci")
            if ci is not None and math.isfinite(row.got[name]):
                pairs.append((ci, row.got[name]))
        held = sum(low - 1e-9 <= actual <= high + 1e-9 for (low, high), actual in pairs)
        inside, tried = inside + held, tried + len(pairs)
        if pairs:
            width = float(np.median([high - low for (low, high), _ in pairs]))
            unit = {"passed": "", "cut": " dB", "openings": " a minute",
                    "ghosts": " dB"}[name]  # fmt: skip
            lines.append(f"- {name}: {held} of {len(pairs)} intervals hold what happened; "
                         f"median width {width:.2f}{unit}.")  # fmt: skip
    if tried:
        lines.append(f"- Together {inside} of {tried} intervals ({100 * inside / tried:.0f} %).")
    return lines


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables and what was refused."""
    parser = argparse.ArgumentParser(description="expander settings, predicted beside actual")
    parser.add_argument("--alone", action="store_true", help="nothing learned before")
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--recorded", action="store_true")
    only.add_argument("--simulated", action="store_true")
    options = parser.parse_args(arguments)
    parts = []
    if not options.simulated:
        parts.append(("Recorded drums", recorded(options.alone)))
    if not options.recorded:
        parts.append(("Simulated drums", simulated(options.alone)))
    for title, songs in parts:
        rows = [row for song in songs for row in rows_of(song)]
        print(f"\n### {title}\n")
        print("\n".join([*totals(rows), "", *table(rows)]))
        print("\nNo suggestion, or none that could be judged:\n")
        few = [row for row in rows if row.reason is not None and "needed:" in row.reason]
        print(f"- {len(few)} times too few main hits, ten are needed: "
              f"{', '.join(sorted({row.mic for row in few})) or 'none'}")  # fmt: skip
        for row in rows:
            if row.reason is not None and "needed:" not in row.reason:
                print(f"- {row.song}, {row.mic} (for the {row.judged}): {row.reason}")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
