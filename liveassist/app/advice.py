"""advice.json: what the report can only say with the recording at hand.

The modes of each head (landmarks of ring) from the main hits, and the pair check of every drum with
two microphones. Worked out once from the recording, kept in the session folder. ::

    {"schema": 1, "audio": "take.wav",
     "landmarks": {"snare": [{"frequency_hz", "frequency_ci", "t60_s", "level_db", "share"}]},
     "pairs": [{"drum", "first", "second", "inverted", "agreement", "delay_ms", "distance_mm",
                "level_db": {"body": ..}, "sum_db": {"125": ..}, "blend_db", "hits", "sentence"}
               or {"drum", "first", "second", "reason"}]}
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from liveassist.advise.pair import PairCheck, check_pair
from liveassist.app.atomic import write_whole
from liveassist.app.cutting import cut
from liveassist.app.sessionfolder import ADVICE_NAME
from liveassist.errors import ConfigError, InputError
from liveassist.input.files import open_recording
from liveassist.measure.modes import tracked_modes
from liveassist.measure.partials import measure_hit, needed_s
from liveassist.model import Audio, Drum, HitMeasures, Kit
from liveassist.output.stored import MAIN_ROLES, StoredHit, StoredSession

#: Audio before an onset that the measures like to see, s; pieces this long serve all of them.
BEFORE_S, PIECE_S = 0.010, 0.420
#: Most hits of a drum that are looked at, spread over the session.
MOST_HITS = 60
#: A foreign hit within this of a hit's own level spoils its ring, dB.
SPOILS_DB = 20.0


def work_out(session: StoredSession, audio: Sequence[str], folder: Path) -> dict[str, Any]:
    """Work the advice out from recording ``audio`` (as given to replay) and keep it in ``folder``.

    ConfigError where the folder holds no kit, InputError where the recording does not fit the hits.
    """
    kit = session.kit
    if kit is None:
        raise ConfigError("--audio: the session holds no kit; give --kit KIT.toml too")
    with open_recording(audio, kit) as recording:
        rate = recording.sample_rate_hz
        if rate != session.summary["sample_rate_hz"]:
            raise InputError(
                f"{recording.name}: runs at {rate} Hz, the session at "
                f"{session.summary['sample_rate_hz']} Hz; name the recording it was made from"
            )
        if session.hits and session.hits[-1].time_s > recording.duration_s:
            raise InputError(
                f"{recording.name}: ends at {recording.duration_s:.1f} s, before the last hit at "
                f"{session.hits[-1].time_s:.1f} s; name the recording the session was made from"
            )
        chosen = {drum.name: _chosen(session, drum) for drum in kit.drums if drum.own is not None}
        hits = [(drum, hit) for drum, found in chosen.items() for hit in found]
        before = round(BEFORE_S * rate)
        starts = [round(hit.time_s * rate) - before for _, hit in hits]
        pieces = cut(recording.blocks(), len(kit.mics), starts, round(PIECE_S * rate))
        name = recording.name
    by_drum: dict[str, list[tuple[StoredHit, Audio]]] = {}
    for (drum, hit), piece in zip(hits, pieces, strict=True):
        by_drum.setdefault(drum, []).append((hit, piece))
    document = {
        # What the session itself left there (settings, levels, rates) stays.
        **(session.advice or {}),
        "schema": 1,
        "audio": Path(name).name,
        "landmarks": _landmarks(session, kit, by_drum, rate, before),
        "pairs": _pairs(kit, by_drum, rate, before),
    }
    text = json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    write_whole(folder / ADVICE_NAME, text)
    return document


def _chosen(session: StoredSession, drum: Drum) -> list[StoredHit]:
    """Main hits that did not clip, at most `MOST_HITS`, evenly over the session."""
    usable = [hit for hit in session.of(drum.name, roles=MAIN_ROLES) if not hit.clipped]
    if len(usable) <= MOST_HITS:
        return usable
    return [usable[round(at)] for at in np.linspace(0, len(usable) - 1, MOST_HITS)]


def _landmarks(
    session: StoredSession,
    kit: Kit,
    by_drum: dict[str, list[tuple[StoredHit, Audio]]],
    rate: int,
    before: int,
) -> dict[str, list[dict[str, Any]]]:
    found = {}
    for drum in kit.drums:
        if drum.own is None or needed_s(drum.kind) == 0.0:
            continue
        column = kit.mic_index(drum.own)
        measured: list[HitMeasures] = []
        for hit, piece in by_drum.get(drum.name, []):
            clear_s = clear_after_s(session, hit, drum.own)
            segment = piece[:, column].astype(np.float64)
            measured.append(measure_hit(segment, rate, drum.kind, before, clear_s))
        modes = tracked_modes(measured)
        if modes:
            found[drum.name] = [
                {
                    "frequency_hz": round(mode.frequency_hz, 2),
                    "frequency_ci": [round(end, 2) for end in mode.frequency_ci],
                    "t60_s": round(mode.t60_s, 4),
                    "level_db": round(mode.level_db, 2),
                    "share": round(mode.share, 3),
                }
                for mode in modes
            ]
    return found


def clear_after_s(session: StoredSession, hit: StoredHit, mic: str) -> float:
    """Seconds from ``hit`` to the next one that is heard in ``mic`` well enough to spoil its ring.

    How loud a foreign hit is there follows from its level and the measured bleed; one whose bleed
    is not known counts as heard.
    """
    bleed = session.summary["bleed_db"].get(mic, {})
    for other in session.hits:
        if other.time_s <= hit.time_s:
            continue
        if other.time_s > hit.time_s + PIECE_S:
            break
        if other.drum == hit.drum or other.peak_dbfs is None or hit.peak_dbfs is None:
            return other.time_s - hit.time_s
        there = bleed.get(other.drum)
        if there is None or other.peak_dbfs + there > hit.peak_dbfs - SPOILS_DB:
            return other.time_s - hit.time_s
    return math.inf


def _pairs(
    kit: Kit, by_drum: dict[str, list[tuple[StoredHit, Audio]]], rate: int, before: int
) -> list[dict[str, Any]]:
    rows = []
    for mic in kit.mics:
        if mic.of is None or mic.type != "acoustic":
            continue
        drum = kit.drum(mic.of)
        if drum.own is None:
            continue
        row: dict[str, Any] = {"drum": drum.name, "first": drum.own, "second": mic.name}
        pieces = [piece for _, piece in by_drum.get(drum.name, [])]
        first = _joined(pieces, kit.mic_index(drum.own))
        second = _joined(pieces, kit.mic_index(mic.name))
        length = round(PIECE_S * rate)
        onsets = [number * length + before for number in range(len(pieces))]
        found = check_pair(first, second, onsets, rate)
        rows.append(row | ({"reason": found} if isinstance(found, str) else _pair(found)))
    return rows


def _joined(pieces: Sequence[Audio], column: int) -> Audio:
    return np.concatenate([piece[:, column] for piece in pieces] or [np.zeros(0, np.float32)])


def _pair(found: PairCheck) -> dict[str, Any]:
    return {
        "inverted": bool(found.inverted),
        "agreement": round(found.agreement, 3),
        "delay_ms": round(found.delay_ms, 4),
        "distance_mm": round(found.distance_mm, 1),
        "level_db": {name: round(level, 2) for name, level in found.level_db.items()},
        "sum_db": {f"{band:g}": round(level, 2) for band, level in found.sum_db.items()},
        "blend_db": round(found.blend_db, 2),
        "hits": found.hits,
        "sentence": found.sentence,
    }
