"""Service files that the systems can read, logs that stay small, command lines that come back."""

from __future__ import annotations

import io
import plistlib
import shlex
from pathlib import Path

import pytest

from liveassist.app.background import launchd_plist, systemd_unit, write_service
from liveassist.app.cli import build_parser
from liveassist.app.commands_live import _listen_request
from liveassist.app.listen import ListenRequest
from liveassist.app.livelog import LiveLog
from liveassist.errors import ConfigError, StorageError
from liveassist.model import Alert, Take

AWKWARD = ["run", "--kit", 'my "big" kit.toml', "--device", "50% of $HOME\\box"]


def test_a_systemd_unit_quotes_what_systemd_would_read_otherwise() -> None:
    """systemd.service(5), "Command lines": ``%`` and ``$`` are doubled, C escapes in quotes."""
    (line,) = [row for row in systemd_unit(AWKWARD).splitlines() if row.startswith("ExecStart=")]
    command = line.removeprefix("ExecStart=").replace("%%", "%").replace("$$", "$")
    # Inside double quotes a shell reads backslashes before ", \\ and $ as systemd does.
    assert shlex.split(command) == AWKWARD


def test_a_launch_agent_is_read_back_by_the_standard_library() -> None:
    agent = plistlib.loads(launchd_plist(AWKWARD).encode())
    assert agent["ProgramArguments"] == AWKWARD
    assert agent["KeepAlive"] == {"SuccessfulExit": False}


def test_service_files_are_written_and_explained(tmp_path: Path) -> None:
    out = io.StringIO()
    log = tmp_path / "log"
    assert write_service(["--kit", "three_mics"], "systemd", tmp_path, log, out) == 0
    assert '"three_mics"' in (tmp_path / "liveassist.service").read_text()
    assert "systemctl --user" in out.getvalue()
    assert write_service(["--kit", "three_mics"], "launchd", tmp_path, log, out) == 0
    assert (tmp_path / "local.liveassist.plist").exists()
    with pytest.raises(ConfigError, match=r'did you mean "systemd"'):
        write_service([], "sytemd", tmp_path, log, out)


def test_the_words_of_a_request_ask_for_the_same(tmp_path: Path) -> None:
    kit = tmp_path / "my kit.toml"
    kit.touch()
    request = ListenRequest(
        kit=str(kit),
        device="stage box",
        surfaces=("osc_tablet_page", "other"),
        out=tmp_path / "out",
        sample_rate_hz=96_000,
        block_frames=128,
        learned=str(tmp_path / "a.npz"),
        reference="one",
        aim="natural",
        seconds=2.5,
        headless=True,
    )
    chosen = build_parser().parse_args(["listen", *request.words()])
    assert _listen_request(chosen, headless=True, background=False, log=None) == request
    least = ListenRequest(kit="three_mics", headless=True)
    chosen = build_parser().parse_args(["listen", *least.words()])
    assert _listen_request(chosen, headless=True, background=False, log=None) == least


def test_logs_turn_over_and_stay_within_their_bound(tmp_path: Path) -> None:
    log = LiveLog(tmp_path / "deep" / "liveassist.log", largest_bytes=2000, old_kept=2)
    alert = Alert("uneven", 1.0, None, "between", "look", "The snare is uneven.")
    for _ in range(200):
        log.events([alert, Take("verse", 1.0, None, provisional=False)])
    log.close()
    log.close()
    files = sorted((tmp_path / "deep").iterdir())
    assert [file.name for file in files] == [
        "liveassist.log",
        "liveassist.log.1",
        "liveassist.log.2",
    ]
    assert all(file.stat().st_size <= 2000 for file in files)
    assert "WARNING The snare is uneven." in files[1].read_text()
    assert "verse began" in files[1].read_text()


def test_a_log_that_cannot_be_opened_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StorageError, match="cannot be written"):
        LiveLog(tmp_path / "file" / "liveassist.log")
