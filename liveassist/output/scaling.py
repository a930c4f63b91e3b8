"""Figures to the positions of faders, lights and displays, and back.

A `Scale` maps a range in a unit to a share of travel from 0 to 1 along a curve; the share then
becomes 7 bits, 14 bits, a number between two limits, or text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Curve = Literal["linear", "log", "top", "bottom"]
#: ``log``: equal ratios are equal travel (frequencies, times; both ends above 0). ``top``: the
#: upper part of the range gets more travel, as on a level fader; ``bottom``: the lower part.
CURVES: tuple[Curve, ...] = ("linear", "log", "top", "bottom")


@dataclass(frozen=True, slots=True)
class Scale:
    """``low`` to ``high`` (in the figure's unit) over the travel; ``invert`` turns it round."""

    low: float
    high: float
    curve: Curve = "linear"
    invert: bool = False

    def share(self, value: float) -> float:
        """Share of the travel for ``value``, 0 to 1; values beyond the range stop at its ends."""
        if self.curve == "log":
            inside = min(max(value, self.low), self.high)
            part = math.log(inside / self.low) / math.log(self.high / self.low)
        else:
            part = min(max((value - self.low) / (self.high - self.low), 0.0), 1.0)
        if self.curve == "top":
            part = part * part
        elif self.curve == "bottom":
            part = math.sqrt(part)
        return 1.0 - part if self.invert else part

    def value(self, share: float) -> float:
        """The figure at a share of the travel: the inverse of `share` within the range."""
        part = min(max(1.0 - share if self.invert else share, 0.0), 1.0)
        if self.curve == "log":
            return self.low * math.pow(self.high / self.low, part)
        if self.curve == "top":
            part = math.sqrt(part)
        elif self.curve == "bottom":
            part = part * part
        return self.low + part * (self.high - self.low)


def to_bits(share: float, bits: int) -> int:
    """Nearest whole number of ``bits`` bits: 0 to 127 for 7, 0 to 16383 for 14."""
    return round(min(max(share, 0.0), 1.0) * ((1 << bits) - 1))


def from_bits(number: int, bits: int) -> float:
    """Share of the travel of a whole number of ``bits`` bits."""
    return number / ((1 << bits) - 1)


def to_range(share: float, low: float, high: float) -> float:
    """A number between two limits; ``low`` may be above ``high``."""
    return low + share * (high - low)


def to_text(value: int | float | str | None, decimals: int, unit: str, width: int) -> str:
    """Text of exactly ``width`` letters (0: as long as it is), number to the right.

    A figure that is not measured is shown as dashes, never as 0. A number that does not fit is
    shown as ``#`` signs: a cut number would be a wrong one. Text is cut.
    """
    if isinstance(value, str):
        return value[:width].ljust(width) if width else value
    if value is None:
        number = "--"
    elif isinstance(value, int):
        number = str(value)
    else:
        number = f"{value:.{decimals}f}"
        if float(number) == 0.0:
            number = number.lstrip("-")
    text = f"{number} {unit}" if unit else number
    if not width:
        return text
    if len(text) > width:
        text = number if len(number) <= width else "#" * width
    return text.rjust(width)
