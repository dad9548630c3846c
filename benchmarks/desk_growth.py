"""What the desk's page holds after many turns: the page turns by itself, and its process is read by /proc.

A driver that watches the network keeps what was answered, up to 200 MB, in the very process that is to be weighed, and
adds some 20 kB a turn. So Chromium is spoken to through its own pipe, with no more than evaluating an expression,
collecting garbage and reading its counters; and a turn is made by a script in the page, as a hand makes
it: a field is set, and its events are sent.
"""

import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

_FIELD = "[data-stage=limiter] .field[data-parameter=release_ms] input"
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--mute-audio",
    "--autoplay-policy=no-user-gesture-required", "--remote-debugging-pipe",
)  # fmt: skip
_TURNS = f"""async (count) => {{
  const input = document.querySelector("{_FIELD}");
  window.turns = window.turns || 0;
  for (let k = 0; k < count; k += 1) {{
    window.turns += 1;
    const solved = new Promise((known) => {{
      const late = setTimeout(known, 5000);
      document.addEventListener("desk:place", () => {{ clearTimeout(late); known(); }}, {{ once: true }});
    }});
    input.value = String(20 + ((37 * window.turns) % 300));
    input.dataset.typed = "yes";
    for (const kind of ["input", "change"]) input.dispatchEvent(new Event(kind, {{ bubbles: true }}));
    await solved;
    await new Promise((then) => setTimeout(then, 60));
  }}
}}"""
_WARM_TURNS, _EVERY = 60, 200
_LONGEST_S = 300.0


class _Chromium:
    """A page of a browser, and commands to it by name."""

    def __init__(self, folder: str, address: str) -> None:
        (asked, self._to), (self._from, answers) = os.pipe(), os.pipe()
        path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
        # It reads commands from 3 and answers on 4: a shell puts our ends there.
        command = f'exec "$@" 3<&{asked} 4>&{answers}'
        self._process = subprocess.Popen(
            ["/bin/bash", "-c", command, "chromium", path, *_FLAGS, f"--user-data-dir={folder}", "about:blank"],
            pass_fds=(asked, answers), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(asked)
        os.close(answers)
        self._folder, self._number, self._rest, self._page = folder, 0, b"", ""
        target = self.do("Target.createTarget", url=address)["targetId"]
        self._page = self.do("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]

    def do(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command; RuntimeError with what it says where it is refused."""
        self._number += 1
        asked: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._page:
            asked["sessionId"] = self._page
        os.write(self._to, json.dumps(asked).encode() + b"\0")
        while True:
            while b"\0" not in self._rest:
                read = os.read(self._from, 1 << 16)
                if not read:
                    raise EOFError("the browser has ended")
                self._rest += read
            line, self._rest = self._rest.split(b"\0", 1)
            answer = json.loads(line)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(answer["error"]["message"])
                found: dict[str, Any] = answer["result"]
                return found

    def of(self, expression: str) -> Any:
        """What an expression comes to in the page."""
        found = self.do("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True,
                        userGesture=True)  # fmt: skip
        if "exceptionDetails" in found:
            raise RuntimeError(str(found["exceptionDetails"].get("text")))
        return found["result"].get("value")

    def until(self, expression: str) -> None:
        """Wait for something to hold; TimeoutError where it does not."""
        end = time.monotonic() + _LONGEST_S
        while time.monotonic() < end:
            with suppress(RuntimeError):  # between two pages there is nothing to ask
                if self.of(f"Boolean({expression})"):
                    return
            time.sleep(0.2)
        raise TimeoutError(expression)

    def private_mb(self) -> float:
        """Private memory of the largest process that draws a page."""
        found = [0.0]
        for process in Path("/proc").iterdir():
            try:
                command = (process / "cmdline").read_bytes().decode(errors="replace") if process.name.isdigit() else ""
                if "--type=renderer" in command and self._folder in command:
                    lines = (process / "smaps_rollup").read_text().splitlines()
                    found.append(sum(int(one.split()[1]) for one in lines if one.startswith("Private_")) / 1000.0)
            except OSError:  # it has ended meanwhile
                continue
        return max(found)

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._to)
        os.close(self._from)


@contextmanager
def _opened(address: str) -> Iterator[_Chromium]:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        browser = _Chromium(folder, address)
        try:
            yield browser
        finally:
            browser.close()


def grown(address: str, song: str, many: int, at_s: float) -> tuple[dict[str, float], list[dict[str, float]]]:
    """What the page holds after some turns, and by how much that has grown at every 200 of many more.

    A place of the song repeats, and what is under the hand plays.
    """
    with _opened(address) as page:
        page.until("document.querySelector('#songs td a')")
        links = "[...document.querySelectorAll('#songs td a')]"
        page.of(f"{links}.find((one) => one.textContent === {json.dumps(song)}).click()")
        page.until(f"document.querySelector('{_FIELD}') && document.querySelector('#time figure')")
        page.of(f"window.listen.play({at_s})")
        page.until("window.listen.playing()")
        page.of("document.getElementById('repeat').click()")
        page.do("Performance.enable")
        page.of(f"({_TURNS})({_WARM_TURNS})")
        before, found = _held(page), []
        for _ in range(many // _EVERY):
            page.of(f"({_TURNS})({_EVERY})")
            found.append({name: value - before[name] for name, value in _held(page).items()})
    return before, found


def _held(page: _Chromium) -> dict[str, float]:
    """Megabytes of the page's scripts and of its process, seconds of sound, nodes of audio graph and page."""
    for _ in range(4):  # what is let go in one collection holds what the next one finds
        page.do("HeapProfiler.collectGarbage")
        time.sleep(0.3)
    counted = {one["name"]: float(one["value"]) for one in page.do("Performance.getMetrics")["metrics"]}
    return {
        "script_mb": counted["JSHeapUsedSize"] / 1e6,
        "process_mb": page.private_mb(),
        "sound_s": float(page.of("window.listen.heldS()")),
        "audio_nodes": counted.get("AudioHandlers", 0.0),
        "page_nodes": counted["Nodes"],
    }
