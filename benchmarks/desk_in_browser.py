"""The desk in a real Chromium: how long from a key to the sound, and what the page holds after many turns.

A tap beside the output keeps every sample that the audio thread renders. A turn is a key press in a field; its sound
has come with the first sample that is not what the place sounded like before. What the loudspeakers add is not in it.
"""

import base64
import shutil
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from desk_growth import grown
from playwright.sync_api import Page, sync_playwright

AT_S = 100.0
_FIELD = "[data-stage=limiter] .field[data-parameter=release_ms] input"
_OTHER = 1e-4  # far over what float32 gains differ by, far under any turn
_TAP = """
(() => {
  const reader = `registerProcessor("tap", class extends AudioWorkletProcessor {
    process([input]) {
      const silent = new Float32Array(128);
      const two = [0, 1].map((c) => (input.length ? input[Math.min(c, input.length - 1)] : silent).slice());
      if (!this.began && two[0].some((x) => x !== 0)) this.began = Date.now();
      this.port.postMessage([currentFrame, two, this.began || 0], two.map((one) => one.buffer));
      return true;
    }
  })`;
  const connect = AudioNode.prototype.connect;
  window.tape = { parts: [], began: 0 };
  AudioNode.prototype.connect = function (target, ...more) {
    const answer = connect.call(this, target, ...more);
    if (!(target instanceof AudioDestinationNode) || window.tape.context) return answer;
    window.tape.context = this.context;
    const address = URL.createObjectURL(new Blob([reader], { type: "text/javascript" }));
    this.context.audioWorklet.addModule(address).then(() => {
      const tap = new AudioWorkletNode(this.context, "tap", { channelCount: 2, channelCountMode: "explicit" });
      tap.port.onmessage = ({ data: [frame, two, began] }) => {
        window.tape.began = began;
        if (window.tape.on) window.tape.parts.push([frame, two]);
      };
      connect.call(this, tap);
      connect.call(tap, this.context.destination);
    });
    return answer;
  };
  const pressed = () => {
    if (window.tape.context) window.tape.pressed = window.tape.context.currentTime;
    window.tape.pressed_ms = performance.now();
    performance.clearResourceTimings();
  };
  addEventListener("keydown", pressed, true);
})();
"""
_TEXT = """const text = (bytes) => {
  let all = "";
  for (let k = 0; k < bytes.length; k += 32768) all += String.fromCharCode(...bytes.subarray(k, k + 32768));
  return btoa(all);
};"""
_TAPED = f"""() => {{
  {_TEXT}
  const parts = window.tape.parts;
  window.tape.on = false;
  const left = new Float32Array(128 * parts.length);
  parts.forEach(([, [one]], k) => left.set(one, 128 * k));
  const answer = performance.getEntriesByType("resource").find((one) => one.name.endsWith("/do"));
  const answered = answer ? answer.responseEnd - window.tape.pressed_ms : null;
  return [parts.length ? parts[0][0] : 0, text(new Uint8Array(left.buffer)), window.tape.pressed, answered];
}}"""
_SENT = f"""async (asked) => {{
  {_TEXT}
  const answer = await fetch(`/song/${{window.desk.facts.song}}/sound/hand?${{asked}}`);
  return text(new Uint8Array(await answer.arrayBuffer()));
}}"""


@contextmanager
def _desk(song: Path) -> Iterator[str]:
    command = [sys.executable, "-m", "autochain", "desk", str(song), "-o", str(song.parent / "heard"), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.send_signal(signal.SIGINT)


def heard(song: Path, turns: int, many: int) -> dict[str, Any]:
    """First sound, turns and what the page holds."""
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    with _desk(song) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        # The policy of the page forbids scripts from elsewhere; the tap is one.
        page = browser.new_context(bypass_csp=True).new_page()
        page.add_init_script(_TAP)
        page.goto(address)
        page.wait_for_selector("tbody a, #songs a")
        first_s = _first_sound(page, song.name)
        page.wait_for_selector(_FIELD, state="attached", timeout=120_000)
        _begin(page)
        found = [one for one in (_turn(page, step) for step in range(turns)) if one is not None]
        browser.close()
        held, growth = grown(address, song.name, many, AT_S)
    return {"first_sound_s": first_s, "turns": found, "asked": turns, "held": held, "many": many, "grown": growth}


def _first_sound(page: Page, name: str) -> float:
    """From the click on a song to the first sample that is not silence."""
    began = time.time()
    page.click(f"a:has-text('{name}')")
    page.wait_for_selector("html[data-listens=yes]", timeout=60_000)
    page.keyboard.press("Space")
    page.wait_for_function("window.tape.began > 0", timeout=60_000)
    return float(page.evaluate("window.tape.began")) / 1000.0 - began


def _begin(page: Page) -> None:
    """A place repeats, what is under the hand plays, the field has the keys."""
    page.evaluate(f"window.listen.play({AT_S})")
    page.keyboard.press("r")
    page.fill("#volume", "0")
    page.evaluate(
        """(field) => {
          document.addEventListener("desk:place", (event) => (window.place = event.detail));
          const input = document.querySelector(field);
          for (let one = input; one; one = one.parentElement) if (one.nodeName === "DETAILS") one.open = true;
        }""",
        _FIELD,
    )
    page.wait_for_timeout(1000)
    _press(page, 0)
    page.wait_for_function("window.place && window.listen.heard().revision === window.place.revision", timeout=60_000)
    page.wait_for_timeout(500)


def _press(page: Page, step: int) -> None:
    page.evaluate("window.was = window.listen.heard().revision")
    page.focus(_FIELD)
    page.keyboard.press("ArrowUp" if step // 20 % 2 == 0 else "ArrowDown")


def _heard_other(page: Page) -> None:
    page.wait_for_function(
        "window.listen.heard().revision > window.was && window.listen.heard().key === 'hand'", timeout=60_000
    )


def _turn(page: Page, step: int) -> dict[str, float] | None:
    """Milliseconds from the key to the desk's answer, and to the first other sample.

    None where it cannot be told: the last word on the song came in between.
    """
    rate_hz, channels = (page.evaluate(f"window.desk.facts.{name}") for name in ("rate_hz", "channels"))
    now, place = page.evaluate("[window.listen.heard(), window.place]")
    first, stop = round(place["start_s"] * rate_hz), round(place["stop_s"] * rate_hz)
    asked = f"revision={now['revision']}&first={first}&frames={stop - first}"
    old = np.frombuffer(base64.b64decode(page.evaluate(_SENT, asked)), "<f4").reshape(-1, channels)[:, 0].astype(float)
    old *= 10.0 ** (now["gain_db"] / 20.0)
    fade = rate_hz // 100
    edge = np.minimum(np.arange(len(old)), len(old) - np.arange(len(old))) / fade
    old *= np.minimum(1.0, edge)
    page.evaluate("window.tape.parts = []; window.tape.on = true")
    page.wait_for_timeout(120)
    _press(page, step)
    _heard_other(page)
    page.wait_for_timeout(150)
    began, text, pressed, answered_ms = page.evaluate(_TAPED)
    tape = np.frombuffer(base64.b64decode(text), "<f4").astype(float)
    probe = tape[:4000]
    twice = np.concatenate([old, old])
    size = 1 << (len(twice) + len(probe)).bit_length()
    product = np.fft.irfft(np.fft.rfft(twice, size) * np.conj(np.fft.rfft(probe, size)), size)
    sums = np.concatenate([[0.0], np.cumsum(twice**2)])
    energy = sums[len(probe) :] - sums[: -len(probe)]
    at = int(np.argmin((energy - 2.0 * product[: len(energy)])[: len(old)]))
    wanted = old[(at + np.arange(len(tape))) % len(old)]
    other = np.flatnonzero(np.abs(tape - wanted) > _OTHER)
    pressed_frame = round(pressed * rate_hz) - began
    if not len(other) or other[0] < pressed_frame or answered_ms is None:
        return None
    return {"answered_ms": answered_ms, "heard_ms": float(1000.0 * (other[0] - pressed_frame) / rate_hz)}


def said(found: dict[str, Any], wanted_ms: float) -> str:
    """The paragraph of the result."""

    def told(values: list[float]) -> str:
        ordered = sorted(values)
        p95 = ordered[int(0.95 * (len(ordered) - 1) + 0.5)]
        return f"median {statistics.median(ordered):.0f} ms, 95th percentile {p95:.0f} ms, longest {ordered[-1]:.0f} ms"

    turns = found["turns"]
    text = f"In Chromium: the first sample of the mix {found['first_sound_s']:.2f} s after the click on the song."
    if turns:
        text += (
            f" From a key in a field to the first other sample at the output: {told([t['heard_ms'] for t in turns])} "
            f"(wanted: {wanted_ms:.0f} ms); to the desk's answer that the place is solved: "
            f"{told([t['answered_ms'] for t in turns])}; from there to the sample: "
            f"{told([t['heard_ms'] - t['answered_ms'] for t in turns])}. Of {found['asked']} turns {len(turns)} could "
            "be told; in the others the last word on the song came in between, or nothing was heard of them."
        )
    if found["grown"]:
        half, end = found["grown"][(len(found["grown"]) - 1) // 2], found["grown"][-1]
        text += (
            f" Over {found['many']} more turns, made by the page itself and without a driver, its scripts had grown by "
            f"{half['script_mb']:.1f} MB half way and "
            f"by {end['script_mb']:.1f} MB at the end, its process by {half['process_mb']:.0f} and "
            f"{end['process_mb']:.0f} MB (from {found['held']['process_mb']:.0f}), the audio graph by "
            f"{half['audio_nodes']:.0f} and {end['audio_nodes']:.0f} nodes; it held "
            f"{found['held']['sound_s'] + end['sound_s']:.0f} s of sound."
        )
    return text
