"""What was said of a take when it was over, as the part ``review`` of its row in summary.json."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from liveassist.model import Kit, TakeRecord

Json = dict[str, Any]


def review_json(record: TakeRecord, kit: Kit) -> Json | None:
    """The verdict, uneven heads, hands and feet, headroom, bleed margins; None if never judged."""
    said = record.review
    if said is None:
        return None
    margins = {
        drum.name: _plain(record.figures.bleed_margin[drum.own].full_band_db)
        for drum in kit.drums
        if drum.judged and drum.own is not None and drum.own in record.figures.bleed_margin
    }
    return {
        "light": said.verdict.light,
        "sentence": said.verdict.sentence,
        "uneven": [_plain(dataclasses.asdict(one)) for one in said.uneven],
        "limbs": [_plain(dataclasses.asdict(one)) for one in said.limbs],
        "headroom": [_plain(dataclasses.asdict(one)) for one in said.forecast],
        "drift": [_plain(dataclasses.asdict(one)) for one in said.drift],
        "bleed_margin_db": margins,
    }


def _plain(value: Any) -> Any:
    """Numbers with at most six decimals, tuples as lists, nothing that JSON has no word for."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value
