"""The contract of an output, run on every kind of them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace

import pytest

from liveassist.output.router import Router
from liveassist.output.worker import Output, Worker

from ..unit.output.scene import ALERT, COMPLETE, HIT, SNAPSHOT, TAKE
from . import outputs

#: No call of an output takes longer, seconds: a TCP target that refuses answers at once, and one
#: that is silent is given up after half a second.
LONGEST_CALL_S = 1.0


@pytest.fixture(params=outputs.ALL, ids=lambda make: str(make.__name__))
def output(request: pytest.FixtureRequest) -> Iterator[Output]:
    make: Callable[[], AbstractContextManager[Output]] = request.param
    with make() as made:
        yield made
        made.close()


def test_it_takes_every_kind_of_event(output: Output) -> None:
    for event in (HIT, replace(HIT, stage="withdrawn"), COMPLETE, TAKE, ALERT):
        begin = time.perf_counter()
        output.event(event)
        assert time.perf_counter() - begin < LONGEST_CALL_S


def test_it_says_when_it_wants_to_be_called_again(output: Output) -> None:
    begin = time.perf_counter()
    assert 0.0 < output.tick() <= 10.0
    output.snapshot(SNAPSHOT)
    assert 0.0 < output.tick() <= 10.0
    assert time.perf_counter() - begin < 2 * LONGEST_CALL_S


def test_its_state_is_a_sentence_and_counts_never_fall(output: Output) -> None:
    before = output.state()
    assert before.name == output.name
    output.event(HIT)
    output.snapshot(SNAPSHOT)
    output.tick()
    after = output.state()
    assert after.sent >= before.sent
    assert after.dropped >= before.dropped
    assert after.note


def test_it_may_be_closed_without_having_been_used(output: Output) -> None:
    output.close()


def test_it_works_behind_a_router(output: Output) -> None:
    router = Router([Worker(output)])
    for number in range(20):
        router.publish(replace(HIT, number=number))
    router.publish_snapshot(SNAPSHOT)
    begin = time.perf_counter()
    router.close()
    assert time.perf_counter() - begin < 5.0
    assert "fault" not in router.states()[0].note


@pytest.mark.parametrize("make", outputs.ALL, ids=lambda make: str(make.__name__))
def test_nothing_is_delivered_where_nobody_is(
    make: Callable[[], AbstractContextManager[Output]],
) -> None:
    with make() as output:
        why = output.deliver([]).why
        output.close()
    assert (why == "") == (make is outputs.osc_to_a_listener)
