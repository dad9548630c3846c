"""What does a catalogue cost beside its tracks: time and memory of the process that hands out, files, a restart?

Fresh processes for each number of tracks. First the command line on 50, 100 and 200 mixes of 4 s that need a gain
only, two at a time. Then the one who hands out alone, with thousands of tracks (links to one mix) whose results come at
once: what it costs is not covered by what a track costs, so lines can be fitted and followed to 100,000.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from bench_suggest import timed
from report import machine, save, table

RATE_HZ, SECONDS = 44100, 4.0
CATALOGUE = 100_000
SONG_S, SEARCH_CPU_S, SEARCH_GB = 240.0, 104.0, 1.0  # of `results/suggest.md`
ASKED = ["--lufs", "-18", "--no-log", "--json"]


def mixes(folder: Path, count: int, linked: bool) -> None:
    """In a child: mixes of 4 s, all different, or links to one."""
    from autochain.audio.files import write_wav
    from autochain.demo import make_demo

    folder.mkdir()
    song = make_demo("dense_rock", RATE_HZ, 12.0, 1)
    for place in range(count):
        path = folder / f"{place:06d}.wav"
        if linked and place:
            os.link(folder / "000000.wav", path)
        else:
            begin = place * 997 % round((12.0 - SECONDS) * RATE_HZ)
            write_wav(path, song[begin : begin + round(SECONDS * RATE_HZ)], RATE_HZ, seed=place)
            os.utime(path, ns=(10**18, 10**18))  # old enough that what is heard of it is kept


def alone(folder: Path, resume: bool) -> None:
    """In a child: the one who hands out, with results that come at once; prints what it took."""
    import resource
    from dataclasses import replace

    from autochain.album import record as records
    from autochain.album.as_json import to_json
    from autochain.album.job import Failure, Finished, Job, carry_out
    from autochain.album.report import OVERVIEW_FILES, to_html, to_markdown
    from autochain.album.run import AlbumPlan, run
    from autochain.album.tracks import find_tracks
    from autochain.audio.files import check_output, write_text
    from autochain.config import read_config
    from autochain.solve.decisions import Decisions

    def at_once(left: Sequence[Job], _: object) -> Iterator[tuple[Job, Finished | Failure]]:
        one = carry_out(left[0]) if left else None
        for job in left:
            assert isinstance(one, Finished)
            sheets = records.track_file_names(job.stem)[1:]
            named = dict(zip(sheets, one.texts.values(), strict=True))
            files = dict(zip(named, one.record.files.values(), strict=True))
            title = " / ".join(job.titles)
            record = one.record.model_copy(update={"request": job.request, "title": title, "files": files})
            yield job, replace(one, record=record, texts=named)

    config, silent = read_config(None, {"target": {"lufs": -18.0}}), lambda phase, done: None
    out, start, cpu = folder / "out", time.perf_counter(), time.process_time()
    base_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    tracks = find_tracks([folder / "mixes"])
    sources = tuple(path for track in tracks for path in track.paths)
    names = [name for track in tracks for name in records.track_file_names(track.stem)]
    check_output(out, [*OVERVIEW_FILES, *names], resume, sources)
    plan = AlbumPlan(tracks=tracks, policy="same", config=config, decisions=Decisions(), out=out, resume=resume)
    album = run(plan, silent, None, at_once)
    for name, text in zip(OVERVIEW_FILES, (to_markdown(album), to_html(album), to_json(album)), strict=True):
        write_text(out / name, text, True, sources)
    peak_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, all_cpu = time.perf_counter() - start, time.process_time() - cpu
    took = {
        "wall_s": wall,
        "cpu_s": all_cpu,
        "redone": album.redone,
        "base_mb": base_kib / 1e3,
        "peak_mb": peak_kib / 1e3,
    }
    print(json.dumps(took))


def child(*arguments: str) -> str:
    """Standard output of this file run with arguments."""
    command = [sys.executable, __file__, *arguments]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def slope(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Least-squares line through points: value at none, and per track."""
    n = len(points)
    mean_x, mean_y = (sum(p[k] for p in points) / n for k in (0, 1))
    per = sum((x - mean_x) * (y - mean_y) for x, y in points) / sum((x - mean_x) ** 2 for x, _ in points)
    return mean_y - per * mean_x, per


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--real", type=int, nargs="*", default=[50, 100, 200])
    parser.add_argument("--alone", type=int, nargs="*", default=[500, 1000, 2000, 4000])
    parser.add_argument("--kept", type=Path, help="runs are kept here, and taken from here when it is started again")
    parser.add_argument("--mixes", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--run-alone", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--hear", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.mixes:
        mixes(Path(args.mixes[0]), int(args.mixes[1]), args.mixes[2] == "linked")
        return
    if args.run_alone:
        alone(Path(args.run_alone[0]), args.run_alone[1] == "resume")
        return
    if args.hear:
        hear(args.hear)
        return
    where = machine()
    kept = {(kind, count): value for line in read_kept(args.kept) for kind, count, value in [json.loads(line)]}

    def once(kind: str, count: int) -> dict[str, Any]:
        if (kind, count) not in kept:
            run = {"real": real_run, "alone": alone_run, "song": four_minutes}[kind]
            kept[kind, count] = run(count)
            if args.kept:
                with args.kept.open("a", encoding="utf-8") as file:
                    file.write(json.dumps([kind, count, kept[kind, count]]) + "\n")
        found: dict[str, Any] = kept[kind, count]
        return found

    song = once("song", 1)
    bare = [once("alone", count) for count in args.alone]
    real = [once("real", count) for count in args.real]
    if len(bare) > 1:
        report(where, real, bare, song)


def read_kept(path: Path | None) -> list[str]:
    """Runs that were kept, one a line."""
    return path.read_text(encoding="utf-8").splitlines() if path and path.exists() else []


def real_run(count: int) -> dict[str, Any]:
    """The command line on so many mixes, then again with all done."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        child("--mixes", str(folder / "mixes"), str(count), "different")
        out = folder / "out"
        asked = [sys.executable, "-m", "autochain", "album", str(folder / "mixes"), "-o", str(out), *ASKED]
        whole = timed([*asked, "--jobs", "2"])
        sizes = written(out)
        again = timed([*asked, "--jobs", "2", "--resume"])
    return {"tracks": count, "whole": whole, "again": again, **sizes}


def alone_run(count: int) -> dict[str, Any]:
    """The one who hands out, with results that come at once, then again with all done."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        child("--mixes", str(folder / "mixes"), str(count), "linked")
        first = json.loads(child("--run-alone", str(folder), "anew"))
        again = json.loads(child("--run-alone", str(folder), "resume"))
        sizes = written(folder / "out")
    assert (first["redone"], again["redone"]) == (count, 0)
    return {"tracks": count, "whole": first, "again": again, **sizes}


def written(out: Path) -> dict[str, float]:
    """MB of the files of an album by what they are."""

    def mb(pattern: str) -> float:
        return sum(path.stat().st_size for path in out.glob(pattern)) / 1e6

    return {"sheets_mb": mb("*.sheet.*"), "records_mb": mb("*.track.json"), "overview_mb": mb("album.*")}


def four_minutes(count: int) -> dict[str, float]:
    """Files of one track of four minutes that is searched, and what its measurement takes."""
    with tempfile.TemporaryDirectory() as place:
        mix, out = Path(place, "mixes", "song.wav"), Path(place, "out")
        mix.parent.mkdir()
        subprocess.run(
            [
                sys.executable,
                str(Path(__file__).with_name("bench_suggest.py")),
                "--make",
                str(mix),
                "--seconds",
                f"{SONG_S:g}",
            ],
            check=True,
        )
        asked = [sys.executable, "-m", "autochain", "album", str(mix), "-o", str(out), "--no-log", "--budget", "8"]
        subprocess.run(asked, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        sizes, mix_mb = written(out), mix.stat().st_size / 1e6
        heard = float(child("--hear", str(mix)))
    return {**sizes, "mix_mb": mix_mb, "hear_cpu_s": heard}


def hear(path: Path) -> None:
    """In a child: CPU time of measuring a mix as the album does first, once its code is loaded."""
    from autochain.album.job import HeardMix, hear

    hear((path,))
    start = time.process_time()
    if not isinstance(hear((path,)), HeardMix):
        raise SystemExit(f"{path} could not be heard")
    print(time.process_time() - start)


def report(where: Any, real: list[dict[str, Any]], bare: list[dict[str, Any]], song: dict[str, float]) -> None:
    """Tables, lines and what they come to."""

    def line(runs: list[dict[str, Any]], *keys: str) -> tuple[float, float]:
        points = []
        for run in runs:
            value: Any = run
            for key in keys:
                value = value[key]
            points.append((float(run["tracks"]), float(value)))
        return slope(points)

    first, again = line(bare, "whole", "cpu_s"), line(bare, "again", "cpu_s")
    memory = max(line(bare, "whole", "peak_mb")[1], line(bare, "again", "peak_mb")[1])
    base = min(run["whole"]["base_mb"] for run in bare)
    last = {key: slope([(r["tracks"], r[key]["cpu_s"]) for r in bare[-2:]])[1] for key in ("whole", "again")}
    per_sheet = song["sheets_mb"] + song["records_mb"]
    hear_h, search_h = CATALOGUE * song["hear_cpu_s"] / 3600.0, CATALOGUE * SEARCH_CPU_S / 3600.0
    paper = [
        ("mixes", f"{CATALOGUE * song['mix_mb'] / 1e6:.1f} TB, {song['mix_mb']:.0f} MB each"),
        (
            "reading and measuring them",
            f"{hear_h:.0f} core hours on the machine that asks, {song['hear_cpu_s']:.2f} s each",
        ),
        ("searching", f"{search_h:.0f} core hours, {SEARCH_CPU_S:g} s each (results/suggest.md)"),
        ("on 100 cores", f"{search_h / 100.0 / 24.0:.1f} days"),
        (
            "the one who hands out",
            f"{(first[0] + CATALOGUE * first[1]) / 3600.0:.2f} core hours, {1e3 * first[1]:.1f} ms each",
        ),
        ("its memory", f"{(base + CATALOGUE * memory) / 1e3:.2f} GB, {1e3 * memory:.1f} kB each over {base:.0f} MB"),
        ("memory of a worker", f"{SEARCH_GB:g} GB"),
        ("sheets and records", f"{CATALOGUE * per_sheet / 1e3:.0f} GB, {1e3 * per_sheet:.0f} kB each"),
        ("album.json", f"{CATALOGUE * line(bare, 'overview_mb')[1]:.0f} MB"),
        (
            "a restart with all done",
            f"{(again[0] + CATALOGUE * again[1]) / 60.0:.1f} core minutes, {1e3 * again[1]:.2f} ms each",
        ),
    ]
    head = [
        "tracks",
        "wall s",
        "CPU s",
        "peak MB",
        "again, wall s",
        "again, CPU s",
        "again, peak MB",
        "sheets MB",
        "records MB",
        "overview MB",
    ]

    def rows(runs: list[dict[str, Any]]) -> Iterator[tuple[Any, ...]]:
        for r in runs:
            peaks = [r[k].get("peak_mb", 1e3 * r[k].get("peak_gb", 0.0)) for k in ("whole", "again")]
            yield (
                r["tracks"],
                r["whole"]["wall_s"],
                r["whole"]["cpu_s"],
                peaks[0],
                r["again"]["wall_s"],
                r["again"]["cpu_s"],
                peaks[1],
                r["sheets_mb"],
                r["records_mb"],
                r["overview_mb"],
            )

    text = "\n\n".join(
        [
            "The command line; mixes of 4 s that need a gain only, two at a time (CPU of all processes, peak of one):",
            table(head, rows(real)),
            "The one who hands out alone, results come at once; hearing the mixes of 4 s is in it:",
            table(head, rows(bare)),
            f"{CATALOGUE} songs of four minutes, by the lines through the second table and one such song:",
            table(["", ""], paper),
            f"Is it linear? CPU ms a track by all numbers of the second table and by its last two: "
            f"{1e3 * first[1]:.2f} and {1e3 * last['whole']:.2f}; with all done "
            f"{1e3 * again[1]:.2f} and {1e3 * last['again']:.2f}.",
        ]
    )
    save(
        "catalogue",
        "What does a catalogue cost beside its tracks?",
        where,
        {"real": real, "alone": bare, "song": song},
        text,
    )


if __name__ == "__main__":
    main()
