"""The sheet's page in Chromium, and what its player makes."""

import base64
import io
import json
import re
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import soundfile
from playwright.sync_api import Browser

from tests import browsing

# What a listener hears from a time of the page's sound on, for some seconds; a switch half a second later.
RENDER = """async ([before, after, at_s, seconds, loop]) => {
  const { sound, facts } = window.listening;
  const where = new OfflineAudioContext(2, Math.round(seconds * facts.rate_hz), facts.rate_hz);
  const ends = loop && loop.map((s) => Math.round(s * facts.rate_hz));
  const run = sound.run(where, where.destination, before, Math.round(at_s * facts.rate_hz), ends, 0);
  await run.fill(where.length);
  if (after !== null) run.change(after, 0.5);
  const heard = await where.startRendering();
  // As text: numbers one by one would take the driver minutes.
  return [0, 1].map((channel) => {
    const bytes = new Uint8Array(heard.getChannelData(channel).buffer);
    let text = "";
    for (let k = 0; k < bytes.length; k += 32768) text += String.fromCharCode(...bytes.subarray(k, k + 32768));
    return btoa(text);
  });
}"""


def sounds_of(path: Path) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """The page's facts and its sounds, decoded by libsndfile."""
    found = re.search(r'id="sound">(.*?)</script>', path.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    facts = json.loads(found[1])
    return facts, {
        one["name"]: soundfile.read(io.BytesIO(base64.b64decode(flac)), dtype="float64", always_2d=True)[0]
        for one, flac in zip(facts["sounds"], facts["flac"], strict=True)
    }


class Opened(browsing.Opened):
    """The sheet's page with its player, ready to play."""

    def __init__(
        self, browser: Browser, path: Path, width: int = 1000, scheme: Literal["light", "dark"] = "light"
    ) -> None:
        super().__init__(browser, path, width, scheme)
        self.page.wait_for_selector("html[data-ready=yes]", timeout=10_000)

    def until(self, condition: str) -> None:
        """Wait for a condition; the page's policy forbids to have the browser do that."""
        for _ in range(200):
            if self.page.evaluate(condition):
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(condition)

    def heard(
        self,
        version: int,
        after: int | None = None,
        at_s: float = 1.0,
        seconds: float = 1.0,
        loop: list[float] | None = None,
    ) -> npt.NDArray[np.float64]:
        """What the player makes, shape (frames, 2), from 20 ms on: it begins softly."""
        channels = self.page.evaluate(RENDER, [version, after, at_s, seconds, loop])
        samples = np.stack([np.frombuffer(base64.b64decode(one), "<f4") for one in channels], axis=1).astype(float)
        return samples[round(0.02 * self.page.evaluate("window.listening.facts.rate_hz")) :]

    def state(self) -> dict[str, Any]:
        return self.page.evaluate("window.listening.state()")
