"""A browser that takes real keys and touches, over the pipe of its own debugging protocol."""

import json
import os
import select
import subprocess
import time
from shutil import which

import pytest

CHROMIUM = which("chromium") or which("chromium-browser")

#: Longest wait for an answer, and for the page to come to rest [s].
PATIENCE = 60.0

#: Key codes of the protocol.
KEYS = {
    "Tab": 9,
    "Enter": 13,
    " ": 32,
    "PageUp": 33,
    "PageDown": 34,
    "End": 35,
    "Home": 36,
    "ArrowLeft": 37,
    "ArrowUp": 38,
    "ArrowRight": 39,
    "ArrowDown": 40,
}
SHIFT = 8


class Browser:
    """One page in a headless browser, steered as a user would."""

    def __init__(self, profile):
        command_end, self._to_browser = os.pipe()
        self._from_browser, answer_end = os.pipe()
        # the protocol wants file 3 for commands and file 4 for answers; the shell puts them there
        self._process = subprocess.Popen(
            [
                "bash",
                "-c",
                f'exec "$0" "$@" 3<&{command_end} 4>&{answer_end}',
                CHROMIUM,
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--remote-debugging-pipe",
                f"--user-data-dir={profile}",
                "about:blank",
            ],
            pass_fds=(command_end, answer_end),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(command_end)
        os.close(answer_end)
        self._number, self._session, self._unread = 0, None, b""
        try:
            target = self._target()
            attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
            self._session = attached["sessionId"]
            self.call("Page.enable")
        except BaseException:
            self.close()
            raise

    def _target(self):
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            infos = self.call("Target.getTargets")["targetInfos"]
            pages = [info["targetId"] for info in infos if info["type"] == "page"]
            if pages:
                return pages[0]
            time.sleep(0.05)
        raise TimeoutError("the browser opened no page")

    def close(self):
        """End the browser that was started, and nothing else."""
        self._process.kill()
        self._process.wait(timeout=PATIENCE)
        os.close(self._to_browser)
        os.close(self._from_browser)

    def call(self, method, **values):
        """Send one command and return its answer; events are passed over."""
        self._number += 1
        command = {"id": self._number, "method": method, "params": values}
        if self._session:
            command["sessionId"] = self._session
        os.write(self._to_browser, json.dumps(command).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer["error"]
                return answer["result"]

    def _read(self):
        while b"\0" not in self._unread:
            ready, _, _ = select.select([self._from_browser], [], [], PATIENCE)
            if not ready:
                raise TimeoutError("the browser gives no answer")
            more = os.read(self._from_browser, 2**20)
            if not more:
                raise ConnectionError("the browser ended")
            self._unread += more
        text, self._unread = self._unread.split(b"\0", 1)
        return json.loads(text)

    def open(self, address, width, height, *, phone=False):
        """Load a page afresh on a screen of some size and wait until its script has run."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=phone,
        )
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone)
        for each in ("about:blank", address):
            self.call("Page.navigate", url=each)
            until = time.monotonic() + PATIENCE
            while self.read("document.readyState + ' ' + location.href") != f"complete {each}":
                if time.monotonic() > until:
                    raise TimeoutError(f"{each} does not load")
                time.sleep(0.02)

    def read(self, expression):
        """Return what a JavaScript expression is on the page, as plain data."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def press(self, key, times=1, *, shift=False):
        """Press and let go a key, as the keyboard does."""
        what = {
            "key": key,
            "code": "Space" if key == " " else key,
            "windowsVirtualKeyCode": KEYS[key],
            "modifiers": SHIFT if shift else 0,
        }
        text = {"Enter": "\r", " ": " "}.get(key)
        for _ in range(times):
            down = {**what, "text": text} if text else what
            kind = "keyDown" if text else "rawKeyDown"
            self.call("Input.dispatchKeyEvent", type=kind, **down)
            self.call("Input.dispatchKeyEvent", type="keyUp", **what)

    def tap(self, x, y):
        """Touch the screen at a place and let go."""
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Start one browser for a whole file of tests, and end it afterwards."""
    if CHROMIUM is None:
        pytest.skip("needs the browser Chromium, and none is installed here")
    one = Browser(tmp_path_factory.mktemp("browser"))
    yield one
    one.close()
