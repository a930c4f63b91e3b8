"""A real browser without a window, driven over the pipe of its debugging protocol.

The protocol (Chrome DevTools Protocol, version 1.3) is JSON ended by zero bytes: commands on the
browser's descriptor 3, answers and events on its descriptor 4.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest

BINARY = "chromium"
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-default-apps",
    "--remote-debugging-pipe", "--hide-scrollbars",
)  # fmt: skip
TIMEOUT_S = 60.0


class Browser:
    """One page. ``requests``: every address it asked for; ``complaints``: errors it logged."""

    def __init__(self, folder: Path) -> None:
        """Start it with a profile of its own in ``folder``; the test fails if there is none."""
        binary = shutil.which(BINARY)
        if binary is None:
            pytest.fail(f"{BINARY} is not installed: apt-get install {BINARY}")
        to_read, self._to = os.pipe()
        self._from, to_write = os.pipe()
        # The browser wants 3 and 4; the shell puts our ends there.
        script = f'exec "$@" 3<&{to_read} 4>&{to_write}'
        self._process = subprocess.Popen(
            ["bash", "-c", script, "bash", binary, *_FLAGS, f"--user-data-dir={folder}"],
            pass_fds=(to_read, to_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._pending = b""
        self._number = 0
        self._session: str | None = None
        self._loaded = False
        self.requests: list[str] = []
        self.complaints: list[str] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.ask(f"{domain}.enable")

    def open(self, address: str, width: int, height: int = 900) -> None:
        """Show ``address`` on a screen of that size and wait until it is loaded."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        self._loaded = False
        answer = self.ask("Page.navigate", url=address)
        assert "errorText" not in answer, answer
        end = time.monotonic() + TIMEOUT_S
        while not self._loaded:
            self._take(self._message(end))

    def evaluate(self, expression: str) -> Any:
        """The value of a JavaScript expression on the page."""
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def picture(self, path: Path) -> None:
        """The whole page as a PNG file."""
        answer = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(answer["data"]))

    def paper(self) -> bytes:
        """The page as it prints: a PDF."""
        return base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True)["data"])

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and wait for its answer; what happens meanwhile is noted."""
        self._number += 1
        command: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            command["sessionId"] = self._session
        os.write(self._to, json.dumps(command).encode() + b"\0")
        end = time.monotonic() + TIMEOUT_S
        while True:
            message = self._message(end)
            if message.get("id") == self._number:
                assert "error" not in message, (method, message)
                result: dict[str, Any] = message["result"]
                return result
            self._take(message)

    def _take(self, message: dict[str, Any]) -> None:
        method, parameters = message.get("method"), message.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(parameters["request"]["url"])
        elif method == "Log.entryAdded":
            if parameters["entry"]["level"] in ("error", "warning"):
                self.complaints.append(parameters["entry"]["text"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(str(parameters["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled" and parameters["type"] in ("error", "warning"):
            self.complaints.append(str(parameters["args"]))
        elif method == "Page.loadEventFired":
            self._loaded = True

    def _message(self, end: float) -> dict[str, Any]:
        while b"\0" not in self._pending:
            left_s = end - time.monotonic()
            if left_s <= 0 or not select.select([self._from], [], [], left_s)[0]:
                pytest.fail(f"{BINARY} did not answer within {TIMEOUT_S:.0f} s")
            piece = os.read(self._from, 1 << 20)
            if not piece:
                pytest.fail(f"{BINARY} ended by itself, code {self._process.wait(timeout=10)}")
            self._pending += piece
        first, _, self._pending = self._pending.partition(b"\0")
        message: dict[str, Any] = json.loads(first)
        return message

    def close(self) -> None:
        """End the browser; only the one started here."""
        os.close(self._to)
        os.close(self._from)
        self._process.terminate()
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
