"""Whatever the table of addresses offers is carried out by a session, or refused with a reason."""

from __future__ import annotations

import numpy as np
import pytest

from liveassist.app.steering import Steering
from liveassist.model import Block, Drum, Kit, Mic
from liveassist.output.addresses import COMMANDS, ROOT
from liveassist.output.commands import Command
from liveassist.output.surface_model import PRESS_COMMANDS
from liveassist.pipeline import Pipeline

KIT = Kit("yard", (Drum("snare", "snare", "top"),), (Mic("top", 1),))
RATE = 48_000
#: Commands that the outputs carry out themselves (see test_router_wire and test_apply).
OWN = {"state", "subscribe", "unsubscribe", "apply/arm", "apply/disarm", "apply/now", "apply/undo"}
#: Commands of the tuning guide, which is no session.
GUIDE = "lugs/"
NAMES = [path.removeprefix(f"{ROOT}/") for path in COMMANDS]


@pytest.mark.parametrize("name", sorted({n for n in NAMES if not n.startswith(GUIDE)} - OWN))
def test_a_session_knows_every_command(name: str) -> None:
    pipeline = Pipeline(KIT, RATE)
    steering = Steering(pipeline)
    pipeline.feed(Block(0, np.zeros((RATE, 1), dtype=np.float32)))
    row = COMMANDS[f"{ROOT}/{name}"]
    outcome = steering.obey(Command(name, tuple(row.example), "192.0.2.7:9000"))
    assert outcome.done or outcome.words
    assert outcome.words != f"{name} is not possible here"
    assert steering.deeds[-1].command == name


def test_buttons_give_no_command_that_osc_does_not_know() -> None:
    assert set(PRESS_COMMANDS) - set(NAMES) == {"take/toggle", "page"}
