"""A lug walk as bars in a terminal and as OSC messages: pure functions of `LugView`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from liveassist.model import Interval

from .address_lugs import MOST_CENTS
from .address_row import ROOT
from .osc_codec import OscMessage

#: Cells of a bar on either side of the middle.
BAR_CELLS = 20
#: The bars reach so far at least, cents, so that a good drum does not look bad.
LEAST_REACH_CENTS = 20.0


@dataclass(frozen=True, slots=True)
class LugRow:
    """One lug: cents off the others (flat negative) with a 95 % interval; ``sure``: certainly off.

    ``reason`` says why there is no figure.
    """

    number: int
    off_cents: float | None
    ci: Interval | None
    sure: bool
    taps: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LugView:
    """Where a lug walk stands. ``at``: lug to tap now, 0: all are measured. ``pairs``: opposite
    lugs, mean off, difference. ``said``: about the last tap or command; ``sentence``: the advice.
    """

    drum: str
    rows: tuple[LugRow, ...]
    pairs: tuple[tuple[int, int, float | None, float | None], ...]
    pitch_hz: float | None
    at: int
    taps_left: int
    said: str
    sentence: str


def lug_lines(view: LugView) -> list[str]:
    """Bars of opposite pairs, one line a lug: flat to the left, sharp to the right."""
    reach = max(
        LEAST_REACH_CENTS,
        *(abs(row.off_cents) for row in view.rows if row.off_cents is not None),
        0,
    )
    half = " " * (BAR_CELLS - 4)
    head = f"{view.drum}, {len(view.rows)} lugs"
    head += f", {view.pitch_hz:.1f} Hz" if view.pitch_hz is not None else ""
    lines = [head, f"          flat{half}|{half}sharp   cents"]
    for group in _groups(view):
        lines += [_line(view, row, reach) for row in group]
        lines.append("")
    return [*lines[:-1], view.sentence]


def _groups(view: LugView) -> list[list[LugRow]]:
    """Rows in opposite pairs; in order where the drum has an odd number of lugs."""
    by_number = {row.number: row for row in view.rows}
    if not view.pairs:
        return [list(view.rows)]
    return [[by_number[first], by_number[second]] for first, second, _, _ in view.pairs]


def _line(view: LugView, row: LugRow, reach: float) -> str:
    mark = ">" if row.number == view.at else " "
    name = f"{mark} lug {row.number:>2} "
    if row.off_cents is None:
        return f"{name}{' ' * BAR_CELLS} |{' ' * BAR_CELLS}  {row.reason}"
    cells = min(BAR_CELLS, round(abs(row.off_cents) / reach * BAR_CELLS))
    bar = ("#" if row.sure else "-") * cells
    left = bar if row.off_cents < 0.0 else ""
    right = bar if row.off_cents >= 0.0 else ""
    within = "" if row.ci is None else f" ({row.ci[0]:+.0f} to {row.ci[1]:+.0f})"
    off = "  OFF" if row.sure else ""
    return f"{name}{left:>{BAR_CELLS}} |{right:<{BAR_CELLS}} {row.off_cents:+5.0f}{within}{off}"


def lug_messages(view: LugView, before: LugView | None) -> list[OscMessage]:
    """What is to be sent: everything at first, then what changed, and always where the walk is."""
    messages = [
        OscMessage(f"{ROOT}/lugs/at", "siii", (view.drum, view.at, len(view.rows), view.taps_left))
    ]
    known = {} if before is None else {row.number: row for row in before.rows}
    for row in view.rows:
        if row.off_cents is not None and known.get(row.number) != row:
            low, high = row.ci if row.ci is not None else (row.off_cents, row.off_cents)
            values = (_held(row.off_cents), _held(low), _held(high))
            messages.append(
                OscMessage(f"{ROOT}/lugs/off", "ifffi", (row.number, *values, int(row.sure)))
            )
    old: Sequence[object] = () if before is None else before.pairs
    for pair in view.pairs:
        first, second, mean, apart = pair
        if mean is not None and apart is not None and pair not in old:
            values2 = (first, second, _held(mean), _held(apart))
            messages.append(OscMessage(f"{ROOT}/lugs/pair", "iiff", values2))
    if view.pitch_hz is not None and (before is None or before.pitch_hz != view.pitch_hz):
        messages.append(OscMessage(f"{ROOT}/lugs/pitch_hz", "f", (float(view.pitch_hz),)))
    for sentence in dict.fromkeys(text for text in (view.said, view.sentence) if text):
        messages.append(OscMessage(f"{ROOT}/lugs/sentence", "s", (sentence,)))
    return messages


def _held(cents: float) -> float:
    return float(min(max(cents, -MOST_CENTS), MOST_CENTS))
