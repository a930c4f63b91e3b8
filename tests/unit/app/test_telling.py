"""Commands told to a running session: the words of a person, checked before they travel."""

from __future__ import annotations

import io
import json

import pytest

from liveassist.app.steering import Steering
from liveassist.app.telling import checked, listed, tellable, told
from liveassist.errors import ConfigError
from liveassist.model import Drum, Kit, Mic
from liveassist.pipeline import Pipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))


def test_every_command_that_can_be_told_is_carried_out() -> None:
    steering = Steering(Pipeline(KIT, 8_000))
    out = io.StringIO()
    assert listed(out) == 0
    for name, row in tellable().items():
        assert name in out.getvalue()
        command = checked([name, *map(str, row.example)])
        assert command.args == row.example
        assert steering.obey(command).words != f"{name} is not possible here"


def test_what_touches_a_device_cannot_be_told() -> None:
    assert not any(name.startswith("apply") for name in tellable())
    with pytest.raises(ConfigError, match="no such command"):
        checked(["apply/now", "snare_top"])


def test_words_are_checked_before_they_travel() -> None:
    assert checked(["take/split", "take 3", "63.5"]).args == ("take 3", 63.5)
    with pytest.raises(ConfigError, match='did you mean "take/split"'):
        checked(["take/splt"])
    with pytest.raises(ConfigError, match="number"):
        checked(["take/split", "take 3", "soon"])
    with pytest.raises(ConfigError, match="at most 2"):
        checked(["take/rename", "second verse", "take 1", "more"])
    with pytest.raises(ConfigError, match="missing"):
        checked(["take/rename"])


@pytest.mark.parametrize("what", ["", "{}", "[]", "[1]", '["nothing"]', '["take/split", "a", "b"]'])
def test_nonsense_over_the_socket_is_no_command(what: str) -> None:
    assert told(what) is None


def test_an_order_means_the_same_at_the_other_end() -> None:
    command = told(json.dumps(["take/rename", "second verse"]))
    assert command is not None
    assert (command.name, command.args) == ("take/rename", ("second verse",))


def test_the_last_command_is_told_of_with_its_number() -> None:
    steering = Steering(Pipeline(KIT, 8_000))
    assert steering.last() == {"asked": 0, "notice": "", "done": True}
    steering.do("take/stop")
    assert steering.last() == {"asked": 1, "notice": "take/stop: no take runs", "done": False}
    steering.do("take/start", ("one",))
    assert steering.last() == {"asked": 2, "notice": "one started", "done": True}
