"""Reliability plot as SVG: how many of the hits reported with a confidence are right.

After A. H. Murphy and R. L. Winkler, "Reliability of subjective probability forecasts of
precipitation and temperature", Applied Statistics 26(1), 1977. Intervals are Wilson's, 95 %.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np

SIDE, EDGE = 320.0, 46.0
COLOURS = ("#1f5fa8", "#b3541e")
BINS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0 + 1e-9)


def wilson(right: int, count: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson, JASA 22, 1927)."""
    z = 1.959964
    share = right / count
    middle = share + z * z / (2 * count)
    half = z * math.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    return (middle - half) / scale, (middle + half) / scale


def picture(outcomes: Mapping[str, Sequence[tuple[float, bool]]]) -> str:
    """SVG of the share right over the mean confidence, by name; the diagonal is perfect."""

    def x(value: float) -> float:
        return EDGE + SIDE * (value - 0.4) / 0.6

    def y(value: float) -> float:
        return 12.0 + SIDE * (1.0 - value)

    width, height = EDGE + SIDE + 20.0, SIDE + 78.0
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
        f'<path d="M{x(0.4)} {y(0.4)}L{x(1)} {y(1)}" stroke="#999" stroke-dasharray="4 4"/>',
        f'<path d="M{x(0.4)} {y(1)}V{y(0)}H{x(1)}" stroke="#333" fill="none"/>',
    ]
    for tick in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0):
        place = f'x="{x(tick):g}" y="{y(0) + 16:g}" text-anchor="middle"'
        out.append(f"<text {place}>{tick:g}</text>")
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        out.append(f'<text x="{EDGE - 6:g}" y="{y(tick) + 4:g}" text-anchor="end">{tick:g}</text>')
    for number, (name, pairs) in enumerate(outcomes.items()):
        colour = COLOURS[number % len(COLOURS)]
        sure = np.array([value for value, _ in pairs])
        right = np.array([good for _, good in pairs])
        for low, high in itertools.pairwise(BINS):
            inside = (sure >= low) & (sure < high)
            count = int(inside.sum())
            if not count:
                continue
            at = x(float(sure[inside].mean())) + 3.0 * number
            bottom, top = wilson(int(right[inside].sum()), count)
            out.append(f'<path d="M{at:.1f} {y(bottom):.1f}V{y(top):.1f}" stroke="{colour}"/>')
            share = float(right[inside].mean())
            mark = f'cx="{at:.1f}" cy="{y(share):.1f}" r="{2.5 + 0.8 * math.log10(count):.1f}"'
            out.append(f'<circle {mark} fill="{colour}"><title>{name}: {count}</title></circle>')
        legend = f'x="{EDGE + 175.0 * number:g}" y="{height - 8:g}"'
        out.append(f'<text {legend} fill="{colour}">{name}</text>')
    axes = "across: confidence of the report; up: share that was right"
    out.append(f'<text x="{EDGE:g}" y="{height - 26:g}">{axes}</text>')
    return "\n".join([*out, "</svg>"]) + "\n"


__all__ = ["picture", "wilson"]
