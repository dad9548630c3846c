"""Is the desk quick enough to listen with: a turned knob, the first sound, the last word on a song, and memory?

One four-minute song, opened as a page opens it. Turned is what the five stages behind the linear ones have, and a
linear one now and then; every turn is another value, so that nothing that was rendered before can serve. A turn ends
with the samples of the place; the costs of the estimate come after it and are timed by themselves. Memory is the most
that the process ever had (its peak resident set), read after each part: open, measured and verified, searched, traced,
delivered and compared. `--heard` tries the whole of it in Chromium, see `desk_in_browser`.
"""

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from bench_chain import RATE_HZ
from report import machine, save, table

from autochain.audio.files import write_wav
from autochain.demo import make_demo
from autochain.desk.folder import SongFiles
from autochain.desk.open_song import OpenSong
from autochain.desk.work import DeskJob

WANTED_MS, WANTED_MB, WANTED_FIRST_S = 300.0, 1200.0, 3.0
SONG_S, AT_S = 240.0, 100.0
# Stage, parameter, the value at 0 and at 1 of the way that a hand goes.
TURNED = (
    ("bus_compressor", "threshold_db", -6.0, -20.0),
    ("bus_compressor", "release_ms", 60.0, 600.0),
    ("peak_compressor", "attack_ms", 0.3, 10.0),
    ("clipper", "ceiling_dbfs", 1.0, -3.0),
    ("clipper", "softness", 0.0, 100.0),
    ("transient", "onset_db", 0.0, 3.0),
    ("limiter", "lookahead_ms", 1.0, 8.0),
    ("limiter", "release_ms", 5.0, 400.0),
    ("limiter", "ceiling_dbtp", -1.0, -2.5),
    ("equaliser", "band1_freq_hz", 20.0, 60.0),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--turns", type=int, default=200)
    parser.add_argument("--many", type=int, default=2000, help="turns during which memory must not grow")
    parser.add_argument("--work", action="store_true", help="also search, trace, deliver and compare")
    parser.add_argument("--heard", action="store_true", help="also in Chromium, from a key to the sound at the output")
    parser.add_argument("--part", choices=("turns", "work", "heard"), help=argparse.SUPPRESS)  # in a process of its own
    parser.add_argument("--song", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.part:
        _PARTS[args.part](args)
        return
    where = machine()
    with tempfile.TemporaryDirectory() as folder:
        song = Path(folder) / "song.wav"
        mix = np.ascontiguousarray(make_demo("dense_rock", RATE_HZ, SONG_S, 1), dtype=np.float32)
        write_wav(song, mix, RATE_HZ, 1)
        more = [name for name in ("work", "heard") if getattr(args, name)]
        parts = {name: _measured(name, song, args) for name in ("turns", *more)}
    save("desk", "Is the desk quick enough to listen with?", where, parts, _text(parts))


def _measured(part: str, song: Path, args: argparse.Namespace) -> dict[str, Any]:
    """What a part found, in a process of its own, so that its peak memory is its own."""
    ran = subprocess.run(
        [sys.executable, __file__, "--part", part, "--song", str(song), "--turns", str(args.turns), "--many",
         str(args.many)],
        check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    found: dict[str, Any] = json.loads(ran.stdout.splitlines()[-1])
    return found


def _turns(args: argparse.Namespace) -> None:
    """First sound, turns, the last word, and memory over many turns."""
    began = time.perf_counter()
    song = OpenSong(SongFiles(args.song, args.song.parent / "turns"))
    first = song.sound("mix", 1, 0, 6 * RATE_HZ)
    first_s = time.perf_counter() - began
    assert len(first) == 6 * RATE_HZ
    measured_s = _timed(lambda: _do(song.measure_job()))
    song.place(AT_S)
    verified_s = [_timed(lambda: _do(song.verify_job()))]
    ways = _ways()
    for _ in range(2 * len(TURNED)):  # compiles, or loads what was compiled
        _turn(song, next(ways))
        song.estimate()
    turns, costs = [], []
    for _ in range(args.turns):
        way = next(ways)
        turns.append({"turned": f"{way[0]}.{way[1]}", **_both(partial(_turn, song, way))})
        costs.append(_both(song.estimate))
    for _ in range(3):
        _turn(song, next(ways))
        verified_s.append(_timed(lambda: _do(song.verify_job())))
    begun_mb = _resident_mb()
    grown = []
    for turn in range(args.many):
        _turn(song, next(ways))
        if turn % 100 == 99:
            song.estimate()
            grown.append(_resident_mb() - begun_mb)
    song.close()
    _give(
        {
            "first_sound_s": first_s,
            "measured_s": measured_s,
            "verified_s": verified_s,
            "turns": turns,
            "costs": costs,
            "many": args.many,
            "grown_mb": grown,
            "peak_mb": _peak_mb(),
        }
    )


def _work(args: argparse.Namespace) -> None:
    """Memory while everything that takes long is done, with turns and verifications in between."""
    song = OpenSong(SongFiles(args.song, args.song.parent / "work"))
    peaks = {"open": _peak_mb()}
    _do(song.measure_job())
    song.place(AT_S)
    _do(song.verify_job())
    peaks["measured, verified"] = _peak_mb()
    ways = _ways()

    def turn_and_verify(words: str, share: float, done: list[float]) -> None:
        if share >= len(done) / 4.0:  # four times during a job
            done.append(share)
            _turn(song, next(ways))
            song.estimate()
            _do(song.verify_job())

    def busy(job: DeskJob) -> None:
        done: list[float] = []
        job.run(lambda words, share: turn_and_verify(words, share, done), lambda: False)

    busy(song.search_job(around=False))
    peaks["searched"] = _peak_mb()
    for key in ("suggestion", "limiter_alone", "trade_default"):
        song.sound(key, 1, 0, 6 * RATE_HZ)
    _do(song.curve_job(-11.0, -8.0, 1.5))
    peaks["curve of three points"] = _peak_mb()
    _do(song.deliver_job(("wav16", "flac24")))
    peaks["delivered"] = _peak_mb()
    bounce = song.add_bounce(song.files.master)
    _do(song.compare_job(bounce.key))
    peaks["compared"] = _peak_mb()
    song.close()
    _give({"peaks_mb": peaks})


def _heard(args: argparse.Namespace) -> None:
    """The whole of it in a browser."""
    import desk_in_browser  # what drives a browser is not needed for the rest

    _give(desk_in_browser.heard(args.song, min(args.turns, 100), args.many))


# Each in a process of its own; a further part is one more of them, with its paragraph in `_text`.
_PARTS: dict[str, Callable[[argparse.Namespace], None]] = {"turns": _turns, "work": _work, "heard": _heard}


def _ways() -> Iterator[tuple[str, str, float]]:
    """Turns without an end: one setting after the other, each time at another place of its way."""
    step = 0
    while True:
        for stage, name, low, high in TURNED:
            step += 1
            share = step * 0.618034 % 1.0  # no place twice
            yield stage, name, round(low + share * (high - low), 1)


def _turn(song: OpenSong, way: tuple[str, str, float]) -> None:
    """From the new setting to the samples of the place, as a page fetches them."""
    heard = song.turn(*way, AT_S + 2.0)
    first = round(heard.start_s * song.mix.rate_hz)
    song.sound("hand", heard.revision, first, round((heard.stop_s - heard.start_s) * song.mix.rate_hz))


def _do(job: DeskJob) -> None:
    job.run(lambda words, share: None, lambda: False)


def _timed(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def _both(call: Callable[[], object]) -> dict[str, float]:
    began, spent = time.perf_counter(), time.thread_time()
    call()
    return {"wall_ms": 1e3 * (time.perf_counter() - began), "cpu_ms": 1e3 * (time.thread_time() - spent)}


def _peak_mb() -> float:
    """Most memory that this process has had resident; what `getrusage` says begins with that of the one behind it."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM:"))
        return float(line.split()[1]) * 1024.0 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def _resident_mb() -> float:
    statm = Path("/proc/self/statm")
    pages = int(statm.read_text().split()[1]) if statm.exists() else 0
    return pages * resource.getpagesize() / 1e6


def _give(found: dict[str, Any]) -> None:
    print(json.dumps(found))


def _text(parts: dict[str, dict[str, Any]]) -> str:
    found = parts["turns"]
    rows = []
    timed = {"turn, until the place can be fetched": found["turns"], "costs of the estimate": found["costs"]}
    for what, own in timed.items():
        for kind in ("wall_ms", "cpu_ms"):
            values = sorted(one[kind] for one in own)
            rows.append(
                (f"{what}, {'elapsed' if kind == 'wall_ms' else 'CPU'}", len(values), statistics.median(values),
                 values[int(0.95 * (len(values) - 1) + 0.5)], values[-1])
            )  # fmt: skip
    by_setting: dict[str, list[float]] = {}
    for one in found["turns"]:
        by_setting.setdefault(one["turned"], []).append(one["cpu_ms"])
    settings = [(name, statistics.median(own), max(own)) for name, own in by_setting.items()]
    grown = found["grown_mb"]
    half = grown[len(grown) // 2] if grown else 0.0
    text = (
        f"A song of {SONG_S / 60.0:.0f} min, {RATE_HZ} Hz, stereo; the place has 6 s, 2 s in front and 0.1 s behind. "
        f"Wanted: a turn within {WANTED_MS:.0f} ms (95th percentile), sound within {WANTED_FIRST_S:.0f} s of opening, "
        f"less than {WANTED_MB:.0f} MB.\n\n"
        + table(("what", "times", "median ms", "95th percentile ms", "longest ms"), rows)
        + "\n\n"
        + table(("turned", "median CPU ms", "longest CPU ms"), settings)
        + f"\n\nFirst sound of the mix {found['first_sound_s']:.2f} s after opening; measured in "
        f"{found['measured_s']:.1f} s; verified on the whole song in "
        f"{', '.join(f'{s:.1f}' for s in found['verified_s'])} s (the first makes what the others find). Peak memory "
        f"{found['peak_mb']:.0f} MB. Over {found['many']} turns resident memory had grown by {half:.0f} MB half way "
        f"and by {grown[-1] if grown else 0.0:.0f} MB at the end."
    )
    if "work" in parts:
        peaks = [(name, round(mb)) for name, mb in parts["work"]["peaks_mb"].items()]
        text += (
            "\n\nThe most memory that the process ever had by then, while the place was turned, estimated and verified "
            "four times during the search:\n\n" + table(("after", "peak MB"), peaks)
        )
    if "heard" in parts:
        import desk_in_browser

        text += "\n\n" + desk_in_browser.said(parts["heard"], WANTED_MS)
    return text


if __name__ == "__main__":
    main()
