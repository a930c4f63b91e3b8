"""`liveassist replay`: the live job on a recording, as fast as the machine allows."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from liveassist.app.afterwards import Wishes, afterwards
from liveassist.app.ahead import Ahead, worth_it
from liveassist.app.atomic import make_folder
from liveassist.app.auditor import RecordingAudit, audit_lines
from liveassist.app.build import PipelineBuilder, build_pipeline
from liveassist.app.channelnotes import swapped_channels, unused_channels
from liveassist.app.clicktiming import click_timing
from liveassist.app.config import load_kit
from liveassist.app.heap import settle
from liveassist.app.interrupt import StopFlag
from liveassist.app.learned import NOTHING, learn_from_recording, read_learned
from liveassist.app.marks import Span, check_within, in_order, parse_spans
from liveassist.app.nearest import did_you_mean
from liveassist.app.outputs import load_surfaces, open_surfaces, refuse, state_lines
from liveassist.app.parts import OutputsLike
from liveassist.app.progress import ProgressBar, columns
from liveassist.app.session import Session, nothing_usable
from liveassist.app.sessionfiles import SessionFiles, written_lines
from liveassist.app.store import keep
from liveassist.app.tryout import assignments_of
from liveassist.errors import ConfigError, InputError
from liveassist.input.files import Recording, open_recording
from liveassist.model import Block, Kit, SessionRecord
from liveassist.output.terminal_plain import summary_lines, wrapped

if TYPE_CHECKING:
    from liveassist.attribute.signature import Learned

#: Samples a block: large enough to be fast, short enough that Ctrl-C is answered at once.
BLOCK_FRAMES = 4096
#: Figures are passed on this often, seconds of the recording: ten times a second of the clock or
#: so, as often as a person can read them.
FIGURES_EVERY_S = 5.0


@dataclass(frozen=True, slots=True)
class ReplayRequest:
    """The options of `liveassist replay`, as given."""

    inputs: tuple[str, ...]
    kit: str
    soundcheck: tuple[str, ...] = ()
    segments: tuple[str, ...] = ()
    learned: str = NOTHING
    reference: str | None = None
    surfaces: tuple[str, ...] = ()
    out: Path | None = None
    takes: tuple[str, ...] = ()
    aim: str = "natural"
    audit: bool = False
    own_values: tuple[str, ...] = ()
    render: bool = False


def replay(
    request: ReplayRequest, out: TextIO, err: TextIO, build: PipelineBuilder = build_pipeline
) -> int:
    """Analyse a recording; 0, or 1 if it was stopped before its end.

    InputError where the recording fails on the way: what was heard before is in the files.
    ``build`` makes the analysis.
    """
    kit = load_kit(request.kit)
    segments = parse_spans("--segment", request.segments)
    takes = in_order(parse_spans("--take", request.takes))
    surfaces = load_surfaces(request.surfaces)
    _check_request(request, takes)
    wishes = Wishes(assignments_of(request.own_values, kit), request.render)
    with ExitStack() as stack:
        recording = stack.enter_context(open_recording(request.inputs, kit))
        check_within("--take", takes, recording.duration_s, recording.name)
        ahead = None
        # A self-audit asks what was learned on the way.
        if build is build_pipeline and not request.audit and worth_it(recording.duration_s):
            # Where the system refuses another process, one does all.
            with contextlib.suppress(OSError):
                ahead = Ahead(kit, recording.sample_rate_hz, BLOCK_FRAMES)
                stack.callback(ahead.close)
        if request.out is not None:
            make_folder(request.out)  # a refusal is better heard before a long soundcheck
        outputs: list[OutputsLike] = []
        if surfaces:
            opened = open_surfaces(surfaces, kit, refuse)
            outputs.append(opened)
            stack.callback(opened.close)
            for sentence in opened.left_out:
                print(f"liveassist: {sentence}", file=err)
        if request.soundcheck and err.isatty():
            print(f"learning the kit from {' '.join(request.soundcheck)} ...", file=err)
        learned, name = _learned(request, segments, kit)
        if ahead is not None:
            build = partial(build_pipeline, elsewhere=ahead.begin(learned))
        pipeline = build(
            kit,
            recording.sample_rate_hz,
            learned=learned,
            learned_name=name,
            reference=request.reference,
            aim=request.aim,
        )
        # Not before: what was learned may lie among the files of an earlier session.
        files = SessionFiles(request.out) if request.out is not None else None
        store = keep(request.out, kit, pipeline, None) if request.out is not None else None
        if store is not None:
            stack.callback(store.close)
            stack.callback(store.finished)
            outputs.append(store)
        if files is not None and files.earlier is not None:
            print(f"An earlier session's files are in {files.earlier} now.", file=err)
        if request.audit:
            outputs.append(RecordingAudit(pipeline))
        session = Session(
            pipeline,
            kit,
            recording.sample_rate_hz,
            files=files,
            outputs=outputs,
            takes=takes,
            source=recording.name,
            # A self-audit looks at every stretch, and sees by these how far it is.
            figures_every_s=0.1 if request.audit else FIGURES_EVERY_S,
            click=click_timing(kit, recording.sample_rate_hz),
        )
        return _run(session, recording, ahead, kit, request, wishes, files, out, err)


def _run(
    session: Session,
    recording: Recording,
    ahead: Ahead | None,
    kit: Kit,
    request: ReplayRequest,
    wishes: Wishes,
    files: SessionFiles | None,
    out: TextIO,
    err: TextIO,
) -> int:
    with StopFlag() as stop:
        failure = _feed(session, recording, ahead, stop, err)
        heard_s = session.samples_heard / recording.sample_rate_hz
        stopped = f"stopped at {heard_s:.1f} of {recording.duration_s:.1f} s"
        cut_short = str(failure) if failure else stopped if stop.requested else None
        record = session.finish(cut_short)
    told = [one for one in session.output_states() if one.kind != "store" or one.state != "ok"]
    closing = None
    if session.advice is not None and failure is None and not stop.requested:
        try:
            closing = afterwards(request.inputs, record, session.advice, wishes, request.out, err)
        except InputError:
            _print(summary_lines(record), out)  # what was heard is not lost with what was asked
            raise
    unused = None if recording.channels is None else unused_channels(kit, recording.channels)
    looks = ([unused] if unused else []) + swapped_channels(kit, record.figures)
    if recording.click_missing and kit.click is not None:
        looks.append(f"Look: the recording has no channel for {kit.click.name}, the metronome.")
    # A wrong cable comes first: it spoils what is read after it.
    heard, *lines = summary_lines(record, closing.of_mics if closing else None)
    lines = [heard, *looks, *lines, *state_lines(told)]
    lines += audit_lines(record) if request.audit else ()
    _print([*lines, *(closing.then if closing else ())], out)
    for line in written_lines(files):
        print(line, file=out)
    if failure is not None:
        raise failure
    if stop.requested:
        kept = "; the files hold what was heard until then" if files is not None else ""
        print(f"liveassist: {stopped}{kept}", file=err)
        return 1
    if nothing_usable(kit, session.faults()):
        reasons = "; ".join(fault.sentence for fault in session.faults() if not fault.usable)
        raise InputError(f"{recording.name}: there was nothing to hear: {reasons}")
    _check_reference(request.reference, record)
    return 0


def _print(lines: Sequence[str], out: TextIO) -> None:
    for line in wrapped(lines, columns(out)):
        print(line, file=out)


def _feed(
    session: Session, recording: Recording, ahead: Ahead | None, stop: StopFlag, err: TextIO
) -> InputError | None:
    """Feed all blocks; the fault that ended the recording early, if one did."""
    settle()
    blocks = _until(stop, recording.blocks(BLOCK_FRAMES))
    with ProgressBar("replay", recording.duration_s, err) as progress:
        try:
            for block in ahead.through(blocks) if ahead is not None else blocks:
                session.feed(block)
                progress.at(session.samples_heard / recording.sample_rate_hz)
        except InputError as failure:
            return failure
        except Exception:
            # A fault of ours: save what was heard, then fail loudly.
            with contextlib.suppress(Exception):
                session.rescue()
            raise
    return None


def _until(stop: StopFlag, blocks: Iterable[Block]) -> Iterator[Block]:
    """The blocks up to the moment at which someone asks to stop."""
    for block in blocks:
        yield block
        if stop.requested:
            return


def _learned(
    request: ReplayRequest, segments: Sequence[Span], kit: Kit
) -> tuple[Learned | None, str | None]:
    """What is known of the kit beforehand, and the name of where that comes from."""
    if request.soundcheck:
        return learn_from_recording(request.soundcheck, segments, kit), " ".join(request.soundcheck)
    if request.learned != NOTHING:
        return read_learned(Path(request.learned), kit), request.learned
    return None, None


def _check_request(request: ReplayRequest, takes: Sequence[Span]) -> None:
    problems = []
    if request.segments and not request.soundcheck:
        problems.append("--segment: names a part of a soundcheck; give --soundcheck INPUT too")
    if request.soundcheck and request.learned != NOTHING:
        problems.append("--learned and --soundcheck: give one of the two")
    names = [take.name for take in takes]
    if request.reference is not None and names and request.reference not in names:
        problems.append(_no_such_take(request.reference, names))
    if request.render and request.out is None:
        problems.append("--render: name the folder for the tracks with --out DIR")
    if problems:
        raise ConfigError(problems)


def _check_reference(reference: str | None, record: SessionRecord) -> None:
    names = [take.take.name for take in record.takes]
    if reference is not None and reference not in names:
        raise ConfigError(_no_such_take(reference, names))


def _no_such_take(reference: str, names: Sequence[str]) -> str:
    return (
        f"--reference {reference}: there is no take of that name"
        f"{did_you_mean(reference, names)}; takes: {', '.join(names) or 'none'}"
    )
