"""The user's own expander values (``--set``): what they are for each microphone.

``NAME=VALUE`` holds for every close microphone, ``MIC.NAME=VALUE`` for one and goes before it. What
is not named stays as suggested, or, where nothing is suggested, at plain values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from liveassist.advise.render import with_values
from liveassist.advise.suggest import not_for_expander
from liveassist.app.nearest import did_you_mean
from liveassist.errors import ConfigError
from liveassist.model import Kit, Suggestion


def assignments_of(given: Sequence[str], kit: Kit) -> dict[str, tuple[str, ...]]:
    """Assignments by microphone, in the order they count. ConfigError names every mistake."""
    close = [mic.name for mic in kit.mics if not_for_expander(kit, mic.name) is None]
    names = [mic.name for mic in kit.mics]
    shared: list[str] = []
    single: dict[str, list[str]] = {}
    problems: list[str] = []
    for text in given:
        left = text.partition("=")[0]
        mic, dot, setting = left.rpartition(".")
        if not dot:
            shared.append(text)
        elif mic in close:
            single.setdefault(mic, []).append(f"{setting}={text.partition('=')[2]}")
        elif mic in names:
            problems.append(f"--set {text}: {not_for_expander(kit, mic)}")
        else:
            problems.append(f"--set {text}: there is no microphone {mic}{did_you_mean(mic, names)}")
    if given and not close:
        problems.append("--set: this kit has no close microphone on a drum to try it on")
    # The values themselves are tried before anything is analysed.
    for wrong in (shared, *single.values()):
        try:
            with_values(None, wrong)
        except ConfigError as error:
            problems += error.problems
    if problems:
        raise ConfigError(problems)
    mics = close if shared else list(single)
    return {mic: (*shared, *single.get(mic, ())) for mic in mics}


def own_values(
    assignments: Mapping[str, Sequence[str]], suggested: Mapping[str, Suggestion | None]
) -> dict[str, Suggestion]:
    """The user's settings by microphone, without predictions."""
    return {mic: with_values(suggested.get(mic), texts) for mic, texts in assignments.items()}
