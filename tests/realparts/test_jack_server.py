"""The audio server that the other tests in this folder stand on."""

from __future__ import annotations

import pytest

from .conftest import JackServer

pytestmark = pytest.mark.realparts


def test_the_server_has_its_dummy_ports(jack_server: JackServer) -> None:
    """The dummy driver of jackd2 with two channels each way offers these four ports."""
    assert {"system:capture_1", "system:capture_2", "system:playback_1", "system:playback_2"} <= (
        set(jack_server.ports())
    )
