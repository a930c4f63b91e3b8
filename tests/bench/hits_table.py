"""Hits beside the truth and beside plain detectors: makes the table of docs/hits.md.

Run by hand: ``python -m tests.bench.hits_table [--realkit DIR] [--out FILE] [--quick]``; it takes
some minutes of one core and needs librosa (the extra ``bench``). Recorded drums are taken where
`realkit_truth.folder` finds them and left out with a word where it does not. ``--quick`` takes two
recordings and one scenario, no changes to the material.
"""

from __future__ import annotations

import argparse
import itertools
import math
import subprocess
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from liveassist.attribute.signature import Learned
from liveassist.model import Block, Hit
from liveassist.pipeline import Pipeline
from tests.bench import hard_cases
from tests.bench import hit_scores as scores
from tests.bench import realkit_truth as realkit
from tests.bench.hits_sheet import Heard, _mean, number, score_table, table
from tests.bench.hits_words import intro
from tests.bench.recordings import (
    JUDGED,
    SCENARIOS,
    SOUNDCHECKS,
    Recording,
    at_pitch,
    at_rate,
    from_scenario,
    hear,
    learned_from,
    pair_from_folder,
    with_gain,
    with_hum,
    with_noise,
)
from tests.bench.reliability import picture

#: A scenario is heard this long, s.
SCENARIO_S = 40.0
PARTS_S = ((0.0, 20.0), (20.0, 40.0), (40.0, math.inf))
BINS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)
EARLY = ("a_groove", "a_hardbleed", "a_fewmics")
EARLY_S = 20.0
EARLY_BLOCK = 128


def gather(where: Path | None, quick: bool) -> list[tuple[Recording, Recording, bool]]:
    """Recordings with their soundchecks; whether recorded or simulated."""
    found = []
    if where is not None:
        names = ("a_groove", "a_hardbleed") if quick else tuple(SOUNDCHECKS)
        found += [(*pair_from_folder(where, name), True) for name in names]
    for name in SCENARIOS[:1] if quick else SCENARIOS:
        song, check = from_scenario(name, SCENARIO_S), from_scenario(name, 0.0, soundcheck=True)
        found.append((replace(song, name=f"sim {name}"), check, False))
    return found


# --- tables ------------------------------------------------------------------------------------


def main_tables(heard: Sequence[Heard]) -> list[str]:
    """With soundcheck beside the plain detectors, and without by part; snare, then kick."""
    lines: list[str] = []
    songs = [item.song for item in heard]
    for drum in reversed(JUDGED):
        plain_name, plain = scores.best_common(
            songs, [scores.by_threshold(song, drum) for song in songs], drum
        )
        other_name, other = scores.best_common(
            songs, [scores.by_librosa(song, drum) for song in songs], drum
        )
        beside = {
            song.name: (number(a), number(b))
            for song, a, b in zip(songs, plain, other, strict=True)
        }
        beside["**mean**"] = (number(float(np.mean(plain))), number(float(np.mean(other))))
        checked = [
            (item.song.name, drum, scores.score(item.song, item.checked, drum)) for item in heard
        ]
        lines += [f"## {drum.capitalize()}, after a soundcheck", ""]
        lines += score_table(checked, ("F plain threshold", "F librosa"), beside)
        lines += [
            f"Best common settings: threshold {plain_name}; librosa {other_name}.",
            "",
            f"## {drum.capitalize()}, without a soundcheck",
            "",
        ]
        parts = {
            item.song.name: [
                number(scores.f_between(item.song, item.blind, drum, a, b)) for a, b in PARTS_S
            ]
            for item in heard
        }
        parts["**mean**"] = [
            number(_mean(scores.f_between(i.song, i.blind, drum, a, b) for i in heard))
            for a, b in PARTS_S
        ]
        blind = [
            (item.song.name, drum, scores.score(item.song, item.blind, drum)) for item in heard
        ]
        lines += score_table(blind, ("F 0–20 s", "F 20–40 s", "F later"), parts)
    return lines


def changed(song: Recording) -> list[tuple[str, Recording, int | None]]:
    """The song changed in every way, and the rate its soundcheck has to have."""
    out: list[tuple[str, Recording, int | None]] = []
    for mic in ("kick", "snare_top", "over_left"):
        for gain_db in (20.0, -20.0):
            out.append((f"{mic} {gain_db:+.0f} dB", with_gain(song, mic, gain_db), None))
    out.append(("noise at −50 dBFS", with_noise(song, -50.0), None))
    out.append(("hum, 50 Hz, peak −40 dBFS", with_hum(song, -40.0), None))
    out += [(f"at {rate} Hz", at_rate(song, rate), rate) for rate in (48000, 96000)]
    out += [(f"{cents:+.0f} cents", at_pitch(song, cents), None) for cents in (50.0, -50.0)]
    return out


def change_table(item: Heard) -> list[str]:
    """The same song with the material changed, worst first."""
    rows = []
    learned = learned_from(item.check)
    for name, song, rate in changed(item.song):
        known = learned if rate is None else learned_from(at_rate(item.check, rate))
        for how, hits in (("soundcheck", hear(song, known)), ("none", hear(song, None))):
            got = [scores.score(song, hits, drum) for drum in ("snare", "kick")]
            print(f"changed: {name}, {how}: snare {got[0].f:.3f}, kick {got[1].f:.3f}", flush=True)
            rows.append((min(got[0].f, got[1].f), name, how, got))
    rows.sort(key=lambda row: row[0])
    return table(
        ("change", "soundcheck", "F snare", "ghost recall", "F kick", "snare level p95, dB"),
        [
            (
                name,
                how,
                number(got[0].f),
                number(got[0].ghost_recall, 2),
                number(got[1].f),
                number(got[0].level_p95_db, 2),
            )
            for _, name, how, got in rows
        ],
    )


def cross_table(heard: Sequence[Heard]) -> list[str]:
    """Soundcheck of one set of recordings, played in another whose bleed differs."""
    known = {item.song.name: item for item in heard}
    rows = []
    for check, name in (("a_groove", "a_hardbleed"), ("a_hardbleed", "a_groove")):
        if check not in known or name not in known:
            continue
        source, song = known[check].check, known[name].song
        assert [m.name for m in source.kit.mics] == [m.name for m in song.kit.mics]
        hits = hear(song, learned_from(source))
        for drum in ("snare", "kick"):
            s = scores.score(song, hits, drum)
            f = number(s.f)
            rows.append((source.name, name, drum, f, number(s.precision), number(s.recall)))
    return table(("soundcheck of", "played", "drum", "F", "precision", "recall"), rows)


def confidence_tables(heard: Sequence[Heard]) -> list[str]:
    """Of the hits reported with a confidence, how many are right."""
    lines = []
    for name in ("soundcheck", "none"):
        found = reported(heard, name == "soundcheck")
        sure = np.array([value for value, _ in found])
        right = np.array([good for _, good in found])
        rows = []
        for low, high in itertools.pairwise(BINS):
            inside = (sure >= low) & ((sure < high) | (high == BINS[-1]))
            if inside.any():
                rows.append(
                    (
                        f"{low:g} to {high:g}",
                        str(int(inside.sum())),
                        number(float(sure[inside].mean())),
                        number(float(right[inside].mean())),
                    )
                )
        constant = np.full(len(sure), right.mean())
        lines += [f"{'With' if name == 'soundcheck' else 'Without'} a soundcheck:", ""]
        lines += table(("confidence", "hits", "mean confidence", "right"), rows)
        lines += [
            f"Brier score {scores.brier(sure, right):.4f} against "
            f"{scores.brier(constant, right):.4f} of the best constant confidence "
            f"({right.mean():.3f}); AUC {number(scores.auc(sure, right))} against 0.5.",
            "",
        ]
    return lines


# --- early reports -----------------------------------------------------------------------------


def early_reports(song: Recording, learned: Learned) -> dict[int, list[tuple[int, Hit]]]:
    """By hit number: its reports, each with the sample at which the block with it ended."""
    pipeline = Pipeline(song.kit, song.rate, learned=learned, early=True)
    stop = min(len(song.audio), round(EARLY_S * song.rate))
    found: dict[int, list[tuple[int, Hit]]] = defaultdict(list)
    for at in range(0, stop, EARLY_BLOCK):
        block = Block(at, song.audio[at : min(at + EARLY_BLOCK, stop)])
        for event in pipeline.feed(block):
            if isinstance(event, Hit):
                found[event.number].append((at + len(block.audio), event))
    for event in pipeline.finish():
        if isinstance(event, Hit):
            found[event.number].append((stop, event))
    return found


def early_table(heard: Sequence[Heard]) -> list[str]:
    """How early, how often, and how often taken back."""
    rows = []
    for item in heard:
        if item.song.name not in EARLY:
            continue
        reports = early_reports(item.song, learned_from(item.check))
        for drum in ("snare", "kick"):
            mine = [seen for seen in reports.values() if seen[0][1].drum == drum]
            gone = [seen for seen in mine if any(hit.stage == "withdrawn" for _, hit in seen)]
            kept = [seen for seen in mine if seen not in gone]
            early = [seen for seen in kept if any(hit.stage == "revised" for _, hit in seen)]
            delay_ms = [1e3 * (seen[0][0] - seen[-1][1].sample) / item.song.rate for seen in early]
            if not delay_ms:
                continue
            middle, most = np.percentile(delay_ms, [50, 99])
            announced = len(early) + len(gone)
            rows.append(
                (
                    item.song.name,
                    drum,
                    str(len(kept)),
                    f"{middle:.1f} / {most:.1f}",
                    f"{len(early) / len(kept):.2f}",
                    f"{len(gone)} of {announced} ({100 * len(gone) / announced:.1f} %)",
                )
            )
            print("early:", *rows[-1], flush=True)
    head = ("recording", "drum", "hits", "onset to report, ms: median / p99", "share early")
    return table((*head, "early reports withdrawn"), rows)


# --- the document ------------------------------------------------------------------------------


def commit() -> str:
    """What was measured."""

    def git(*words: str) -> str:
        done = subprocess.run(
            ("git", *words), cwd=realkit.REPOSITORY, capture_output=True, text=True, check=True
        )
        return done.stdout.strip()

    changed = git("status", "--porcelain", "--untracked-files=no", "liveassist", "sim")
    names = ", ".join(f"`{line.split()[-1]}`" for line in changed.splitlines())
    return f"`{git('rev-parse', '--short', 'HEAD')}`" + (
        f" with changes not committed in {names}" if names else ""
    )


def document(where: Path | None, quick: bool) -> tuple[list[str], str]:
    """All lines of the document, and its picture."""
    measured = commit()  # of the code that is loaded, whatever is changed meanwhile
    heard = []
    for song, check, recorded in gather(where, quick):
        item = Heard(song, check, hear(song, learned_from(check)), hear(song, None), recorded)
        heard.append(item)
        for drum in ("snare", "kick"):
            got = [scores.score(song, hits, drum).f for hits in (item.checked, item.blind)]
            print(f"{song.name}: {drum} F {got[0]:.3f}, no soundcheck {got[1]:.3f}", flush=True)
    lines = intro(where is not None, measured, SCENARIO_S) + main_tables(heard)
    groove = next((item for item in heard if item.song.name == "a_groove"), None)
    if groove is not None and not quick:
        lines += ["## The material changed", ""]
        lines += [
            "a_groove with one thing changed since the soundcheck (which runs at the same sample "
            "rate). Worst first. A gain of +20 dB is not clipped as a converter would.",
            "",
            *change_table(groove),
        ]
    if where is not None:
        lines += ["## Soundcheck of one, groove of another", ""]
        lines += [
            "The same kit and microphones with little and with far more bleed.",
            "",
            *cross_table(heard),
            "## Early reports",
            "",
            f"Live reports, audio blocks of {EARLY_BLOCK}, {EARLY_S:.0f} s each, after a "
            "soundcheck: from the onset to the end of the block that brought the report (the "
            "computer's own time comes on top). Hits that are not reported early come once they "
            "are final.",
            "",
            *early_table(heard),
        ]
    if not quick:
        lines += ["## Hard cases", ""]
        lines += [
            "Scenes with exact truth, put together from single simulated hits and foreign sounds; "
            "each is a test (`tests/unit/hearing/test_scenes.py::test_hard_case[SCENE]`) with a "
            "bound a little under the figure here. The plain threshold has the best setting for "
            "that very scene. What is not in the table (levels at one instant, polarity, sample "
            "rates to 192 kHz, a contact trigger, two kicks, gaps, block sizes) is in the same "
            "folder. Worst first.",
            "",
            *table(hard_cases.HEAD, hard_cases.rows()),
        ]
    lines += ["## Confidence", ""]
    lines += ["All reported snare and kick hits of all recordings above.", ""]
    lines += ["![How many of the reported hits are right, by confidence](reliability.svg)", ""]
    lines += confidence_tables(heard)
    names = {"after a soundcheck": True, "without one": False}
    return lines, picture({name: reported(heard, checked) for name, checked in names.items()})


def reported(heard: Sequence[Heard], checked: bool) -> list[tuple[float, bool]]:
    """Confidence of every reported kick and snare hit, and whether it was one."""
    return [
        outcome
        for item in heard
        for drum in JUDGED
        for outcome in scores.outcomes(item.song, item.checked if checked else item.blind, drum)
    ]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables; write them where asked."""
    parser = argparse.ArgumentParser(prog="tests.bench.hits_table", description=__doc__)
    parser.add_argument("--realkit", type=Path, help="folder of the recorded drums")
    parser.add_argument("--out", type=Path, help="write the tables to this markdown file")
    parser.add_argument("--quick", action="store_true", help="three recordings, nothing changed")
    options = parser.parse_args(arguments)
    where = options.realkit or realkit.folder()
    if where is None:
        print(realkit.MISSING)
    elif not (where / "a_groove.csv").is_file():
        parser.error(f"{where} holds no a_groove.csv; name the folder of the recorded drums")
    lines, drawn = document(where, options.quick)
    text = "\n".join(lines).rstrip() + "\n"
    print(text)
    if options.out is not None:
        options.out.write_text(text, encoding="utf-8")
        options.out.with_name("reliability.svg").write_text(drawn, encoding="utf-8")


if __name__ == "__main__":
    main()
