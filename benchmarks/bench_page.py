"""How long does the page take, how large is it, and what does each part cost?

The page of a song with four versions: where the search has no neighbours, the suggestion itself stands in for them.
CPU seconds are the least of three runs in one process, behind a run that compiles and warms up; whole songs are timed
once.
"""

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from report import machine, save, table

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import CHARACTERS, make_demo
from autochain.page import listening_to, sheet_hash, thirds_of, to_html, write_folder
from autochain.page.listening import Listening
from autochain.search.front import SIDES
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import suggest
from autochain.sheet import build_sheet

RATE_HZ = 44100
MOST_S, MOST_MB = 3.0, 15.0


def timed(work: Callable[[], Any], runs: int = 3) -> tuple[Any, float]:
    """Result and the least CPU seconds."""
    least, made = float("inf"), None
    for _ in range(runs):
        before = time.process_time()
        made = work()
        least = min(least, time.process_time() - before)
    return made, least


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--character", choices=CHARACTERS, default=CHARACTERS[0])
    parser.add_argument("--lufs", type=float, default=-9.0)
    parser.add_argument("--budget", type=int, default=24)
    args = parser.parse_args()
    where = machine()
    samples = np.ascontiguousarray(make_demo(args.character, RATE_HZ, args.seconds, 1), dtype=np.float32)
    mix = Mix(samples=samples, rate_hz=RATE_HZ, file="song.wav", sha256="0" * 64, subtype="PCM_24")
    target = {"lufs": args.lufs, "ceiling_dbtp": -1.0}
    plan = read_config(None, {"target": target, "search": {"budget": args.budget}})
    found = suggest(SearchRequest(mix=mix, config=plan), RunOptions(jobs=2))
    alone = replace(found, neighbours={})
    found = replace(found, neighbours={side: replace(found.chosen, name=side) for side in SIDES})
    sheet, two = build_sheet(found), build_sheet(alone)

    page, whole_s = timed(lambda: to_html(found, sheet, listening_to(found, sheet)))
    listening, cut_s = timed(lambda: listening_to(found, sheet))
    _, encoded_s = timed(lambda: listening.block(0))
    _, thirds_s = timed(lambda: thirds_of(found))
    thirds = thirds_of(found)
    _, drawn_s = timed(lambda: to_html(found, sheet, thirds=thirds))
    of_two = to_html(alone, two, listening_to(alone, two))
    songs, songs_s = timed(lambda: listening_to(found, sheet, whole=True), runs=1)
    with tempfile.TemporaryDirectory() as folder:
        beside = Path(folder, "song.sheet.sound")
        _, written_s = timed(lambda: write_folder(beside, songs, sheet_hash(sheet), force=True), runs=1)
        beside_mb = sum(path.stat().st_size for path in beside.iterdir()) / 1e6

    def played(heard: Listening) -> str:
        return f"{heard.frames / heard.rate_hz:.0f} s in {len(heard.windows)} places"

    rows = [
        ("the page, four versions, CPU s", whole_s, MOST_S),
        ("of that: cutting, rendering and levelling the sound", cut_s, None),
        ("of that: packing it", encoded_s, None),
        ("of that: spectra of mix and master", thirds_s, None),
        ("of that: other measures, pictures and words", drawn_s, None),
        ("size with four versions, MB", len(page.encode()) / 1e6, MOST_MB),
        ("which plays", played(listening), None),
        ("size with two versions, MB", len(of_two.encode()) / 1e6, MOST_MB),
        ("which plays", played(listening_to(alone, two)), None),
        ("whole songs of four versions: rendering and levelling, CPU s", songs_s, None),
        ("whole songs of four versions: packing and writing, CPU s", written_s, None),
        ("size of their folder, MB", beside_mb, None),
    ]
    text = (
        f"{args.character}, {args.seconds:.0f} s at 44.1 kHz, {args.lufs:g} LUFS, on one core.\n\n"
        + table(("", "measured", "target"), rows)
    )
    result = {"arguments": vars(args), "rows": [list(row) for row in rows]}
    save("page", "How long does the page take, and how large is it?", where, result, text)


if __name__ == "__main__":
    main()
