"""Expander advice while a session runs: what to fit when, and what to show.

Fitting one microphone takes 30 to 500 ms of one core (measured on a minute of recorded drums), so
it is spread: each look fits at most one, the one that waited longest, each microphone at most every
`EVERY_S`, and only where new own hits came in. A suggestion already held is first run over what was
heard meanwhile (12 ms); while it keeps its promise no fresh one is fitted.
`liveassist.advise.keeper` decides what stays.

No clock: the time of the session is an argument.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from liveassist.advise import predict
from liveassist.advise.expander import settings_from
from liveassist.advise.history import FULL_BAND, LevelHistory
from liveassist.advise.keeper import SETTLED_HITS, SuggestionKeeper, failing
from liveassist.advise.keyfilter import margin
from liveassist.advise.scene import Scene, build, drums_of
from liveassist.advise.suggest import NEEDED_HITS, Fit, fit, not_for_expander
from liveassist.model import Hit, Kit, Prediction, Suggestion

#: A microphone's suggestion is looked at this often at most, s.
EVERY_S = 15.0
#: The same while there are too few hits to fit, which costs next to nothing to see.
RETRY_S = 3.0
#: New own hits without which nothing is looked at again.
NEW_HITS = 4

Hits = Callable[[], Sequence[Hit]]


@dataclass(slots=True)
class _Mic:
    looked_s: float = -1e9
    #: Number of the last own hit that was looked at.
    last_hit: int = -1
    #: Whether the last look was one for good (`Advisor.settle`).
    settled: bool = False


class Advisor:
    """Suggestions of one session for every microphone of ``kit``."""

    def __init__(self, kit: Kit, aim: str = "natural") -> None:
        self._kit = kit
        self._aim = aim
        self._keeper = SuggestionKeeper()
        self._state: dict[str, _Mic] = {}
        self._suggestions: dict[str, Suggestion | None] = {}
        self._reasons: dict[str, str] = {}
        self._wrong: dict[str, str] = {}
        self._margins: dict[str, float | None] = {}
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

    # --- when something is worked out --------------------------------------------------------

    def look(self, now_s: float, hits: Hits, levels: LevelHistory) -> str | None:
        """Look at the one microphone that waited longest, if any is due; its name.

        ``hits`` gives all hits within ``levels``; it is asked only when something is due.
        """
        due = [mic for mic, state in self._state.items() if now_s - state.looked_s >= EVERY_S]
        if not due or levels.hops == 0:
            return None
        mic = min(due, key=lambda name: self._state[name].looked_s)
        state = self._state[mic]
        found = hits()
        new = self._own_since(mic, found, state.last_hit)
        state.looked_s = now_s
        if state.last_hit < 0 and len(new) < NEEDED_HITS:
            state.looked_s = now_s - EVERY_S + RETRY_S
            self._reasons[mic] = self._too_few(mic, len(new))
            return None
        if len(new) < NEW_HITS:
            return None
        state.last_hit, state.settled = max(new), False
        self._consider(mic, found, levels)
        return mic

    def preview(self, hits: Hits, levels: LevelHistory) -> None:
        """Show something for microphones that were never looked at (nobody watches the figures,
        but a file is due). Nothing is held: the end of the session begins afresh."""
        unseen = [mic for mic, state in self._state.items() if state.looked_s < 0.0]
        if not unseen or levels.hops == 0:
            return
        found = hits()
        for mic in unseen:
            one = fit(self._kit, mic, found, levels, self._aim)
            self._suggestions[mic] = one.suggestion if isinstance(one, Fit) else None
            _put(self._reasons, mic, None if isinstance(one, Fit) else one)
            if isinstance(one, Fit):
                self._margins[mic] = margin(one.scene).key_filtered_db

    def settle(self, now_s: float, hits: Sequence[Hit], levels: LevelHistory) -> None:
        """The end of a session: every microphone, from everything heard.

        A suggestion that was shown and still holds stays; one that does not is replaced at once.
        Called again with nothing new, this does nothing.
        """
        for mic, state in self._state.items():
            new = self._own_since(mic, hits, state.last_hit)
            if state.settled and not new:
                continue
            state.looked_s, state.settled = now_s, True
            state.last_hit = max([state.last_hit, *new])
            if levels.hops:
                self._consider(mic, hits, levels, last=True)

    def _own_since(self, mic: str, hits: Sequence[Hit], last: int) -> list[int]:
        """Numbers of the own hits after the one of number ``last``."""
        names = {drum.name for drum in drums_of(self._kit, mic)}
        return [hit.number for hit in hits if hit.drum in names and hit.number > last]

    def _too_few(self, mic: str, heard: int) -> str:
        names = " and ".join(drum.name for drum in drums_of(self._kit, mic))
        hits = "hit" if heard == 1 else "hits"
        missing = NEEDED_HITS - heard
        return f"{heard} {hits} on {names}, {NEEDED_HITS} main hits needed: play {missing} more"

    def _consider(
        self, mic: str, hits: Sequence[Hit], levels: LevelHistory, last: bool = False
    ) -> None:
        held = self._keeper.held(mic)
        scene = build(self._kit, mic, hits, levels)
        now = None if held is None else _now(scene, held)
        if now is not None and now.hits >= SETTLED_HITS and failing(now) is None:
            kept = self._keeper.update(mic, None, None, now)
        else:
            found = fit(self._kit, mic, hits, levels, self._aim)
            fresh = found.suggestion if isinstance(found, Fit) else None
            reason = None if isinstance(found, Fit) else found
            kept = self._keeper.update(mic, fresh, reason, now, last=last)
        self._suggestions[mic] = kept.suggestion
        _put(self._reasons, mic, kept.reason)
        _put(self._wrong, mic, kept.wrong)
        self._margins[mic] = margin(scene).key_filtered_db


def _now(scene: Scene, held: Suggestion) -> Prediction | None:
    """What the held suggestion does on what was heard; None where that cannot be told."""
    settings = settings_from(held)
    band = predict.key_band(settings)
    known = band == FULL_BAND or band in scene.levels.bands(scene.mic)
    if scene.main.size < NEEDED_HITS or not known:
        return None
    return predict.prediction(predict.run(scene, settings))


def _put(table: dict[str, str], mic: str, sentence: str | None) -> None:
    if sentence is None:
        table.pop(mic, None)
    else:
        table[mic] = sentence
