"""Expander advice while a session runs: what to fit when, and what to show.

Fitting one microphone takes 10 to 150 ms of one core (measured on a minute of recorded drums), so
it is cut into steps of about a millisecond, `STEPS_PER_S` of them with each second of audio. One
microphone is looked at a time, the one that waited longest, each every `EVERY_S` at most and only
where new own hits came in. A suggestion already held is first run over what was heard meanwhile;
while it keeps its promise no fresh one is fitted. `liveassist.advise.keeper` decides what stays.

A look sees the audio up to `SETTLED_S` before the moment at which it begins, where hits are final
and levels known however large the blocks are. So advice follows from the audio alone: the same
live, replayed, and at any block size.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from liveassist.advise import predict
from liveassist.advise.expander import settings_from
from liveassist.advise.history import FULL_BAND, LevelHistory
from liveassist.advise.keeper import SETTLED_HITS, SuggestionKeeper
from liveassist.advise.keyfilter import keyed_margin
from liveassist.advise.picture import DRAWN_STEPS, draw
from liveassist.advise.scene import Scene, build, drums_of
from liveassist.advise.sidechain import Sidechain
from liveassist.advise.suggest import NEEDED_HITS, Fit, check_aim, fit_scene, not_for_expander
from liveassist.model import ExpanderPicture, Hit, Kit, Prediction, Suggestion
from liveassist.steps import Steps, at_once

#: A microphone's suggestion is looked at this often at most, s.
EVERY_S = 15.0
#: The same while there are too few hits to fit, which costs next to nothing to see.
RETRY_S = 3.0
#: New own hits without which nothing is looked at again.
NEW_HITS = 4
#: Steps of a look taken with each second of audio: 4 to 5 % of one core while one is under way.
STEPS_PER_S = 60.0
#: Nothing is looked at before, s: when the first levels come depends on the size of the blocks.
FIRST_S = 2.0 * RETRY_S
#: How far before the moment of a look its evidence ends, s.
SETTLED_S = 0.5

T = TypeVar("T")
Hits = Callable[[], Sequence[Hit]]


@dataclass(slots=True)
class _Mic:
    looked_s: float = -1e9
    #: Up to which sample own hits were looked at; -1: never.
    until: int = -1
    #: Whether the last look was one for good (`Advisor.settle`).
    settled: bool = False


class Advisor:
    """Suggestions of one session for every microphone of ``kit``. ValueError for an unknown aim.

    ``watched``: margins and pictures are kept up to date too, for a screen; else only at the end.
    """

    def __init__(self, kit: Kit, aim: str = "natural", watched: bool = True) -> None:
        check_aim(aim)
        self._kit = kit
        self._watched = watched
        self._aim = aim
        self._keeper = SuggestionKeeper(aim)
        self._state: dict[str, _Mic] = {}
        self._suggestions: dict[str, Suggestion | None] = {}
        self._reasons: dict[str, str] = {}
        self._wrong: dict[str, str] = {}
        self._margins: dict[str, float | None] = {}
        self._pictures: dict[str, ExpanderPicture] = {}
        #: The look under way, and the stream time up to which steps were taken.
        self._looking: Steps[None] | None = None
        self._stepped_s = 0.0
        for mic in kit.mics:
            refused = not_for_expander(kit, mic.name)
            self._suggestions[mic.name] = None
            self._reasons[mic.name] = refused or "nothing heard yet"
            if refused is None:
                self._state[mic.name] = _Mic()

    # --- what is shown ---------------------------------------------------------------------

    @property
    def aim(self) -> str:
        """What the suggestions aim at."""
        return self._aim

    @property
    def suggestions(self) -> dict[str, Suggestion | None]:
        """What is suggested now, by microphone; None: see `reasons`."""
        return dict(self._suggestions)

    @property
    def reasons(self) -> dict[str, str]:
        """Why there is no suggestion, by microphone."""
        return dict(self._reasons)

    @property
    def wrong(self) -> dict[str, str]:
        """Why a suggestion that still stands no longer holds, by microphone."""
        return dict(self._wrong)

    @property
    def margins(self) -> Mapping[str, float | None]:
        """Margin behind the key filter that separates best, dB, by microphone."""
        return dict(self._margins)

    @property
    def pictures(self) -> Mapping[str, ExpanderPicture]:
        """Levels and rates to choose by, by microphone."""
        return dict(self._pictures)

    # --- when something is worked out --------------------------------------------------------

    def advance(
        self, now_s: float, hits: Hits, levels: LevelHistory, resting: bool = False
    ) -> None:
        """Go on to ``now_s``: take the steps that are due, and begin a look where one is.

        ``hits`` gives all hits within ``levels``; it is asked only when something is due.
        ``resting``: the computer is overloaded, leave the steps out.
        """
        if resting:
            return
        due = int(now_s * STEPS_PER_S) - int(self._stepped_s * STEPS_PER_S)
        self._stepped_s = now_s
        for _ in range(due):
            if self._looking is None:
                self._looking = self._begin(now_s, hits, levels)
            if self._looking is None:
                return
            if next(self._looking, "over") == "over":
                self._looking = None

    def _begin(self, now_s: float, hits: Hits, levels: LevelHistory) -> Steps[None] | None:
        """The look at the one microphone that waited longest, if any is due."""
        due = [mic for mic, state in self._state.items() if now_s - state.looked_s >= EVERY_S]
        if not due or levels.hops == 0 or now_s < FIRST_S:
            return None
        until = round((now_s - SETTLED_S) * levels.sample_rate_hz)
        found = [hit for hit in hits() if hit.sample < until]
        for mic in sorted(due, key=lambda name: self._state[name].looked_s):
            state = self._state[mic]
            heard = self._own_since(mic, found, state.until)
            state.looked_s = now_s
            if state.until < 0 and heard < NEEDED_HITS:
                state.looked_s = now_s - EVERY_S + RETRY_S
                self._reasons[mic] = self._too_few(mic, heard)
            elif heard >= NEW_HITS:
                state.until, state.settled = until, False
                return self._look(mic, found, levels, until)
        return None

    def settle(self, now_s: float, hits: Sequence[Hit], levels: LevelHistory) -> None:
        """The end of a session: every microphone, from everything heard, at once.

        A suggestion that was shown and still holds stays; one that does not is replaced at once.
        Called again with nothing new, this does nothing.
        """
        self._looking = None
        until = max([round(now_s * levels.sample_rate_hz), *(hit.sample + 1 for hit in hits)])
        for mic, state in self._state.items():
            if state.settled and not self._own_since(mic, hits, state.until):
                continue
            state.looked_s, state.settled, state.until = now_s, True, until
            if levels.hops:
                at_once(self._look(mic, hits, levels, None, last=True))

    def _own_since(self, mic: str, hits: Sequence[Hit], since: int) -> int:
        """How many own hits there are from sample ``since`` on."""
        names = {drum.name for drum in drums_of(self._kit, mic)}
        return sum(hit.drum in names and hit.sample >= since for hit in hits)

    def _too_few(self, mic: str, heard: int) -> str:
        names = " and ".join(drum.name for drum in drums_of(self._kit, mic))
        hits = "hit" if heard == 1 else "hits"
        missing = NEEDED_HITS - heard
        return f"{heard} {hits} on {names}, {NEEDED_HITS} main hits needed: play {missing} more"

    def _look(
        self,
        mic: str,
        hits: Sequence[Hit],
        levels: LevelHistory,
        until: int | None,
        last: bool = False,
    ) -> Steps[None]:
        held = self._keeper.held(mic)
        scene = build(self._kit, mic, hits, levels, until)
        if scene.main.size < NEEDED_HITS:
            self._state[mic].looked_s -= EVERY_S - RETRY_S
        yield
        now = None if held is None else (yield from _now(scene, held))
        if now is not None and now.hits >= SETTLED_HITS and self._keeper.failing(mic, now) is None:
            kept = self._keeper.update(mic, None, None, now)
        else:
            found = yield from fit_scene(self._kit, scene, self._aim)
            fresh = found.suggestion if isinstance(found, Fit) else None
            reason = None if isinstance(found, Fit) else found
            kept = self._keeper.update(mic, fresh, reason, now, last=last)
        margin_db = picture = None
        if self._watched or last:
            margin_db = yield from keyed_margin(scene)
            if kept.suggestion is not None and scene.main.size:
                picture = yield from draw(scene, settings_from(kept.suggestion))
        else:
            # As many steps as above, so that the next look begins at the same time.
            drawn = kept.suggestion is not None and scene.main.size > 0
            for _ in range((len(scene.bands) if scene.main.size else 0) + DRAWN_STEPS * drawn):
                yield
        self._suggestions[mic] = kept.suggestion
        _put(self._reasons, mic, kept.reason)
        _put(self._wrong, mic, kept.wrong)
        self._margins[mic] = margin_db
        _put(self._pictures, mic, picture)


def _now(scene: Scene, held: Suggestion) -> Steps[Prediction | None]:
    """What the held suggestion does on what was heard; None where that cannot be told."""
    settings = settings_from(held)
    band = predict.key_band(settings)
    known = band == FULL_BAND or band in scene.bands
    if scene.main.size < NEEDED_HITS or not known:
        return None
    side = Sidechain(scene.envelope(band), scene.hops_per_second)
    yield
    outcome = predict.run_and_spare(scene, settings, side)
    yield
    return predict.prediction(outcome)


def _put(table: dict[str, T], mic: str, value: T | None) -> None:
    if value is None:
        table.pop(mic, None)
    else:
        table[mic] = value
