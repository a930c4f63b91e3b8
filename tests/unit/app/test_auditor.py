"""The self-audit in its process: asked for, done, said; the session goes on meanwhile."""

from __future__ import annotations

import sim
from liveassist.app.auditor import Auditor, RecordingAudit, audit_lines
from liveassist.app.config import parse_kit
from liveassist.app.steering import Steering
from liveassist.learning import learn
from liveassist.model import Block
from liveassist.pipeline import Pipeline


def test_an_audit_is_asked_for_and_answered() -> None:
    check = sim.open_scenario("three_mics", soundcheck=True)
    kit = parse_kit(check.kit_toml, "three_mics")
    rate = check.sample_rate_hz
    learned = learn(kit, rate, check.read(check.total_frames), list(check.segments))
    pipeline = Pipeline(kit, rate, learned=learned)
    steering = Steering(pipeline)
    steering.auditor = Auditor(pipeline)
    try:
        assert "no clear hit" in steering.do("audit").words
        pipeline.feed(Block(0, sim.open_scenario("three_mics").read(9 * rate)))
        assert steering.do("audit").done
        assert steering.do("audit").words == "the last one is not done yet"
        steering.take_news()
        running = steering.auditor._running
        assert running is not None
        running.result(timeout=60.0)
        steering.take_news()
    finally:
        steering.auditor.close()
    found = pipeline.snapshot().audit
    assert set(found) == {"kick", "snare"}
    assert steering.notice == " ".join(audit.sentence for audit in found.values())
    assert steering.deeds[-1].source == "audit"
    assert audit_lines(pipeline.session()) == [audit.sentence for audit in found.values()]


def test_a_recording_is_audited_now_and_then() -> None:
    kit = parse_kit(sim.open_scenario("three_mics").kit_toml, "three_mics")
    pipeline = Pipeline(kit, 48_000)
    audit = RecordingAudit(pipeline)
    pipeline.feed(Block(0, sim.open_scenario("three_mics").read(7 * 48_000)))
    audit.figures(pipeline.snapshot())
    assert "no clear hit" in audit_lines(pipeline.session())[0]
    song = sim.open_scenario("three_mics").read(17 * 48_000)
    pipeline.feed(Block(7 * 48_000, song[7 * 48_000 :]))
    audit.figures(pipeline.snapshot())
    assert "dBFS" in audit_lines(pipeline.session())[0]
