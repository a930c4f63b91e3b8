"""A comparison in lines for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from liveassist.output.report_svg import signed

EAR = "The figures say what differs; which is better, the ear decides."


class MeasureLike(Protocol):
    """What is compared."""

    @property
    def title(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def decimals(self) -> int: ...
    @property
    def relative(self) -> bool: ...


class SideLike(Protocol):
    """A measure of one stretch."""

    @property
    def value(self) -> float: ...
    @property
    def ci(self) -> tuple[float, float]: ...


class DifferenceLike(Protocol):
    """By how much another stretch differs from the first."""

    @property
    def amount(self) -> float: ...
    @property
    def ci(self) -> tuple[float, float]: ...
    @property
    def real(self) -> bool: ...


class RowLike(Protocol):
    """A measure over all stretches."""

    @property
    def measure(self) -> MeasureLike: ...
    @property
    def sides(self) -> Sequence[SideLike | None]: ...
    @property
    def differences(self) -> Sequence[DifferenceLike | None]: ...
    @property
    def why(self) -> Sequence[str]: ...


class StandingLike(Protocol):
    """A stretch in the order of the wishes."""

    @property
    def stretch(self) -> int: ...
    @property
    def points(self) -> float: ...
    @property
    def parts(self) -> Sequence[tuple[str, float]]: ...


def comparison_lines(
    drum: str,
    names: Sequence[str],
    counts: Sequence[int],
    rows: Sequence[RowLike],
    standings: Sequence[StandingLike],
) -> list[str]:
    """The comparison, a few lines a measure; what is more than chance is marked with a star."""
    if len(counts) == len(names):
        heard = ", ".join(f"{name} {count}" for name, count in zip(names, counts, strict=True))
    else:
        heard = f"the same {counts[0]} in {', '.join(names)}"
    lines = [f"{drum} hits: {heard}. Compared with {names[0]}, at matched level."]
    for row in rows:
        lines.append(f"{row.measure.title}:")
        for number, (name, difference) in enumerate(zip(names, row.differences, strict=True)):
            lines.append(f"  {name}: {side_words(row, number)}{_against(row, difference)}")
    lines.append("* more than hits differ among themselves (all lines together, 5 %).")
    if standings:
        lines += ranking_lines(names, standings)
    lines.append(EAR)
    return lines


def ranking_lines(names: Sequence[str], standings: Sequence[StandingLike]) -> list[str]:
    """The order of the wishes; only differences that are more than chance have points."""
    lines = ["By what you want:"]
    if all(standing.points == 0.0 for standing in standings):
        return ["By what you want: nothing that tells them apart."]
    for place, standing in enumerate(standings, 1):
        parts = ", ".join(f"{wish} {_points(points)}" for wish, points in standing.parts)
        name = names[standing.stretch]
        lines.append(f"  {place}. {name}: {_points(standing.points)} ({parts})")
    return lines


def side_words(row: RowLike, number: int) -> str:
    """``181.2 Hz (180.9 to 181.5)`` of one stretch, or why there is no figure."""
    side = row.sides[number]
    if side is None:
        return (row.why[number] if number < len(row.why) else "") or "too few hits"
    decimals = row.measure.decimals
    low, high = (signed(end, decimals) for end in side.ci)
    return f"{signed(side.value, decimals)} {row.measure.unit} ({low} to {high})"


def difference_words(row: RowLike, difference: DifferenceLike | None) -> str:
    """``−2.8 % (−3.1 to −2.5)``, empty without one."""
    if difference is None:
        return ""
    unit = "%" if row.measure.relative else row.measure.unit
    decimals = 1 if row.measure.relative else row.measure.decimals
    low, high = (signed(end, decimals) for end in difference.ci)
    plus = "+" if difference.amount > 0 else ""
    return f"{plus}{signed(difference.amount, decimals)} {unit} ({low} to {high})"


def _against(row: RowLike, difference: DifferenceLike | None) -> str:
    words = difference_words(row, difference)
    if not words:
        return ""
    return f"; {words}{' *' if difference is not None and difference.real else ''}"


def _points(points: float) -> str:
    return f"{'+' if points > 0 else ''}{signed(points, 1)}"
