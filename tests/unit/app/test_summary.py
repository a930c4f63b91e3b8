"""summary.json and hits.csv: the contract's keys, the shipped schema, no silent null."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from liveassist.app import summary as summary_module
from liveassist.app.hitscsv import COLUMNS, HitRows, hits_csv
from liveassist.app.summary import SummaryText, schema, summary, summary_json
from liveassist.model import (
    Alert,
    BleedMargin,
    Change,
    Drum,
    DrumFigures,
    Figures,
    Hit,
    HitMeasures,
    Kit,
    Mic,
    Prediction,
    SessionRecord,
    Suggestion,
    Take,
    TakeRecord,
)

KIT = Kit(
    "two",
    (Drum("kick", "kick", "kick"), Drum("snare", "snare", "snare_top")),
    (Mic("kick", 1), Mic("snare_top", 2), Mic("over", 3)),
)
SNARE = DrumFigures(
    "snare",
    hits=40,
    main_hits=30,
    median_dbfs=-8.0,
    spread_db=1.25,
    spread_ci=(1.0, 1.6),
    dynamics_db=3.0,
    p10_dbfs=-10.0,
    p90_dbfs=-6.5,
    weak_hits=3,
    weak_share=0.1,
    ghost_hits=10,
    ghost_median_dbfs=-25.0,
    note_hz=191.2,
    ring_s=0.4,
    limb_imbalance_db=-0.7,
)
KICK = DrumFigures("kick", hits=3, main_hits=3)
FIGURES = Figures(
    start_s=0.0,
    end_s=60.0,
    drums={"kick": KICK, "snare": SNARE},
    bleed_db={"snare_top": {"kick": None}, "kick": {"snare": -31.0}},
    bleed_dbfs={"snare_top": {"cymbal": -40.5}},
    bleed_upper_bound=("kick.snare",),
    bleed_margin={"snare_top": BleedMargin(9.5, None, "hihat")},
    unmeasured={
        "bleed_db.snare_top.kick": "3 hits, 8 needed",
        "drums.kick.spread_db": "3 hits, 8 needed",
    },
)
SUGGESTION = Suggestion(
    threshold_dbfs=-18.0,
    hysteresis_db=3.0,
    range_db=12.0,
    ratio=3.5,
    knee_db=3.0,
    attack_ms=0.1,
    hold_ms=40.0,
    release_ms=120.0,
    lookahead_ms=0.0,
    key_highpass_hz=120.0,
    key_lowpass_hz=None,
    predicted=Prediction(0.98, (0.9, 1.0), 4.0, 11.0, (10.0, 12.0), 1.5, (0.5, 3.0), 0.2, 30),
)
CHANGE = Change("head_pitch", -28.0, "cents", (-33.0, -23.0), 0.95, "It went flat.", drum="snare")
RECORD = SessionRecord(
    kit=KIT,
    sample_rate_hz=44_100,
    duration_s=60.0,
    hits=(),
    figures=FIGURES,
    takes=(
        TakeRecord(Take("one", 0.0, 30.0, False), FIGURES, (), True),
        TakeRecord(Take("two", 30.0, None, False), FIGURES, (CHANGE,)),
    ),
    alerts=(
        Alert("uneven", 10.0, None, "between", "look", "It is uneven.", "snare", None, 3.0, "dB"),
        Alert("hum", 0.0, 5.0, "now", "stop", "It hums.", None, "over"),
    ),
    expander={"snare_top": SUGGESTION, "over": None},
    expander_reason={"over": "an overhead is not expanded"},
    learned="check.flac",
    started_at="2030-01-01T10:00:00.000+00:00",
)


def hit(number: int, sample: int, **more: Any) -> Hit:
    values: dict[str, Any] = {
        "stage": "complete",
        "drum": "snare",
        "time_s": sample / 192_000,
        "peak_dbfs": -3.014,
        "heard_peak_dbfs": -2.5,
        "confidence": 0.98765,
    }
    return Hit(number=number, sample=sample, **(values | more))


def test_document_is_valid_by_the_shipped_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(summary(RECORD), schema(), jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("drums", "snare", "main", "weak_share"), 1.5),
        (("drums", "snare", "main", "spread_ci"), [1.0]),
        (("drums", "snare", "hits"), -1),
        (("schema",), 2),
        (("alerts", 0, "when"), "later"),
        (("takes", 1, "changes", 0, "cause"), "gremlins"),
        (("expander", "snare_top", "detector"), "rms"),
        (("unmeasured", "x"), ""),
        (("extra",), 1),
        (("drums", "snare", "extra"), 1),
    ],
)
def test_schema_refuses_what_the_contract_does_not_allow(
    path: tuple[str | int, ...], value: Any
) -> None:
    document: Any = summary(RECORD)
    inner = document
    for part in path[:-1]:
        inner = inner[part]
    inner[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, schema(), jsonschema.Draft202012Validator)


def test_schema_asks_for_every_key() -> None:
    for key in set(summary(RECORD)) - {"reference"}:
        document = summary(RECORD)
        del document[key]
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(document, schema(), jsonschema.Draft202012Validator)


def test_keys_are_those_of_the_contract() -> None:
    """Written out by hand from the description of the format, not from the code."""
    document = summary(RECORD)
    assert list(document) == [
        "schema",
        "started_at",
        "sample_rate_hz",
        "learned",
        "drums",
        "bleed_db",
        "bleed_dbfs",
        "bleed_upper_bound",
        "bleed_margin_db",
        "expander",
        "takes",
        "alerts",
        "reference",
        "unmeasured",
    ]
    assert document["reference"] == "one"
    assert document["drums"]["snare"] == {
        "hits": 40,
        "main": {
            "hits": 30,
            "median_dbfs": -8,
            "spread_db": 1.25,
            "spread_ci": [1, 1.6],
            "dynamics_db": 3,
            "p10_dbfs": -10,
            "p90_dbfs": -6.5,
            "weak_share": 0.1,
        },
        "ghost": {"hits": 10, "median_dbfs": -25},
        "note_hz": 191.2,
        "ring_s": 0.4,
        "limb_imbalance_db": -0.7,
    }
    assert document["drums"]["kick"]["ghost"] is None
    assert document["bleed_margin_db"] == {
        "snare_top": {"full_band": 9.5, "key_filtered": None, "worst_source": "hihat"}
    }
    assert document["expander"]["over"] is None
    assert set(document["expander"]["snare_top"]) == {
        "threshold_dbfs",
        "hysteresis_db",
        "range_db",
        "ratio",
        "knee_db",
        "detector",
        "attack_ms",
        "hold_ms",
        "release_ms",
        "lookahead_ms",
        "key_highpass_hz",
        "key_lowpass_hz",
        "predicted",
    }
    assert set(document["expander"]["snare_top"]["predicted"]) == {
        "main_passed",
        "main_passed_ci",
        "ghost_cut_db",
        "bleed_cut_db",
        "bleed_cut_ci",
        "bleed_openings_per_min",
        "openings_ci",
        "open_share",
        "hits",
    }
    assert document["takes"][1]["end_s"] == 60
    assert document["takes"][1]["changes"] == [
        {
            "drum": "snare",
            "cause": "head_pitch",
            "amount": -28,
            "unit": "cents",
            "ci": [-33, -23],
            "confidence": 0.95,
            "sentence": "It went flat.",
        }
    ]
    assert document["alerts"][1] == {
        "mic": "over",
        "start_s": 0,
        "end_s": 5,
        "alert": "hum",
        "when": "now",
        "severity": "stop",
        "sentence": "It hums.",
        "value": None,
        "unit": None,
    }


def test_reasons_of_the_stages_stand_under_the_paths_of_the_document() -> None:
    unmeasured = summary(RECORD)["unmeasured"]
    assert unmeasured["bleed_db.snare_top.kick"] == "3 hits, 8 needed"
    assert unmeasured["drums.kick.main.spread_db"] == "3 hits, 8 needed"
    assert unmeasured["takes.two.drums.kick.main.spread_db"] == "3 hits, 8 needed"
    assert unmeasured["expander.over"] == "an overhead is not expanded"
    assert "expander.snare_top.key_lowpass_hz" not in unmeasured


def nulls(value: Any, path: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from nulls(item, f"{path}.{key}".lstrip("."))
    elif value is None:
        yield path


@pytest.mark.parametrize("started_at", [None, "2030-01-01T10:00:00+00:00"])
def test_every_null_has_a_reason(started_at: str | None) -> None:
    document = summary(dataclasses.replace(RECORD, started_at=started_at))
    document.pop("takes")
    found = [path for path in nulls(document) if not path.endswith("key_lowpass_hz")]
    assert "drums.kick.main.median_dbfs" in found
    for path in found:
        parents = [path.rsplit(".", n)[0] for n in range(path.count(".") + 1)]
        assert any(parent in document["unmeasured"] for parent in [path, *parents]), path
    assert ("started_at" in document["unmeasured"]) is (started_at is None)


def test_infinite_and_undefined_become_null() -> None:
    drum = dataclasses.replace(SNARE, spread_db=math.nan, spread_ci=(0.0, math.inf))
    figures = dataclasses.replace(FIGURES, drums={"snare": drum})
    text = summary_json(dataclasses.replace(RECORD, figures=figures))
    main = json.loads(text)["drums"]["snare"]["main"]
    assert main["spread_db"] is None
    assert main["spread_ci"] is None
    assert "NaN" not in text
    assert "Infinity" not in text


def test_hits_csv_columns_and_cells() -> None:
    measures = HitMeasures(note_hz=190.123, ring_s=0.4567)
    full = hit(
        2, 192_001, velocity=101, role="main", flags=("clipped", "doubled"), take="one",
        measures=measures,
    )  # fmt: skip
    bare = hit(1, 96_000, drum="cymbal", peak_dbfs=None, heard_peak_dbfs=None)
    withdrawn = hit(3, 10, stage="withdrawn")
    rows = list(csv.reader(io.StringIO(hits_csv([full, withdrawn, bare]))))
    assert ",".join(rows[0]) == (
        "time_s,drum,peak_dbfs,heard_peak_dbfs,velocity,role,confidence,note_hz,ring_s,flags,take"
    )
    assert tuple(rows[0]) == COLUMNS
    assert rows[1] == ["0.500000", "cymbal", "", "", "", "unsure", "0.988", "", "", "", ""]
    assert rows[2] == [
        "1.000005", "snare", "-3.01", "-2.50", "101", "main", "0.988", "190.12", "0.457",
        "clipped doubled", "one",
    ]  # fmt: skip
    assert len(rows) == 3


def test_rows_that_grow_say_the_same_as_all_at_once() -> None:
    rows, hits = HitRows(), {}
    for number in range(3 * HitRows.LATE + 100):
        # Some come a little late, some are replaced, some taken out.
        one = hit(number, 1000 * number - (2500 if number % 7 == 0 else 0), take="1")
        hits[number] = one
        rows.put(one)
        if number % 11 == 0 and number:
            hits[number - 1] = hit(number - 1, hits[number - 1].sample, take="2")
            rows.put(hits[number - 1])
        if number % 13 == 0 and number > 20:
            del hits[number - 5]
            assert rows.drop(number - 5)
    assert not rows.drop(3), "too long ago"
    assert "".join(rows.pieces()) == hits_csv(hits.values())


def test_hits_csv_keeps_a_take_name_with_comma_and_quote() -> None:
    name = 'verse, "loud"'
    rows = list(csv.DictReader(io.StringIO(hits_csv([hit(1, 0, take=name)]))))
    assert rows[0]["take"] == name


def test_the_text_comes_in_pieces_and_is_that_of_the_standard_encoder() -> None:
    takes = tuple(
        TakeRecord(Take(f"take {i}", 30.0 * i, 30.0 * i + 25.0, False), FIGURES, (CHANGE,))
        for i in range(60)
    )
    for record in (RECORD, dataclasses.replace(RECORD, takes=takes)):
        pieces = list(SummaryText().pieces(record))
        assert "".join(pieces) == standard(record) == summary_json(record)
    # A day's takes are never in memory as one text.
    assert max(map(len, pieces)) < sum(map(len, pieces)) / 2


def standard(record: SessionRecord) -> str:
    return json.dumps(summary(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def test_of_takes_that_stay_the_text_is_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    takes = [
        TakeRecord(Take(f"take {i}", 30.0 * i, 30.0 * i + 25.0, False), FIGURES, (CHANGE,))
        for i in range(20)
    ]
    text = SummaryText()
    made: list[str] = []
    make = summary_module._take

    def noted(one: TakeRecord, kit: Kit) -> dict[str, Any]:
        made.append(one.take.name)
        return make(one, kit)

    monkeypatch.setattr(summary_module, "_take", noted)

    def look() -> tuple[bool, list[str]]:
        made.clear()
        record = dataclasses.replace(RECORD, takes=tuple(takes))
        written, anew = "".join(text.pieces(record)), list(made)
        return written == standard(record), anew

    assert look() == (True, [f"take {i}" for i in range(20)])
    assert look() == (True, []), "nothing is made anew"
    takes[3] = dataclasses.replace(takes[3], changes=())
    takes[5] = dataclasses.replace(takes[5], take=Take("another name", 150.0, 175.0, False))
    del takes[7]
    takes.append(TakeRecord(Take("runs", 700.0, None, False), FIGURES, ()))
    assert look() == (True, ["take 3", "another name", "runs"])
