"""Fits the weights of `liveassist/attribute/judge.py`; checks them by leaving out a kit at a time.

``python -m tests.bench.fit_evidence [--realkit DIR] [--more DIR] [--seconds S] [--cases DIR]
[--write]`` prints F by kit left out, and the weights; with ``--write`` it writes them. It needs
scikit-learn, which comes with the extra ``bench``.

Material: the recorded drums where `realkit_truth.folder` finds them (one kit), the simulated
scenarios (counted as one kit, for they share one synthesis), and every recording of ``--more`` in
the same format, with a soundcheck beside each; what stands before the first ``_`` of its name is
its kit. `synthetic_sessions` makes such a folder from single hits.

The shipped weights come from these commands (HITS, SESSIONS, CASES: folders; the sampled kits are
those of Debian's package hydrogen-drumkits, five of which have all drums in layers)::

    python -m tests.bench.sample_kits --kits /usr/share/hydrogen/data/drumkits --out HITS
    python -m tests.bench.synthetic_sessions --hits HITS --out SESSIONS
    python -m tests.bench.fit_evidence --more SESSIONS --cases CASES --write

``--cases`` keeps what was heard of each recording, so that the work can be broken off and taken up
again. Candidates are those of the attribution as it stands, so its past verdicts, and with them
what it learns on the way, depend on the weights shipped now: fit, put in, and fit again until it
settles.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from liveassist.attribute.attributor import Attributor
from liveassist.attribute.evidence import FEATURES
from liveassist.attribute.judge import Judge
from liveassist.attribute.signature import Learned
from liveassist.attribute.verdict import Verdict
from liveassist.detect.onset import OnsetDetector
from liveassist.hearing import CHUNK_HOPS, HISTORY_S, REPORT
from liveassist.history import History
from liveassist.model import FloatArray
from liveassist.spectra import Grid
from tests.bench import realkit_truth as realkit
from tests.bench.hit_scores import f_measure, pairs
from tests.bench.recordings import (
    JUDGED,
    SCENARIOS,
    SOUNDCHECKS,
    Recording,
    from_scenario,
    learned_from,
    pair_from_folder,
)

#: A candidate's time is rough (3 ms), so it is a true hit if one is this near, s.
NEAR_S = 0.012
#: A recorded session counts as much as this many others.
RECORDED_WEIGHT = 4.0
#: Without a soundcheck there are more candidates, and less is known.
BLIND_WEIGHT = 0.5
#: Where the weights are shipped.
WEIGHTS = realkit.REPOSITORY / "liveassist" / "attribute" / "weights.py"
#: Inverse strength of the penalty on large weights.
C = 0.1


@dataclass(frozen=True)
class Cases:
    """Candidates of one drum in one run: figures (n, FEATURES), and whether each was a hit."""

    kit: str
    name: str
    checked: bool
    drum: str
    figures: FloatArray
    hit: FloatArray
    true: int
    weight: float


def verdicts(song: Recording, learned: Learned | None) -> list[Verdict]:
    """Every candidate that was judged by its figures, reported or not."""
    grid, kit = Grid(song.rate), song.kit
    own = {drum.name: kit.mic_index(drum.own) for drum in kit.drums if drum.own}
    kinds = {drum.name: drum.kind for drum in kit.drums if drum.own}
    seconds = {drum: [i for i, m in enumerate(kit.mics) if m.of == drum] for drum in own}
    attributor = Attributor(grid, own, kinds, len(kit.mics), learned, seconds)
    detector = OnsetDetector(grid, attributor.mics)
    history = History(len(kit.mics), round(HISTORY_S * song.rate))
    size = CHUNK_HOPS * grid.hop
    silence = np.zeros((song.rate, len(kit.mics)), dtype=np.float32)
    audio = np.vstack([song.audio, silence])
    found: list[Verdict] = []
    for at in range(0, len(audio) - size + 1, size):
        history.push(audio[at : at + size])
        found += attributor.feed(history, detector.feed(audio[at : at + size]))
    found += attributor.finish()
    return [verdict for verdict in found if verdict.evidence is not None]


def cases(kit: str, song: Recording, learned: Learned | None, weight: float) -> Iterator[Cases]:
    """Labelled candidates of kick and snare."""
    judged = verdicts(song, learned)
    for drum in JUDGED:
        mine = sorted((v for v in judged if v.drum == drum), key=lambda v: v.sample)
        if not mine:
            continue
        ref = np.array([hit.time_s for hit in song.of(drum)])
        times = np.array([v.sample / song.rate for v in mine])
        hit = np.zeros(len(mine))
        # Of two candidates near one hit the one taken for it now is to stay the one.
        likely = np.flatnonzero(np.array([v.probability for v in mine]) > 0.3)
        used = set()
        for i, j in pairs(ref, times[likely], NEAR_S):
            hit[likely[j]] = 1.0
            used.add(i)
        for i, j in pairs(ref, times, NEAR_S):
            if i not in used and not hit[j]:
                hit[j] = 1.0
                used.add(i)
        figures = np.array([v.evidence.vector() for v in mine if v.evidence is not None])
        checked = learned is not None
        share = weight * (1.0 if checked else BLIND_WEIGHT)
        yield Cases(kit, song.name, checked, drum, figures, hit, len(ref), share)


def material(
    where: Path | None, more: Path | None, seconds: float
) -> Iterator[tuple[str, str, float, Callable[[], tuple[Recording, Recording]]]]:
    """Kit, name, weight, and what opens the recording and its soundcheck."""
    if where is not None:
        for name in SOUNDCHECKS:
            yield "recorded", name, RECORDED_WEIGHT, partial(pair_from_folder, where, name)
    for name in SCENARIOS:
        yield "simulated", name, 1.0, partial(_simulated, name, seconds)
    for path in sorted(more.glob("*.flac")) if more is not None else ():
        if not path.stem.endswith("soundcheck"):
            kit = path.stem.split("_")[0]
            yield kit, path.stem, 1.0, partial(pair_from_folder, path.parent, path.stem)


def _simulated(name: str, seconds: float) -> tuple[Recording, Recording]:
    return from_scenario(name, seconds), from_scenario(name, 0.0, True)


def keep(path: Path, found: Sequence[Cases]) -> None:
    """Write what was heard of one recording."""
    arrays: dict[str, npt.NDArray[Any]] = {}
    for number, item in enumerate(found):
        about = [item.kit, item.name, item.checked, item.drum, item.true, item.weight]
        arrays[f"about_{number}"] = np.frombuffer(json.dumps(about).encode(), dtype=np.uint8)
        arrays[f"figures_{number}"], arrays[f"hit_{number}"] = item.figures, item.hit
    np.savez(path, **arrays)  # type: ignore[arg-type]


def kept_cases(path: Path) -> list[Cases]:
    """Read what `keep` wrote."""
    found = []
    with np.load(path) as data:
        for number in range(len(data.files) // 3):
            kit, name, checked, drum, true, weight = json.loads(bytes(data[f"about_{number}"]))
            figures, hit = data[f"figures_{number}"], data[f"hit_{number}"]
            found.append(Cases(kit, name, checked, drum, figures, hit, true, weight))
    return found


def module(judges: Mapping[str, Judge]) -> str:
    """The text of `liveassist/attribute/weights.py`."""
    lines = [
        '"""Weights of the judge, made by ``tests/bench/fit_evidence.py``; see `judge`."""',
        "",
        "from __future__ import annotations",
        "",
        "# fmt: off",
    ]
    for drum, judge in judges.items():
        name = "KICK" if drum == "kick" else "OTHERS"
        lines.append(f"{name}: dict[str, tuple[float, ...]] = {{")
        for part in ("mean", "scale", "weight"):
            lines.append(f'    "{part}": (')
            values = [f"{value:.3f}" for value in getattr(judge, part).tolist()]
            for at in range(0, len(values), 7):
                lines.append("        " + ", ".join(values[at : at + 7]) + ",")
            lines.append("    ),")
        lines += [f'    "constant": ({judge.constant:.3f},),', "}"]
    return "\n".join(lines) + "\n"


def fitted(rows: Sequence[Cases]) -> Judge:
    """Logistic regression over standardised figures, their squares and products."""
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures, StandardScaler

    figures = np.vstack([row.figures for row in rows])
    hit = np.concatenate([row.hit for row in rows])
    weight = np.concatenate([np.full(len(row.hit), row.weight) for row in rows])
    model: Any = make_pipeline(
        StandardScaler(),
        PolynomialFeatures(2, include_bias=False),
        StandardScaler(),
        LogisticRegression(C=C, max_iter=8000),
    )
    model.fit(figures, hit, logisticregression__sample_weight=weight)
    first, _, second, last = (step for _, step in model.steps)
    # The second standardisation is folded into the weights and the constant.
    weights = last.coef_[0] / second.scale_
    constant = float(last.intercept_[0] - (second.mean_ * weights).sum())
    return Judge(first.mean_, first.scale_, weights, constant)


def reported(judge: Judge, figures: FloatArray) -> FloatArray:
    """Whether each candidate (rows) would be reported, as `judge.probability` has it."""
    z = np.clip((figures - judge.mean) / judge.scale, -3.5, 3.5)
    first, second = np.triu_indices(len(FEATURES))
    terms = np.hstack([z, z[:, first] * z[:, second]])
    # REPORT is where the logistic function reaches it.
    limit = np.log(REPORT / (1.0 - REPORT))
    return np.asarray(terms @ judge.weight + judge.constant >= limit, dtype=np.float64)


def left_out(rows: Sequence[Cases]) -> None:
    """Print F of every kit with weights fitted on the others."""
    kits = sorted({row.kit for row in rows})
    if len(kits) < 2:
        print("one kit only: nothing to leave out")
        return
    for kit in kits:
        for drum in JUDGED:
            judge = fitted([row for row in rows if row.kit != kit and row.drum == drum])
            for checked in (True, False):
                scores = []
                for row in rows:
                    if (row.kit, row.drum, row.checked) == (kit, drum, checked):
                        said = reported(judge, row.figures)
                        right = int((said * row.hit).sum())
                        scores.append(f_measure(right, row.true, int(said.sum())))
                if scores:
                    how = "soundcheck" if checked else "none"
                    mean, worst = float(np.mean(scores)), min(scores)
                    print(f"left out {kit}, {drum}, {how}: F mean {mean:.3f}, worst {worst:.3f}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Fit, check, print."""
    parser = argparse.ArgumentParser(prog="tests.bench.fit_evidence", description=__doc__)
    parser.add_argument("--realkit", type=Path, help="folder of the recorded drums")
    parser.add_argument("--more", type=Path, help="folder of further recordings in that format")
    parser.add_argument("--seconds", type=float, default=40.0, help="of each scenario")
    parser.add_argument("--cases", type=Path, help="folder that keeps what was heard")
    parser.add_argument("--write", action="store_true", help=f"write {WEIGHTS.name}")
    options = parser.parse_args(arguments)
    where = options.realkit or realkit.folder()
    if where is None:
        print(realkit.MISSING)
    rows: list[Cases] = []
    for kit, name, weight, opened in material(where, options.more, options.seconds):
        kept = options.cases / f"{name}.npz" if options.cases is not None else None
        if kept is None or not kept.is_file():
            print("hearing", name, flush=True)
            song, check = opened()
            found = [c for k in (learned_from(check), None) for c in cases(kit, song, k, weight)]
            if kept is not None:
                options.cases.mkdir(parents=True, exist_ok=True)
                keep(kept, found)
        else:
            found = kept_cases(kept)
        rows += found
    left_out(rows)
    judges = {drum: fitted([row for row in rows if row.drum == drum]) for drum in JUDGED}
    text = module(judges)
    print(text)
    if options.write:
        WEIGHTS.write_text(text)


if __name__ == "__main__":
    main()
