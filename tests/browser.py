"""A headless browser for the tests, driven over a pipe by its own debugging protocol, with Python alone."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--autoplay-policy=no-user-gesture-required",
    "--remote-debugging-pipe",
)


class Page:
    """One tab: opens pages from disk, keeps what they say to the console and every address they ask for."""

    def __init__(self, folder: Path, program: str) -> None:
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        # The browser reads commands on 3 and answers on 4; high numbers first, so that neither end is overwritten.
        command = f'exec "$0" "$@" 3<&{to_read} 4>&{to_write}'
        self._process = subprocess.Popen(
            ["bash", "-c", command, program, *FLAGS, f"--user-data-dir={folder}"],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._last, self._rest, self._events = 0, b"", []
        self.messages: list[str] = []
        self.requests: list[str] = []
        self._session = ""
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command and its answer; what happens meanwhile is kept."""
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._last:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]
            self._note(answer)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            part = os.read(self._read, 1 << 20)
            assert part, "the browser has gone"
            self._rest += part
        one, self._rest = self._rest.split(b"\0", 1)
        return json.loads(one)

    def _note(self, event: dict[str, Any]) -> None:
        method, values = event.get("method", ""), event.get("params", {})
        self._events.append(method)
        if method == "Runtime.consoleAPICalled":
            self.messages.append(str(values["args"]))
        elif method == "Runtime.exceptionThrown":
            self.messages.append(str(values["exceptionDetails"]))
        elif method == "Log.entryAdded":
            self.messages.append(values["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(values["request"]["url"])

    def open(self, path: Path, *, width: int = 1280, height: int = 900, dark: bool = False) -> None:
        """Load a page from disk and wait until it is there."""
        self.messages.clear()
        self.requests.clear()
        self.size(width, height)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[scheme])
        self._events.clear()
        self.send("Page.navigate", url=path.resolve().as_uri())
        while "Page.loadEventFired" not in self._events:
            self._note(self._next())

    def size(self, width: int, height: int = 900) -> None:
        """The window's size in CSS pixels."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def value(self, script: str) -> Any:
        """What an expression of the page's script gives; a promise is waited for."""
        answer = self.send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def key(self, name: str, *, shift: bool = False, control: bool = False) -> None:
        """Press and let go of a key where the focus is."""
        codes = {
            "ArrowLeft": 37,
            "ArrowUp": 38,
            "ArrowRight": 39,
            "ArrowDown": 40,
            "PageUp": 33,
            "PageDown": 34,
            "Tab": 9,
            " ": 32,
            "Enter": 13,
            ",": 188,
            ".": 190,
        }
        code = codes[name] if name in codes else ord(name.upper())
        common = {
            "key": name,
            "code": "Space" if name == " " else f"Key{name.upper()}" if name.isalpha() and len(name) == 1 else name,
            "windowsVirtualKeyCode": code,
            "modifiers": 2 * control + 8 * shift,
        }
        text = {"text": " "} if name == " " else {"text": "\r"} if name == "Enter" else {}
        self.send("Input.dispatchKeyEvent", type="keyDown", **common, **text)
        self.send("Input.dispatchKeyEvent", type="keyUp", **common)

    def drag(
        self, start: tuple[float, float], end: tuple[float, float], *, steps: int = 8, touch: bool = False
    ) -> None:
        """Press at one place of the window, go to another in so many steps, let go: by mouse or by finger."""
        places = [tuple(a + (b - a) * n / steps for a, b in zip(start, end, strict=True)) for n in range(steps + 1)]
        if touch:
            kinds = ["touchStart", *["touchMove"] * steps]
            for kind, (x, y) in zip(kinds, places, strict=True):
                self.send("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y}])
            self.send("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
            return
        kinds = ["mousePressed", *["mouseMoved"] * steps, "mouseReleased"]
        for kind, (x, y) in zip(kinds, [*places, places[-1]], strict=True):
            self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)

    def pdf(self, path: Path, *, width_in: float, height_in: float) -> Path:
        """Print as a person would, on paper of that size."""
        printed = self.send("Page.printToPDF", paperWidth=width_in, paperHeight=height_in, preferCSSPageSize=False)
        path.write_bytes(base64.b64decode(printed["data"]))
        return path

    def picture(self, path: Path) -> Path:
        """The whole page as a PNG."""
        taken = self.send("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(taken["data"]))
        return path

    def until(self, script: str, *, seconds: float = 10.0) -> Any:
        """Wait until an expression is true."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := self.value(script):
                return found
            time.sleep(0.02)
        raise AssertionError(f"not true within {seconds} s: {script}")

    def close(self) -> None:
        """End the browser that was started here."""
        self._process.terminate()
        self._process.wait(timeout=20)
        os.close(self._write)
        os.close(self._read)

    def __enter__(self) -> Page:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@contextmanager
def browser() -> Iterator[Page]:
    """A fresh browser with nothing remembered; the test is skipped where none is installed."""
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        pytest.skip("no Chromium is installed: 'apt-get install chromium' brings one")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, Page(Path(folder), program) as page:
        yield page
