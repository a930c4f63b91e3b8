"""`liveassist compare`: stretches of recordings, or microphones on the same hits, side by side."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

from liveassist.advise.compare import WISHES, Row, Standing, judge, rank
from liveassist.app.atomic import make_folder, write_whole
from liveassist.app.build import PipelineBuilder, build_pipeline
from liveassist.app.compare_rows import rows_of_mics, rows_of_stretches
from liveassist.app.config import load_kit
from liveassist.app.cutting import cut
from liveassist.app.learned import NOTHING, read_learned
from liveassist.app.nearest import did_you_mean
from liveassist.app.progress import ProgressBar
from liveassist.errors import ConfigError, InputError
from liveassist.input.files import open_recording
from liveassist.measure.character import RING_S
from liveassist.model import Audio, Drum, Figures, Hit, Kit
from liveassist.output.compare_words import comparison_lines
from liveassist.rolling.takeedits import TakeEdit

#: Audio before an onset and in all, s, that is kept of every hit.
BEFORE_S, PIECE_S = 0.010, 0.010 + RING_S + 0.010
#: Most hits of a stretch that are looked at, spread over it.
MOST_HITS = 200
MATCHES = ("level", "median")
#: Stretches whose main hits differ by this much may differ in gain, dB (common practice, no
#: source: drummers wander by less from take to take).
FAR_DB = 3.0
_STRETCH = re.compile(
    r"(?:(?P<name>[^=/\\@]+)=)?(?P<input>.+?)(?:@(?P<start>[^:@]+):(?P<end>[^:@]+))?\Z"
)


@dataclass(frozen=True, slots=True)
class CompareRequest:
    """The options of `liveassist compare`, as given."""

    stretches: tuple[str, ...]
    kit: str
    drum: str | None = None
    mics: tuple[str, ...] = ()
    wishes: tuple[str, ...] = ()
    match: str = "level"
    learned: str = NOTHING
    out: Path | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A named part of a recording, s; ``end_s`` None is its end."""

    name: str
    input: str
    start_s: float = 0.0
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """The hits of one stretch with the audio about each, shape (samples, microphones).

    ``every``: hits of all drums in the stretch, for what else sounds; ``figures``: of the stretch
    as of a take.
    """

    name: str
    hits: tuple[Hit, ...]
    pieces: tuple[Audio, ...]
    every: tuple[Hit, ...]
    sample_rate_hz: int
    onset: int
    figures: Figures


def compare(
    request: CompareRequest, out: TextIO, err: TextIO, build: PipelineBuilder = build_pipeline
) -> int:
    """Print the comparison, write the page if asked; always 0 or an error."""
    kit = load_kit(request.kit)
    drum = _drum(kit, request.drum)
    stretches = parse_stretches(request.stretches)
    mics = _mics(kit, drum, request.mics)
    _check(request, stretches, mics)
    heard = [_hear(group, kit, drum, request, err, build) for group in _by_input(stretches)]
    found = {one.name: one for group in heard for one in group}
    sides = [found[stretch.name] for stretch in stretches]
    if len(mics) > 1:
        names: list[str] = list(mics)
        rows = rows_of_mics(sides[0], kit, drum, mics)
    else:
        names = [stretch.name for stretch in stretches]
        rows = rows_of_stretches(sides, kit, drum, mics[0], by_median=request.match == "median")
    rows = judge(rows)
    standings = rank(rows, request.wishes, len(names)) if request.wishes else []
    counts = [len(side.hits) for side in sides] if len(mics) == 1 else [len(sides[0].hits)]
    for line in comparison_lines(drum.name, names, counts, rows, standings):
        print(line, file=out)
    if request.match == "level" and len(mics) == 1:
        for line in _unlike_levels(sides):
            print(line, file=out)
    if request.out is not None:
        _page(request.out, kit, drum, names, mics, sides, rows, standings)
        print(f"Wrote {request.out}.", file=out)
    return 0


def parse_stretches(given: Sequence[str]) -> list[Stretch]:
    """``[NAME=]INPUT[@START:END]``; ConfigError with all that are malformed."""
    stretches, problems = [], []
    for text in given:
        match = _STRETCH.match(text)
        if match is None or (match["name"] is not None and not match["name"].strip()):
            problems.append(f"{text}: write a stretch as INPUT, NAME=INPUT or NAME=INPUT@START:END")
            continue
        start, end = match["start"], match["end"]
        try:
            start_s, end_s = (0.0, None) if start is None else (float(start), float(end))
        except ValueError:
            problems.append(f"{text}: START and END must be seconds, for example a=take.wav@0:30")
            continue
        if end_s is not None and not 0.0 <= start_s < end_s:
            problems.append(f"{text}: it must end after its start, and start at 0 or later")
            continue
        name = match["name"] or Path(match["input"]).stem + (f"@{start}" if start else "")
        stretches.append(Stretch(name, match["input"], start_s, end_s))
    names = [stretch.name for stretch in stretches]
    problems += [
        f"{name}: two stretches have this name; give each its own with NAME=INPUT"
        for name in sorted({name for name in names if names.count(name) > 1})
    ]
    if problems:
        raise ConfigError(problems)
    return stretches


def _drum(kit: Kit, name: str | None) -> Drum:
    heads = [drum for drum in kit.drums if drum.own is not None and drum.kind != "cymbal"]
    if name is None:
        snares = [drum for drum in heads if drum.kind == "snare"]
        return (snares or heads)[0]
    found = next((drum for drum in heads if drum.name == name), None)
    if found is None:
        names = [drum.name for drum in heads]
        raise ConfigError(
            f"--drum {name}: the kit has no drum of that name with a microphone of its own"
            f"{did_you_mean(name, names)}; it has: {', '.join(names)}"
        )
    return found


def _mics(kit: Kit, drum: Drum, given: Sequence[str]) -> tuple[str, ...]:
    names = [mic.name for mic in kit.mics]
    wrong = [
        f"--mic {name}: the kit has no such microphone{did_you_mean(name, names)}"
        for name in given
        if name not in names
    ]
    if wrong:
        raise ConfigError(wrong)
    assert drum.own is not None
    return tuple(dict.fromkeys(given)) or (drum.own,)


def _check(request: CompareRequest, stretches: Sequence[Stretch], mics: Sequence[str]) -> None:
    problems = [
        f"--want {wish}: this cannot be wished for{did_you_mean(wish, WISHES)}; wishes: "
        f"{', '.join(WISHES)}"
        for wish in request.wishes
        if wish not in WISHES
    ]
    if len(stretches) > 1 and len(mics) > 1:
        problems.append(
            "several stretches or several microphones, not both: give one --mic, or one stretch"
        )
    if len(stretches) == 1 and len(mics) == 1:
        problems.append(
            "one stretch in one microphone is nothing to compare: name a second stretch, or two "
            "microphones with --mic"
        )
    if problems:
        raise ConfigError(problems)


def _by_input(stretches: Sequence[Stretch]) -> list[list[Stretch]]:
    groups: dict[str, list[Stretch]] = {}
    for stretch in stretches:
        groups.setdefault(stretch.input, []).append(stretch)
    return list(groups.values())


def _hear(
    group: Sequence[Stretch],
    kit: Kit,
    drum: Drum,
    request: CompareRequest,
    err: TextIO,
    build: PipelineBuilder,
) -> list[Heard]:
    """Analyse one recording, then cut the hits of its stretches out of it."""
    given = (group[0].input,)
    learned, name = None, None
    if request.learned != NOTHING:
        learned, name = read_learned(Path(request.learned), kit), request.learned
    with open_recording(given, kit) as recording:
        rate = recording.sample_rate_hz
        for stretch in group:
            if stretch.start_s >= recording.duration_s:
                raise ConfigError(
                    f"{stretch.name}: {recording.name} ends at {recording.duration_s:.1f} s"
                )
        pipeline = build(kit, rate, learned=learned, learned_name=name)
        with ProgressBar("listening", recording.duration_s, err) as progress:
            for block in recording.blocks():
                pipeline.feed(block)
                progress.at((block.first_sample + len(block.audio)) / rate)
        pipeline.finish()
        # Each stretch as a take: its figures are then those that a take of the session would have.
        ends = [recording.duration_s if one.end_s is None else one.end_s for one in group]
        for one, end_s in zip(group, ends, strict=True):
            pipeline.edit_takes(TakeEdit("add", start_s=one.start_s, end_s=end_s))
        record = pipeline.session()
        every = record.hits
        found = {(one.take.start_s, one.take.end_s): one.figures for one in record.takes}
        figures = [found[one.start_s, end_s] for one, end_s in zip(group, ends, strict=True)]
    chosen = [_chosen(every, drum, stretch) for stretch in group]
    starts = [hit.sample - round(BEFORE_S * rate) for hits in chosen for hit in hits]
    with open_recording(given, kit) as recording:
        pieces = iter(cut(recording.blocks(), len(kit.mics), starts, round(PIECE_S * rate)))
    heard = []
    for stretch, hits, said in zip(group, chosen, figures, strict=True):
        inside = tuple(hit for hit in every if _inside(hit, stretch))
        mine = tuple(next(pieces) for _ in hits)
        onset = round(BEFORE_S * rate)
        heard.append(Heard(stretch.name, hits, mine, inside, rate, onset, said))
    return heard


def _unlike_levels(sides: Sequence[Heard]) -> list[str]:
    """Stretches whose level is far from the first's: a gain that was turned looks like playing."""
    middles = {
        side.name: float(np.median([hit.peak_dbfs for hit in main]))
        for side in sides
        if (main := [h for h in side.hits if h.role == "main" and h.peak_dbfs is not None])
    }
    base = middles.get(sides[0].name)
    far = [
        f"{name} {level - base:+.1f} dB".replace("-", "\u2212")
        for name, level in middles.items()
        if base is not None and abs(level - base) >= FAR_DB
    ]
    if not far:
        return []
    return [
        f"Main hits against {sides[0].name}: {', '.join(far)}. If a gain was turned, and not the "
        "playing, compare with --match median."
    ]


def _inside(hit: Hit, stretch: Stretch) -> bool:
    return stretch.start_s <= hit.time_s and (stretch.end_s is None or hit.time_s < stretch.end_s)


def _chosen(every: Sequence[Hit], drum: Drum, stretch: Stretch) -> tuple[Hit, ...]:
    hits = [
        hit
        for hit in every
        if hit.drum == drum.name
        and _inside(hit, stretch)
        and hit.peak_dbfs is not None
        and "clipped" not in hit.flags
        and hit.role in ("main", "weak", "ghost", "unsure")
    ]
    if not hits:
        raise InputError(
            f"{stretch.name}: no {drum.name} hit was heard in it; is it the right part of the "
            "recording, and the right kit?"
        )
    if len(hits) <= MOST_HITS:
        return tuple(hits)
    return tuple(hits[round(at)] for at in np.linspace(0, len(hits) - 1, MOST_HITS))


def _page(
    path: Path,
    kit: Kit,
    drum: Drum,
    names: Sequence[str],
    mics: Sequence[str],
    sides: Sequence[Heard],
    rows: Sequence[Row],
    standings: Sequence[Standing],
) -> None:
    from liveassist.app.compare_rows import decays_and_spectra
    from liveassist.output.compare_page import comparison_page

    curves = [
        decays_and_spectra(side, kit, mic)
        for side, mic in (
            [(sides[0], mic) for mic in mics]
            if len(mics) > 1
            else [(side, mics[0]) for side in sides]
        )
    ]
    make_folder(path.parent)
    write_whole(path, comparison_page(drum.name, names, rows, standings, curves))
