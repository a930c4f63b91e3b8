"""How far a head's shift is misread, and how small a one is told from none: recorded snare hits.

``python -m tests.bench.tuning_curve``. Every hit is resampled by known cents, in steps from -50 to
+50, and measured as the program does; different strokes stand on either side: half of a session's
main hits for the reference, ten of the other half for the take, drawn anew ``DRAWS`` times. Needs
the recorded drums (see `realkit_truth`).
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np

from liveassist.advise.changes_heads import head_report
from liveassist.measure.partials import measure_hit
from liveassist.model import Hit
from tests.bench import realkit_truth as realkit
from tests.bench.test_realkit_changes import SPOILS_DB, resampled, session

SHIFTS = (-50, -40, -30, -20, -15, -12, -10, -8, -5, 0, 5, 8, 10, 12, 15, 20, 30, 40, 50)
SESSIONS = ("a_groove", "a_blast", "a_hardbleed", "a_fewmics")
DRAWS = 25
TAKE_HITS = 10


@functools.cache
def shifted(name: str, cents: float) -> tuple[Hit, ...]:
    """Main snare hits with room to ring, resampled and measured."""
    found, hits = session(name)
    own = found.kit.mic_index(found.kit.drum("snare").own or "")
    rate = found.sample_rate_hz
    before = round(0.010 * rate)
    out = []
    for index, hit in enumerate(hits):
        usable = hit.measures is not None and hit.measures.pattern is not None
        if hit.drum != "snare" or hit.role != "main" or not usable:
            continue
        later = [
            other.time_s - hit.time_s
            for other in found.hits[index + 1 : index + 25]
            if (other.mic_dbfs[own] or -200.0) > (hit.mic_dbfs[own] or -200.0) - SPOILS_DB
        ]
        audio = found.audio[hit.sample - before : hit.sample + round(0.37 * rate), own]
        moved = resampled(audio.astype(np.float64), before, cents)
        measures = measure_hit(
            moved, float(rate), "snare", before, min(later, default=9.0) / 2.0 ** (cents / 1200.0)
        )
        out.append(replace(hit, measures=measures))
    return tuple(out)


def main() -> None:
    """Print the curve."""
    assert realkit.folder() is not None, realkit.MISSING
    rng = np.random.default_rng(8)
    drum = session(SESSIONS[0])[0].kit.drum("snare")
    print("| cents | error: median, 95th percentile of its size | within interval | told |")
    print("|---|---|---|---|")
    for cents in SHIFTS:
        errors, inside, told, draws = [], 0, 0, 0
        for name in SESSIONS:
            plain, moved = shifted(name, 0.0), shifted(name, float(cents))
            for _ in range(DRAWS):
                order = rng.permutation(len(plain))
                half = len(plain) // 2
                first = [plain[i] for i in order[:half]]
                second = [moved[i] for i in order[half : half + TAKE_HITS]]
                report = head_report(drum, first, second, 0.0)
                if report.shift is None:
                    continue
                draws += 1
                errors.append(report.shift.cents - cents)
                inside += report.shift.ci[0] <= cents <= report.shift.ci[1]
                told += any(change.cause == "head_pitch" for change in report.changes)
        size = np.abs(errors)
        print(
            f"| {cents:+d} | {np.median(errors):+.1f}, {np.quantile(size, 0.95):.1f} | "
            f"{inside} of {draws} | {told} of {draws} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
