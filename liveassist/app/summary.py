"""summary.json: what a session leaves behind, in the shape of summary.schema.json.

Fractions 0 to 1; intervals are [low, high] at 95 %; what could not be measured is null and its
reason stands under ``unmeasured``, keyed by the path of the figure (``drums.snare.note_hz``).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from liveassist.app.takejson import review_json
from liveassist.model import (
    Alert,
    BleedMargin,
    Change,
    DrumFigures,
    Figures,
    Interval,
    Kit,
    Prediction,
    SessionRecord,
    Suggestion,
    TakeRecord,
)

Json = dict[str, Any]

_MAIN_KEYS = (
    "median_dbfs",
    "spread_db",
    "spread_ci",
    "dynamics_db",
    "p10_dbfs",
    "p90_dbfs",
    "weak_share",
)
#: Null is an answer here, not a missing figure: no key filter is needed, nothing was learned.
_NULL_IS_ANSWER = frozenset({"learned", "key_highpass_hz", "key_lowpass_hz"})
#: Lists whose rows say themselves what they could not give a number for.
_SELF_EXPLAINING = frozenset({"alerts", "changes", "marks"})
#: What a null means where the stage that measures gave no reason of its own.
_USUAL_REASONS = {
    "softest_dbfs": "none of the hits that were tried was heard",
    "started_at": "a recording does not say when it began",
    "ghost": "no ghost notes heard",
    "limb_imbalance_db": "no run of alternating strokes heard",
    "note_hz": "no hit rang clearly enough",
    "ring_s": "no hit rang clearly enough",
    "key_filtered": "no key filter was tried",
    "worst_source": "no foreign source heard",
}
_DEFAULT_REASON = "too few usable hits"


def schema() -> Json:
    """The JSON Schema of summary.json, shipped with the package."""
    text = files("liveassist.app").joinpath("summary.schema.json").read_text(encoding="utf-8")
    loaded: Json = json.loads(text)
    return loaded


def summary_json(record: SessionRecord) -> str:
    """The text of summary.json."""
    return "".join(SummaryText().pieces(record))


class SummaryText:
    """The text of summary.json, again and again while a session goes on: of takes that stay as they
    are it is made once, for after hours they are nearly all of it."""

    def __init__(self) -> None:
        self._takes: dict[str, _TakeText] = {}

    def pieces(self, record: SessionRecord) -> Iterator[str]:
        """The text in pieces, which need not all be in memory to be written."""
        takes = [self._take(one, record.kit) for one in record.takes]
        # What was renamed or taken out is not kept.
        self._takes = {take.record.take.name: take for take in takes}
        document = _document(record, [])
        reasons = _rows(_session_reasons(record, document))
        for number, (key, value) in enumerate(document.items()):
            yield f"{',' if number else '{'}\n  {_json(key)}: "
            if key == "takes" and takes:
                for row, take in enumerate(takes):
                    yield (",\n" if row else "[\n") + take.text
                yield "\n  ]"
            else:
                yield _indented(value, 1)
        rows = ",\n".join(filter(None, [reasons, *(take.reasons for take in takes)]))
        yield ',\n  "unmeasured": ' + (f"{{\n{rows}\n  }}" if rows else "{}") + "\n}\n"

    def _take(self, record: TakeRecord, kit: Kit) -> _TakeText:
        known = self._takes.get(record.take.name)
        if known is not None and known.record is record:
            return known
        row = _take(record, kit)
        return _TakeText(record, "    " + _indented(row, 2), _rows(_take_reasons(record, row)))


@dataclass(frozen=True, slots=True)
class _TakeText:
    """A take, and its parts of the text."""

    record: TakeRecord
    text: str
    reasons: str


def _rows(reasons: Mapping[str, str]) -> str:
    """Lines of ``unmeasured``."""
    return ",\n".join(f"    {_json(path)}: {_json(why)}" for path, why in reasons.items())


def _json(value: object, indent: int | None = None) -> str:
    return json.dumps(value, indent=indent, allow_nan=False, ensure_ascii=False)


def _indented(value: object, level: int) -> str:
    """``value`` as it stands so many levels within the document; no text in JSON holds a newline of
    its own."""
    return _json(value, 2).replace("\n", "\n" + "  " * level)


def summary(record: SessionRecord) -> Json:
    """The content of summary.json."""
    rows = [_take(take, record.kit) for take in record.takes]
    reasons = _session_reasons(record, _document(record, []))
    for take, row in zip(record.takes, rows, strict=True):
        reasons |= _take_reasons(take, row)
    return _document(record, rows) | {"unmeasured": reasons}


def _with_usual(given: dict[str, str], nulls: Iterable[str]) -> dict[str, str]:
    """Why each null is one: the reasons that were given, else the usual ones."""
    return given | {
        path: _USUAL_REASONS.get(path.rpartition(".")[2], _DEFAULT_REASON)
        for path in nulls
        if not _explained(path, given)
    }


def _document(record: SessionRecord, takes: list[Json]) -> Json:
    """All but the reasons, with these rows of takes."""
    document: Json = {
        "schema": 1,
        "started_at": record.started_at,
        "sample_rate_hz": _number(record.sample_rate_hz),
        "learned": record.learned,
        "drums": _drums(record.figures),
        "bleed_db": _matrix(record.figures.bleed_db),
        "bleed_dbfs": _matrix(record.figures.bleed_dbfs),
        "bleed_upper_bound": list(record.figures.bleed_upper_bound),
        "bleed_margin_db": {
            mic: _margin(margin) for mic, margin in record.figures.bleed_margin.items()
        },
        "expander": {mic: suggestion_json(found) for mic, found in record.expander.items()},
        "takes": takes,
        "alerts": [_alert(alert) for alert in record.alerts],
    }
    reference = next((one.take.name for one in record.takes if one.reference), None)
    if reference is not None:
        document["reference"] = reference
    if record.remarks:
        document["marks"] = [
            {"time_s": _number(mark.time_s), "text": mark.text, "take": mark.take}
            for mark in record.remarks
        ]
    if record.audit:
        document["audit"] = {
            drum: {
                "softest_dbfs": _number(audit.softest_dbfs),
                "trials": audit.trials,
                "sentence": audit.sentence,
            }
            for drum, audit in record.audit.items()
        }
    return document


def _drums(figures: Figures) -> Json:
    return {name: _drum(drum) for name, drum in figures.drums.items()}


def _drum(drum: DrumFigures) -> Json:
    ghost = {"hits": drum.ghost_hits, "median_dbfs": _number(drum.ghost_median_dbfs)}
    return {
        "hits": drum.hits,
        "main": {
            "hits": drum.main_hits,
            "median_dbfs": _number(drum.median_dbfs),
            "spread_db": _number(drum.spread_db),
            "spread_ci": _interval(drum.spread_ci),
            "dynamics_db": _number(drum.dynamics_db),
            "p10_dbfs": _number(drum.p10_dbfs),
            "p90_dbfs": _number(drum.p90_dbfs),
            "weak_share": _number(drum.weak_share),
        },
        "ghost": ghost if drum.ghost_hits else None,
        "note_hz": _number(drum.note_hz),
        "ring_s": _number(drum.ring_s),
        "limb_imbalance_db": _number(drum.limb_imbalance_db),
    }


def _matrix(matrix: Mapping[str, Mapping[str, float | None]]) -> Json:
    return {
        mic: {drum: _number(level) for drum, level in row.items()} for mic, row in matrix.items()
    }


def _margin(margin: BleedMargin) -> Json:
    return {
        "full_band": _number(margin.full_band_db),
        "key_filtered": _number(margin.key_filtered_db),
        "worst_source": margin.worst_source,
    }


def suggestion_json(found: Suggestion | None) -> Json | None:
    """Settings and prediction under the names of summary.json."""
    if found is None:
        return None
    return {
        "threshold_dbfs": _number(found.threshold_dbfs),
        "hysteresis_db": _number(found.hysteresis_db),
        "range_db": _number(found.range_db),
        "ratio": _number(found.ratio),
        "knee_db": _number(found.knee_db),
        "detector": "peak",
        "attack_ms": _number(found.attack_ms),
        "hold_ms": _number(found.hold_ms),
        "release_ms": _number(found.release_ms),
        "lookahead_ms": _number(found.lookahead_ms),
        "key_highpass_hz": _number(found.key_highpass_hz),
        "key_lowpass_hz": _number(found.key_lowpass_hz),
        "predicted": _prediction(found.predicted),
    }


def _prediction(predicted: Prediction | None) -> Json | None:
    if predicted is None:
        return None
    return {
        "main_passed": _number(predicted.main_passed),
        "main_passed_ci": _interval(predicted.main_passed_ci),
        "ghost_cut_db": _number(predicted.ghost_cut_db),
        "bleed_cut_db": _number(predicted.bleed_cut_db),
        "bleed_cut_ci": _interval(predicted.bleed_cut_ci),
        "bleed_openings_per_min": _number(predicted.bleed_openings_per_min),
        "openings_ci": _interval(predicted.openings_ci),
        "open_share": _number(predicted.open_share),
        "hits": predicted.hits,
    }


def _take(record: TakeRecord, kit: Kit) -> Json:
    end_s = record.take.end_s if record.take.end_s is not None else record.figures.end_s
    row: Json = {
        "name": record.take.name,
        "start_s": _number(record.take.start_s),
        "end_s": _number(end_s),
        "drums": _drums(record.figures),
        "changes": [_change(change) for change in record.changes],
    }
    said = review_json(record, kit)
    return row if said is None else row | {"review": said}


def _change(change: Change) -> Json:
    row: Json = _about(change.drum, change.mic) | {
        "cause": change.cause,
        "amount": _number(change.amount),
        "unit": change.unit,
        "ci": _interval(change.ci),
        "confidence": _number(change.confidence),
        "sentence": change.sentence,
    }
    if change.source is not None:
        row["source"] = change.source
    return row


def _alert(alert: Alert) -> Json:
    return _about(alert.drum, alert.mic) | {
        "start_s": _number(alert.start_s),
        "end_s": _number(alert.end_s),
        "alert": alert.key,
        "when": alert.when,
        "severity": alert.severity,
        "sentence": alert.sentence,
        "value": _number(alert.value),
        "unit": alert.unit,
    }


def _about(drum: str | None, mic: str | None) -> Json:
    about: Json = {}
    if drum is not None:
        about["drum"] = drum
    if mic is not None:
        about["mic"] = mic
    return about


def _session_reasons(record: SessionRecord, document: Json) -> dict[str, str]:
    """Reasons for all but the takes, under the paths of this document."""
    reasons = {
        _path(key): why
        for key, why in (*record.figures.unmeasured.items(), *record.unmeasured.items())
    }
    for mic, why in record.expander_reason.items():
        if record.expander.get(mic) is None:
            reasons[f"expander.{mic}"] = why
    return _with_usual(reasons, _nulls(document, ""))


def _take_reasons(record: TakeRecord, row: Json) -> dict[str, str]:
    """Reasons for a take, whose row this is."""
    reasons = {}
    for key, why in record.figures.unmeasured.items():
        path = _path(key)
        # A take holds the figures of its drums only; bleed is given for the whole session.
        if path.startswith("drums."):
            reasons[f"takes.{record.take.name}.{path}"] = why
    for drum, why in record.not_compared.items():
        reasons[f"takes.{record.take.name}.changes.{drum}"] = why
    return _with_usual(reasons, _nulls({"takes": [row]}, ""))


def _path(key: str) -> str:
    """Path in the document of a figure that a stage names without the group ``main``."""
    parts = key.split(".")
    if len(parts) == 3 and parts[0] == "drums" and parts[2] in _MAIN_KEYS:
        return f"{parts[0]}.{parts[1]}.main.{parts[2]}"
    return key


def _nulls(value: Any, path: str) -> Iterator[str]:
    """Paths of all nulls that call for a reason. Takes are named by name, not by number."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key not in _NULL_IS_ANSWER and key not in _SELF_EXPLAINING:
                yield from _nulls(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for item in value:
            if isinstance(item, dict):
                inner = {key: inside for key, inside in item.items() if key != "name"}
                yield from _nulls(inner, f"{path}.{item.get('name', '')}")
    elif value is None:
        yield path


def _explained(path: str, reasons: Mapping[str, str]) -> bool:
    """Whether the path or one of the groups above it has a reason."""
    parts = path.split(".")
    return any(".".join(parts[:length]) in reasons for length in range(len(parts), 0, -1))


def _number(value: float | None) -> float | int | None:
    """A plain number with at most six decimals; JSON has no infinity and no NaN: null instead."""
    if value is None or not math.isfinite(value):
        return None
    rounded = round(float(value), 6)
    return int(rounded) if rounded.is_integer() and abs(rounded) < 1e15 else rounded


def _interval(value: Interval | None) -> list[float | int | None] | None:
    if value is None or not all(math.isfinite(end) for end in value):
        return None
    return [_number(value[0]), _number(value[1])]
