"""What changed since the reference take, by cause.

`changes` compares the hits of two takes and names causes, because their remedies differ. An
unchanged take gives an empty tuple; thresholds were set so that chance names a false cause in at
most about one unchanged pair in a hundred, all drums, microphones and causes together.

cause           seen as                                              amount, sign
playing_level   the drum's hits differ in every microphone alike     dB, softer negative
mic_gain        everything in one microphone shifts alike            dB
mic_position    own hits shift and bleed does not, arrival moves     dB of own hits
polarity        the sign against the drum flipped                    -
head_pitch      the partial pattern shifted (at like hit levels)     cents, flat negative
ring            T60 changed at like pitch                            per cent
drum_changed    the pattern itself differs                           -
bleed           one source without a head up everywhere              dB, with source
mic_fault       collapse, or a fault handed in                       dB or -
unknown         a difference no cause explains                       dB

Modules: `changes_levels` (differences drum by microphone), `changes_causes` (fewest causes that
explain them), `changes_heads` (pitch, ring), `changes_mics` (polarity, moves).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from liveassist.advise import changes_words as words
from liveassist.advise.changes_causes import Cause, Explanation, explain
from liveassist.advise.changes_heads import Reports, head_report
from liveassist.advise.changes_levels import MAIN_ROLES, MIN_MAIN, DrumLevels, drum_levels
from liveassist.advise.changes_mics import Move, flipped, moved
from liveassist.advise.changes_stats import interval, sureness
from liveassist.model import Change, Hit, Kit

#: A microphone down by this much is not turned down but failing, dB.
COLLAPSE_DB: Final = -20.0
#: An arrival that moved without any change of level needs this many witnesses.
_SEEN_ALONE: Final = 2
#: A cell nothing explains must be this far off, in dB and in standard errors.
_UNKNOWN_DB: Final = 4.0
_UNKNOWN_Z: Final = 6.0


def not_compared(kit: Kit, reference: Sequence[Hit], take: Sequence[Hit]) -> dict[str, str]:
    """Judged drums of which `changes` can say nothing, and why: too few main hits on a side."""
    reasons = {}
    for drum in kit.drums:
        if not drum.judged:
            continue
        counts = [
            sum(hit.drum == drum.name and hit.role in MAIN_ROLES for hit in hits)
            for hits in (reference, take)
        ]
        if not any(hit.drum == drum.name for hit in (*reference, *take)):
            continue  # not part of this song
        where = [
            f"{count} in {side}"
            for count, side in zip(counts, ("the reference", "this take"), strict=True)
            if count < MIN_MAIN
        ]
        if where:
            reasons[drum.name] = f"main hits: {', '.join(where)}; {MIN_MAIN} needed"
    return reasons


def changes(
    kit: Kit,
    reference: Sequence[Hit],
    take: Sequence[Hit],
    *,
    faults: Mapping[str, str] | None = None,
    known: Reports | None = None,
) -> tuple[Change, ...]:
    """Causes of difference of ``take`` against ``reference``, the surest first.

    Hits: final reports (``stage`` complete) with ``role``, ``peak_dbfs``, ``mic_dbfs`` in the
    order of ``kit.mics`` (``mic_bound`` cells are left out), ``measures`` where there are. Clipped
    hits are left out. ``faults``: microphone -> what is wrong with it ("hums at 50 Hz"), from the
    alerts of the take; named as ``mic_fault``, and the microphone's levels are not judged.
    ``known``: takes the reports of the heads, for `liveassist.advise.drift.take_drift`.
    Empty for an unchanged take, and wherever there are too few hits to tell (six main hits a drum
    and side for playing, five values a cell for gain, five usable hits for pitch).
    """
    faults = faults or {}
    bad = {kit.mic_index(mic) for mic in faults}
    first = [_without(hit, bad) for hit in reference]
    second = [_without(hit, bad) for hit in take]
    levels = [
        found for drum in kit.drums if (found := drum_levels(kit, drum, first, second)) is not None
    ]
    explanation = explain(kit, levels)
    moves = _moves(kit, first, second)
    out = [
        Change("mic_fault", None, None, None, 0.99, words.fault(mic, what), mic=mic)
        for mic, what in faults.items()
    ]
    out += _level_changes(kit, levels, explanation, moves)
    named = {change.mic for change in out if change.mic is not None}
    out += [
        _position(kit, None, move, 1)
        for move in moves.values()
        if move.mic not in named and move.seen >= _SEEN_ALONE
    ]
    out += _heads(kit, first, second, explanation, known)
    for drum in kit.drums:
        out += [
            Change(
                "polarity",
                None,
                None,
                None,
                1.0 - 0.15**count,
                words.polarity(mic, drum.name),
                mic=mic,
            )
            for mic, count in flipped(kit, drum, first, second)
            if mic not in faults
        ]
    out += _unknown(kit, levels, explanation, {change.drum for change in out})
    return tuple(sorted(out, key=lambda change: -change.confidence))


def _without(hit: Hit, bad: set[int]) -> Hit:
    """The hit with the levels of faulty microphones taken out."""
    if not bad:
        return hit
    levels = tuple(None if i in bad else level for i, level in enumerate(hit.mic_dbfs))
    return replace(hit, mic_dbfs=levels)


def _moves(kit: Kit, first: Sequence[Hit], second: Sequence[Hit]) -> dict[str, Move]:
    """Moved microphones: the surest move of each, ``seen`` summed over the drums that say so."""
    moves: dict[str, Move] = {}
    for drum in kit.drums:
        if drum.own is None:
            continue
        for move in moved(kit, drum, first, second):
            other = moves.get(move.mic)
            seen = move.seen + (other.seen if other is not None else 0)
            if other is None or abs(move.ms / move.se_ms) > abs(other.ms / other.se_ms):
                moves[move.mic] = replace(move, seen=seen)
            else:
                moves[move.mic] = replace(other, seen=seen)
    return moves


def _level_changes(
    kit: Kit,
    levels: Sequence[DrumLevels],
    explanation: Explanation,
    moves: Mapping[str, Move],
) -> list[Change]:
    out = []
    for cause in explanation.causes:
        sure = sureness(cause.z, explanation.tried)
        ci = interval(cause.amount_db, cause.se_db)
        amount = cause.amount_db
        if cause.kind == "playing":
            name = levels[cause.index].drum.name
            sentence = words.playing(name, amount)
            out.append(Change("playing_level", amount, "dB", ci, sure, sentence, drum=name))
        elif cause.kind == "source":
            name = levels[cause.index].drum.name
            sentence = words.bleed(name, amount)
            out.append(Change("bleed", amount, "dB", ci, sure, sentence, source=name))
        else:
            out.append(_mic_change(kit, cause, moves, explanation.tried))
    return out


def _mic_change(kit: Kit, cause: Cause, moves: Mapping[str, Move], tried: int) -> Change:
    mic = kit.mics[cause.index].name
    move = moves.get(mic)
    if cause.kind == "gain" and cause.amount_db <= COLLAPSE_DB:
        what = f"has collapsed by {-cause.amount_db:.0f} dB"
        ci = interval(cause.amount_db, cause.se_db)
        return Change(
            "mic_fault",
            cause.amount_db,
            "dB",
            ci,
            sureness(cause.z, tried),
            words.fault(mic, what),
            mic=mic,
        )
    if cause.kind == "position" or move is not None:
        return _position(kit, cause, move, tried)
    return Change(
        "mic_gain",
        cause.amount_db,
        "dB",
        interval(cause.amount_db, cause.se_db),
        sureness(cause.z, tried),
        words.gain(mic, cause.amount_db),
        mic=mic,
    )


def _position(kit: Kit, cause: Cause | None, move: Move | None, tried: int) -> Change:
    if cause is not None:
        mic = kit.mics[cause.index].name
        delay = move.ms if move is not None else None
        return Change(
            "mic_position",
            cause.amount_db,
            "dB",
            interval(cause.amount_db, cause.se_db),
            sureness(cause.z, tried),
            words.position(mic, cause.amount_db, delay),
            mic=mic,
        )
    if move is None:
        raise ValueError("a position change needs a level or a move")
    return Change(
        "mic_position",
        None,
        None,
        None,
        sureness(move.ms / move.se_ms, len(kit.mics)),
        words.position(move.mic, None, move.ms),
        mic=move.mic,
    )


def _heads(
    kit: Kit,
    first: Sequence[Hit],
    second: Sequence[Hit],
    explanation: Explanation,
    known: Reports | None,
) -> list[Change]:
    gains = {
        cause.index: cause.amount_db
        for cause in explanation.causes
        if cause.kind in ("gain", "position")
    }
    out = []
    for drum in kit.drums:
        if drum.own is None:
            continue
        gain_db = gains.get(kit.mic_index(drum.own), 0.0)
        report = head_report(drum, first, second, gain_db, known)
        for found in report.changes:
            sure = sureness(found.z, 2 * len(kit.drums))
            name = drum.name
            if found.cause == "drum_changed" or found.amount is None:
                sentence = words.drum_changed(name)
                out.append(Change("drum_changed", None, None, None, sure, sentence, drum=name))
            elif found.cause == "head_pitch":
                sentence = words.pitch(name, found.amount)
                out.append(
                    Change("head_pitch", found.amount, "cents", found.ci, sure, sentence, drum=name)
                )
            else:
                sentence = words.ring(name, found.amount)
                out.append(Change("ring", found.amount, "%", found.ci, sure, sentence, drum=name))
    return out


def _unknown(
    kit: Kit, levels: Sequence[DrumLevels], explanation: Explanation, named: set[str | None]
) -> list[Change]:
    """Own-microphone cells far off that no cause explains, of drums nothing was said about."""
    out = []
    for left in explanation.leftovers:
        drum, mic = levels[left.drum].drum, kit.mics[left.mic].name
        if not drum.judged or drum.name in named:
            continue
        if abs(left.amount_db) >= _UNKNOWN_DB and abs(left.z) >= _UNKNOWN_Z:
            se = abs(left.amount_db / left.z)
            out.append(
                Change(
                    "unknown",
                    left.amount_db,
                    "dB",
                    interval(left.amount_db, se),
                    sureness(left.z, len(explanation.leftovers)),
                    words.unknown(drum.name, mic, left.amount_db),
                    drum=drum.name,
                )
            )
    return out
