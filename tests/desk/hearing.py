"""The desk in a process of its own, its page in Chromium, and what reaches the output there, sample by sample."""

import base64
import math
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from playwright.sync_api import Browser, Page

from tests.conftest import Suggested

Samples = npt.NDArray[np.float32]

# Whatever is connected to the output is also connected to a worklet there, which sees every block of 128 frames that
# the audio thread renders, with its moment. So the tape has what is heard, and what the page thinks of it is not asked.
_TAP = """
(() => {
  const reader = `registerProcessor("tap", class extends AudioWorkletProcessor {
    constructor() { super(); this.parts = []; this.first = 0; }
    process([input]) {
      if (this.parts.length === 0) this.first = currentFrame;
      const silent = new Float32Array(128);
      const two = [0, 1].map((c) => (input.length ? input[Math.min(c, input.length - 1)].slice() : silent));
      this.parts.push(two);
      if (this.parts.length === 16) {
        const words = new Float32Array(2 * 128 * 16);
        this.parts.forEach(([left, right], k) => left.forEach((x, n) => {
          words[2 * (128 * k + n)] = x;
          words[2 * (128 * k + n) + 1] = right[n];
        }));
        this.port.postMessage([this.first, words], [words.buffer]);
        this.parts = [];
      }
      return true;
    }
  })`;
  const connect = AudioNode.prototype.connect;
  window.tape = { parts: [], context: null, on: false };
  AudioNode.prototype.connect = function (target, ...more) {
    const answer = connect.call(this, target, ...more);
    if (!(target instanceof AudioDestinationNode) || window.tape.context) return answer;
    window.tape.context = this.context;
    const address = URL.createObjectURL(new Blob([reader], { type: "text/javascript" }));
    this.context.audioWorklet.addModule(address).then(() => {
      const tap = new AudioWorkletNode(this.context, "tap", { channelCount: 2, channelCountMode: "explicit" });
      tap.port.onmessage = (event) => window.tape.on && window.tape.parts.push(event.data);
      connect.call(this, tap);
      connect.call(tap, this.context.destination);
      window.tape.ready = true;
    });
    return answer;
  };
})();
"""
_PLAYED = """() => {
  const bytes = new Uint8Array(window.tape.parts.length * 16384);
  window.tape.parts.forEach(([, words], k) => bytes.set(new Uint8Array(words.buffer), 16384 * k));
  let text = "";
  for (let k = 0; k < bytes.length; k += 32768) text += String.fromCharCode(...bytes.subarray(k, k + 32768));
  return [window.tape.parts.map(([first]) => first), btoa(text)];
}"""
_SENT = """async ([key, revision, first, frames]) => {
  const asked = `revision=${revision}&first=${first}&frames=${frames}`;
  const answer = await fetch(`/song/${window.desk.facts.song}/sound/${key}?${asked}`);
  const bytes = new Uint8Array(await answer.arrayBuffer());
  let text = "";
  for (let k = 0; k < bytes.length; k += 32768) text += String.fromCharCode(...bytes.subarray(k, k + 32768));
  return btoa(text);
}"""
# What the page was told last of every version, whichever way it came.
_TOLD = """
document.addEventListener("desk:versions", (event) => (window.told = event.detail));
document.addEventListener("desk:place", (event) => (window.place = event.detail));
"""
_BLOCK = 2048  # frames of one message


class TornError(Exception):
    """A tape with gaps: nothing can be told from it."""


def on_a_whole_tape(test: Callable[..., None]) -> Callable[..., None]:
    """A test that is done again, up to eight times, where its tape was torn; what it asserts is asserted once."""

    @wraps(test)
    def again(*, desk: "Desk", **fixtures: object) -> None:
        for left in reversed(range(8)):
            try:
                test(desk=desk, **fixtures)
                break
            except TornError:
                if not left:
                    raise
                desk.from_start()

    return again


def sheet_beside(run: Suggested, folder: Path) -> Path:
    """A copy of a mix with its sheet, as the desk finds them in a folder."""
    for path in (run.mix, run.preview.with_name(f"{run.mix.stem}.sheet.json")):
        shutil.copy(path, folder)
    return folder / run.mix.name


@contextmanager
def desk_process(*arguments: object) -> Iterator[str]:
    """`autochain desk ARGUMENTS`, and the address that it prints; ended as Ctrl-C does."""
    command = [sys.executable, "-m", "autochain", "desk", *map(str, arguments), "--no-browser"]
    surroundings = {**os.environ, "NUMBA_NUM_THREADS": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=surroundings) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(20)
            finally:
                process.kill()


class Desk:
    """The page of one song, and a tape of what it plays."""

    def __init__(self, browser: Browser, address: str, song: str, width: int = 1000, height: int = 800) -> None:
        # The policy of the page forbids scripts from elsewhere; the tap is one.
        self.context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.add_init_script(_TAP + _TOLD)
        self.page.goto(address)
        self.page.click(f"a:has-text('{song}')")
        self.page.wait_for_selector("html[data-listens=yes]", timeout=20_000)

    @property
    def facts(self) -> dict[str, Any]:
        """What the page was told of the song."""
        found: dict[str, Any] = self.page.evaluate("window.desk.facts")
        return found

    def version(self, key: str) -> dict[str, Any]:
        """One version as the page knows it now."""
        told = self.page.evaluate("window.told || window.desk.facts.versions")
        return next(one for one in told if one["key"] == key)

    def sent(self, key: str, first: int = 0, frames: int | None = None) -> Samples:
        """What the desk sends of a version, at the gain that makes it as loud as the others, shape (frames, 2)."""
        one = self.version(key)
        frames = self.facts["frames"] - first if frames is None else frames
        text = self.page.evaluate(_SENT, [key, one["revision"], first, frames])
        samples = np.frombuffer(base64.b64decode(text), "<f4").reshape(-1, self.facts["channels"])
        return samples * np.float32(10.0 ** (one["gain_db"] / 20.0))

    def verified(self) -> None:
        """Wait until what is under the hand was verified: no other sound takes over in the middle of a test."""
        self.until("(window.told || []).some((one) => one.key === 'hand' && one.exact)", 60.0)

    def until(self, condition: str, seconds: float = 60.0) -> None:
        """Wait for a condition, as long as a machine with other work may need."""
        self.page.wait_for_function(condition, timeout=1000.0 * seconds)

    def wait(self, seconds: float) -> None:
        """Let it play."""
        self.page.wait_for_timeout(1000.0 * seconds)

    def played(self, seconds: float) -> None:
        """Wait until the output has gone on by so much: a machine with other work takes longer than it lasts."""
        self.page.evaluate("window.since = window.tape.context.currentTime")
        self.until(f"window.tape.context.currentTime >= window.since + {seconds}")

    def loud(self) -> None:
        """Turn the level of the page to 0 dB, and wait until it is there."""
        self.page.fill("#volume", "0")
        if self.page.evaluate("Boolean(window.tape.context)"):
            self.played(0.5)

    def record(self) -> None:
        """Begin a tape; the page has played before."""
        self.until("window.tape.ready")
        self.page.evaluate("window.tape.parts = []; window.tape.on = true")

    def taped(self, seconds: float) -> None:
        """Wait until so much more is on the tape."""
        self.page.evaluate("window.taped = window.tape.parts.length")
        blocks = math.ceil(seconds * self.page.evaluate("window.tape.context.sampleRate") / _BLOCK)
        self.until(f"window.tape.parts.length >= window.taped + {blocks}")

    def tape(self, *, longest: bool = False) -> tuple[int, Samples]:
        """Its first moment in frames of the context, and what was heard since, shape (frames, 2).

        With `longest` only the longest part without a gap.

        Raises
        ------
        TornError
            An audio thread that a busy machine gives no time has left blocks out.
        """
        firsts, text = self.page.evaluate(_PLAYED)
        self.page.evaluate("window.tape.on = false")
        heard = np.frombuffer(base64.b64decode(text), "<f4").reshape(-1, _BLOCK, 2)
        gaps = [0, *(np.flatnonzero(np.diff(firsts) != _BLOCK) + 1), len(firsts)]
        if len(gaps) > 2 and not longest:
            raise TornError("The audio thread has left blocks out.")
        first, last = max(pairwise(gaps), key=lambda part: part[1] - part[0])
        return int(firsts[first]), heard[first:last].reshape(-1, 2)

    def from_start(self, key: str = "mix") -> None:
        """Play a version from the song's beginning at full level, nothing repeated."""
        begin = """(key) => {
          const repeat = document.getElementById("repeat");
          if (repeat.getAttribute("aria-pressed") === "true") repeat.click();
          window.listen.choose(key);
          window.listen.play(0);
        }"""
        heard = f"window.listen.heard() && window.listen.heard().key === '{key}'"
        for _ in range(20):  # a machine with other work may look only when the beginning is over
            self.page.evaluate(begin, key)
            self.until(f"{heard} && window.listen.position() > 0.1 || !window.listen.playing()")
            self.loud()
            if self.page.evaluate(f"{heard} && window.listen.playing() && window.listen.position() < 2.5"):
                return
        raise TimeoutError(f"The beginning of {key} was never heard.")

    def close(self) -> None:
        """End the page."""
        self.context.close()


def found_at(heard: Samples, song: Samples) -> int:
    """Frame of a song at which what was heard begins, by its first 4,000 frames at the song's own level."""
    probe, wanted = heard[:4000, 0].astype(np.float64), song[:, 0].astype(np.float64)
    size = 1 << (len(wanted) + len(probe)).bit_length()
    product = np.fft.irfft(np.fft.rfft(wanted, size) * np.conj(np.fft.rfft(probe, size)), size)
    sums = np.concatenate([[0.0], np.cumsum(wanted**2)])
    energy = sums[len(probe) :] - sums[: -len(probe)]
    # Least squares of the difference, not the largest product: a louder part would win.
    return int(np.argmin(energy - 2.0 * product[: len(energy)]))


def looped(
    first: int, stop: int, at: int, count: int, fade: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Frames of the song that a loop plays from one of them on, and the gain that its soft edges have there."""
    frames = first + (at - first + np.arange(count)) % (stop - first)
    edge = np.minimum(frames - first, stop - frames) / fade
    return frames, np.minimum(1.0, edge)
