"""Snapshots that travel to a dashboard arrive as they left."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from liveassist.app.wire import SnapshotWriter, from_plain, read_snapshot, to_plain
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
    MicState,
    OutputState,
    Partial,
    Prediction,
    Snapshot,
    Suggestion,
    Take,
)

KIT = Kit(
    "yard", (Drum("snare", "snare", "top", 14.0, 10),), (Mic("top", 1, track_offset_db=-2.5),)
)


def hit(number: int) -> Hit:
    return Hit(
        number=number,
        stage="complete",
        drum="snare",
        sample=48_000 + number,
        time_s=1.0 + number,
        peak_dbfs=-6.25,
        heard_peak_dbfs=None,
        confidence=0.5,
        velocity=99,
        role="ghost",
        flags=("clipped",),
        mic_dbfs=(-6.25, None),
        mic_bound=(False, True),
        measures=HitMeasures(
            partials=(Partial(190.0, -20.0, 0.5),), arrival_ms={"top": 0.5}, pair_sign={"top": -1}
        ),
    )


def snapshot() -> Snapshot:
    drum = DrumFigures("snare", hits=3, main_hits=2, spread_db=1.5, spread_ci=(1.0, 2.5))
    prediction = Prediction(0.98, (0.9, 1.0), 3.0, 11.0, (10.0, 12.0), 1.0, (0.0, 2.0), 0.2, 40)
    return Snapshot(
        time_s=12.5,
        sample_rate_hz=48_000.0,
        kit=KIT,
        mics=(MicState("top", -12.0, -3.0, -30.0, 2, 4.5, "dead"),),
        figures=Figures(
            0.0,
            12.5,
            {"snare": drum},
            {"top": {"kick": -12.0, "hat": None}},
            {"top": {"ride": -50.0}},
            ("top.hat",),
            {"top": BleedMargin(10.0, None, "hat", {"hat": 10.0})},
            {"bleed_db.top.hat": "3 hits, 8 needed"},
        ),
        recent={"snare": (hit(1), hit(2))},
        expander={
            "top": Suggestion(
                -30.0, 4.0, 12.0, 3.5, 6.0, 0.1, 40.0, 120.0, 1.0, None, 9e3, prediction
            ),
            "kick": None,
        },
        expander_reason={"kick": "too few hits"},
        alerts=(Alert("uneven", 1.0, None, "between", "look", "Uneven.", drum="snare", value=3.0),),
        take=Take("one", 1.0, None, False),
        outputs=(OutputState("tablet", "osc", "ok", 10, 1, 120.5, "note"),),
        lost_samples=7,
        load=0.25,
        changes=(Change("mic_gain", -3.0, "dB", (-4.0, -2.0), 0.9, "Quieter.", mic="top"),),
    )


def shown(whole: Snapshot) -> Snapshot:
    """The snapshot without what no screen shows of a hit."""
    bare = {
        drum: tuple(
            dataclasses.replace(h, mic_dbfs=(), mic_heard_dbfs=(), mic_bound=(), measures=None)
            for h in hits
        )
        for drum, hits in whole.recent.items()
    }
    return dataclasses.replace(whole, recent=bare)


def test_a_snapshot_arrives_as_it_left() -> None:
    sent = snapshot()
    line = SnapshotWriter().text(sent)
    assert "\n" not in line
    assert read_snapshot(json.loads(line)) == shown(sent)


def test_hits_known_from_the_last_snapshot_arrive_too() -> None:
    writer = SnapshotWriter()
    first = snapshot()
    writer.text(first)
    later = dataclasses.replace(first, recent={"snare": (*first.recent["snare"], hit(3))})
    assert read_snapshot(json.loads(writer.text(later))) == shown(later)
    # Hits of drums without a verdict stay behind: no screen shows them.
    more = dataclasses.replace(later, recent={**later.recent, "ride": (hit(4),)})
    assert read_snapshot(json.loads(writer.text(more))) == shown(later)


def test_numbers_of_numpy_travel_as_plain_ones_and_spectra_are_left_out() -> None:
    measured = HitMeasures(note_hz=np.float64(190.5), pattern=np.zeros(4))
    plain = json.loads(json.dumps(to_plain(measured)))
    assert plain["note_hz"] == 190.5
    assert from_plain(HitMeasures, plain).pattern is None


def test_what_does_not_fit_is_named_with_its_place() -> None:
    plain = json.loads(SnapshotWriter().text(snapshot()))
    plain["recent"]["snare"][1]["time_s"] = "late"
    with pytest.raises(ValueError, match=r"Snapshot\.recent\.snare\[1\]\.time_s: unexpected str"):
        read_snapshot(plain)


@pytest.mark.parametrize(
    "plain",
    [
        None,
        [],
        "text",
        {},
        {"time_s": "soon"},
        {"kit": 3},
        {"recent": {"snare": [{"number": "x"}]}},
    ],
)
def test_what_is_no_snapshot_is_refused_in_words(plain: object) -> None:
    with pytest.raises(ValueError, match="Snapshot"):
        read_snapshot(plain)


def test_what_a_newer_version_adds_is_ignored() -> None:
    plain = json.loads(SnapshotWriter().text(snapshot()))
    plain["weather"] = "fair"
    assert read_snapshot(plain) == shown(snapshot())


def test_what_is_the_same_object_is_not_written_anew_and_what_may_have_changed_is() -> None:
    writer, shown = SnapshotWriter(), snapshot()
    writer.text(shown)
    later = dataclasses.replace(shown, time_s=shown.time_s + 1.0, expander={})
    assert read_snapshot(json.loads(writer.text(later))).expander == {}
    reasons = {"top": "no hits"}
    changed = dataclasses.replace(later, expander_reason=reasons)
    writer.text(changed)
    reasons["top"] = "one hit"
    assert read_snapshot(json.loads(writer.text(changed))).expander_reason == reasons
