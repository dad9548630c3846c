"""What becomes of hostile files, of ceilings under attack and of runs that are killed? One question: does it hold?

Parts, by name on the command line; all of them without:

- `sounds`, `sheets`, `configurations`, `lists`, `tools`: hypothesis seeds the generators of `tests/hostile`.
- `bounces`: the same for what is read from a tool's bounces, a fiftieth as many: each takes a second.
- `desk`: requests to the desk, from strangers and from broken pages.
- `ceilings`: hypothesis searches sounds and settings whose master would pass the ceiling.
- `kills`: suggest, curve, album, render and desk, ended by a signal at random moments, then gone on with.
- `growth`: suggestions in one process, and what it holds after them.
- `load`: 200 short tracks in one album, and a mix at 192 kHz, each by the command in a process of its own.

What was found is written as it comes. A part that was stopped goes on where it was with `--go-on`.
"""

import argparse
import hashlib
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain
from pathlib import Path
from random import Random
from typing import Any

import hypothesis
import numpy as np
import soundfile
from desk_killed import GoneError, work_on_a_song
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from report import RESULTS, machine, save, table

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from autochain.audio.signals import pink_noise
from autochain.resources import resource
from tests.hostile.bounces import bounces_became
from tests.hostile.ceilings import held, hostile_master
from tests.hostile.documents import hostile_configuration, hostile_list, hostile_sheet, hostile_tool
from tests.hostile.outcomes import (
    REFUSED,
    RIGHT,
    outcome,
    take_configuration,
    take_list,
    take_sheet,
    take_sound,
    take_tool,
)
from tests.hostile.requests import HostileDesk
from tests.hostile.sounds import hostile_sound

RATE_HZ = 44100
_PORTION = 500
_LOOK_S = 0.02
_TRACKS = 200
_TOLD_APART = ("growth", "load")  # what has no outcomes to count
_SHEET = Path(__file__).resolve().parent.parent / "tests" / "hostile" / "sheet.json"
_QUICK = "[search]\nbudget = 4\n[search.excerpts]\ncount = 1\nlength_s = 3.2\npreroll_s = 0.0\n"


def driven(cases: int, do: Callable[[Random], str], done: int = 0) -> Iterator[Counter[str]]:
    """Outcomes of so many cases that hypothesis makes, in portions, each with a seed of its own; from `done` on."""
    for first in range(done, cases, _PORTION):
        yield _portion(min(_PORTION, cases - first), do, 1 + first // _PORTION)


def _portion(cases: int, do: Callable[[Random], str], seed: int) -> Counter[str]:
    found: Counter[str] = Counter()

    @hypothesis.seed(seed)
    @settings(max_examples=cases, deadline=None, database=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.integers(0, 2**64 - 1))
    def one(seed: int) -> None:
        found[do(Random(seed))] += 1

    one()
    return found


def fuzzed(name: str, cases: int, folder: Path, done: int) -> Iterator[Counter[str]]:
    """Outcomes of one generator, in portions."""
    sheet = json.loads(_SHEET.read_text(encoding="utf-8"))
    values = tomllib.loads(resource("configs", "default.toml").read_text(encoding="utf-8"))

    def do(chance: Random) -> str:
        suffix, take = ".toml", take_configuration
        if name == "sounds":
            kind, data, _ = hostile_sound(chance)
            suffix, take = f".{kind}", take_sound
        elif name == "sheets":
            data, suffix, take = hostile_sheet(sheet, chance), ".json", take_sheet
        elif name == "configurations":
            data = hostile_configuration(values, chance)
        elif name == "tools":
            data, take = hostile_tool(chance), take_tool
        else:
            data, take = hostile_list(chance), take_list
        path = folder / f"hostile{suffix}"
        path.write_bytes(data)
        try:
            return outcome(take, path)
        finally:
            path.unlink()

    return driven(cases, do, done)


def hashes(folder: Path) -> dict[str, str]:
    """Every file that is not hidden, by its hash."""
    seen = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts):
            seen[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    return seen


def commands(folder: Path) -> Iterator[tuple[str, list[str], list[str]]]:
    """Name, arguments without the folder of the results, and what is added to go on."""
    mixes = folder / "mixes"
    mixes.mkdir()
    for name, seed in (("one", 1), ("two", 2)):
        sound = pink_noise(5.0, RATE_HZ, -20.0) * np.linspace(0.5, 1.0, 5 * RATE_HZ)[:, None] * (1.0 + 0.1 * seed)
        soundfile.write(mixes / f"{name}.wav", sound.astype(np.float32), RATE_HZ, subtype="FLOAT")
    plan = folder / "quick.toml"
    plan.write_text(_QUICK, encoding="utf-8")
    one, quick = str(mixes / "one.wav"), ["--config", str(plan), "--lufs", "-12"]
    yield "suggest", ["suggest", one, *quick, "--preview", "--no-log"], ["--resume"]
    yield "curve", ["curve", one, "--config", str(plan), "--from", "-14", "--to", "-13"], []
    yield "album", ["album", str(mixes), *quick, "--masters", "--no-log"], ["--resume"]
    sheet = folder / "sheets"
    run(["suggest", one, *quick, "--no-log", "-o", str(sheet)]).communicate()
    own = str(sheet / "one.sheet.json")
    yield "render", ["render", one, "--sheet", own, "--also", "flac24", "--also", "mp3:192", "--no-log"], []


def run(arguments: list[str]) -> "subprocess.Popen[str]":
    """Start a command."""
    told = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path[:1])}
    command = [sys.executable, "-m", "autochain", *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=told)


def killed(moments: int, folder: Path, done: Counter[str]) -> Iterator[Counter[str]]:
    """Outcome of every run that was ended at a random moment and then gone on with."""
    chance = random.Random(1)
    for name, arguments, more in commands(folder):
        sources = hashes(folder / "mixes")
        straight = folder / f"{name}-straight"
        took_s = 0.0
        process = run([*arguments, "-o", str(straight)])
        while process.poll() is None:
            took_s = max(took_s, spent_s(process.pid))
            time.sleep(_LOOK_S)
        wanted = hashes(straight)
        before = sum(count for what, count in done.items() if what.startswith(f"{name}: "))
        for turn in range(moments):
            moment_s, ended_by = _moment(took_s, chance)
            if turn < before:
                continue
            out = folder / "out"
            shutil.rmtree(out, ignore_errors=True)
            process = run([*arguments, "-o", str(out)])
            while process.poll() is None and spent_s(process.pid) < moment_s:
                time.sleep(_LOOK_S)
            process.send_signal(ended_by)
            _, said = process.communicate()
            outcome = _afterwards(out, wanted, arguments, more, said)
            if hashes(folder / "mixes") != sources:
                outcome = "a source was changed"
            yield Counter([f"{name}: {outcome}"])


def _moment(took_s: float, chance: random.Random) -> tuple[float, signal.Signals]:
    """After how much processor time a run ends, and by what; half of the moments lie where files are written."""
    moment_s = took_s * chance.choice((chance.uniform(0.1, 1.0), chance.uniform(0.65, 1.05)))
    return moment_s, chance.choice((signal.SIGINT, signal.SIGTERM, signal.SIGKILL))


def killed_desk(moments: int, folder: Path, done: Counter[str]) -> Iterator[Counter[str]]:
    """The same for a desk on which a song is searched, kept and delivered: the next desk goes on where it was."""
    chance = random.Random(2)
    mixes, plan = folder / "mixes", folder / "quick.toml"
    sources = hashes(mixes)
    desk = ["desk", str(mixes / "one.wav"), "--config", str(plan), "--no-browser", "-o"]
    straight, out = folder / "desk-straight", folder / "out"
    process, _ = _working(desk, straight)
    took_s = spent_s(process.pid)
    _end(process, signal.SIGINT)
    wanted = _of_a_desk(straight)
    before = sum(count for what, count in done.items() if what.startswith("desk: "))
    for turn in range(moments):
        moment_s, ended_by = _moment(took_s, chance)
        if turn < before:
            continue
        shutil.rmtree(out, ignore_errors=True)
        process, _ = _working(desk, out, moment_s)
        said = _end(process, ended_by)
        there = _of_a_desk(out)
        torn = [name for name, own in there.items() if wanted.get(name) != own and not name.endswith(".journal.jsonl")]
        process, outcome = _working(desk, out)
        said += _end(process, signal.SIGINT)
        left = [path.name for path in out.rglob(".*") if path.suffix in (".part", ".lock")]
        if "Traceback" in said:
            outcome = f"a traceback: {said[-200:]}"
        elif torn or left:
            outcome = f"not whole: {torn}, left: {left}"
        elif outcome == RIGHT and _of_a_desk(out) != wanted:
            outcome = f"another result: {sorted(set(_of_a_desk(out).items()) ^ set(wanted.items()))}"
        elif hashes(mixes) != sources:
            outcome = "a source was changed"
        yield Counter([f"desk: {outcome}"])


def _working(desk: list[str], out: Path, until_s: float = math.inf) -> "tuple[subprocess.Popen[str], str]":
    """A desk, and what became of the work on its song; given back before that, where so much time was spent."""
    process = run([*desk, str(out)])
    assert process.stdout is not None
    address, became = process.stdout.readline().strip(), [RIGHT]

    def work() -> None:
        try:
            work_on_a_song(address, out, "one")
        except (GoneError, RuntimeError) as error:
            became[0] = f"{type(error).__name__}: {error}"

    working = threading.Thread(target=work)
    working.start()
    while working.is_alive() and spent_s(process.pid) < until_s:
        time.sleep(_LOOK_S)
    if until_s == math.inf:
        working.join()
    return process, became[0]


def _end(process: "subprocess.Popen[str]", by: signal.Signals) -> str:
    """End it, and give its last words."""
    process.send_signal(by)
    return process.communicate()[1]


def _of_a_desk(out: Path) -> dict[str, str]:
    """Its files by their hashes; where the hand stands goes with the moment, and has to be readable."""
    found = hashes(out)
    for name in list(found):
        if name.endswith("hand.json"):
            json.loads((out / name).read_bytes())
            del found[name]
    return found


def spent_s(process: int) -> float:
    """Processor time of a process and its children: of a loaded machine, clocks say little of how far a run is."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        children = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii").split()
    except OSError:
        return 0.0
    own = sum(map(int, stat[11:15])) / os.sysconf("SC_CLK_TCK")
    return own + sum(spent_s(int(child)) for child in children)


def _afterwards(out: Path, wanted: dict[str, str], arguments: list[str], more: list[str], said: str) -> str:
    """What is there after a kill, and after the run was gone on with."""
    if "Traceback" in said:
        return f"a traceback: {said[-200:]}"
    there = hashes(out) if out.exists() else {}
    stopped = "best so far" in said  # its sheet is another, and whole
    for file, own in there.items():
        ours = file in wanted or file.endswith(".journal.jsonl")
        whole = stopped or wanted.get(file) == own or file.endswith((".journal.jsonl", "album.html", "album.md"))
        if not ours or not whole:
            return f"{file} is there and not whole"
    again = run([*arguments, "-o", str(out), *(more if there or out.exists() else [])])
    _, words = again.communicate()
    complete = "nothing is left to go on with" in words or ("exists already" in words and there == wanted)
    if again.returncode not in (0, 3) and not complete:
        return f"not gone on with: {words[-200:]}"
    left = [path.name for path in out.rglob(".*") if path.suffix in (".part", ".lock")]
    if left:
        return f"left: {left}"
    others = sorted(set(hashes(out).items()) ^ set(wanted.items()))
    return RIGHT if not others else f"another result: {others}"


def grown(suggestions: int, folder: Path) -> Iterator[dict[str, Any]]:
    """Memory of one process over many suggestions, in MB after a tenth of them and after all, told now and then."""
    from autochain import suggest

    mix = folder / "mix.wav"
    soundfile.write(mix, pink_noise(4.0, RATE_HZ, -20.0).astype(np.float32), RATE_HZ, subtype="FLOAT")
    plan = folder / "quick.toml"
    plan.write_text(_QUICK, encoding="utf-8")
    held_mb = []
    for done in range(suggestions):
        suggest(mix, lufs=-12.0, config=plan, seed=done % 7)
        lines = (line.split() for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines())
        held_mb.append(next(int(line[1]) for line in lines if line[0] == "RssAnon:") / 1000.0)
        if done + 1 in (suggestions, suggestions // 2) or done % 50 == 49:
            tenth = max(1, (done + 1) // 10)
            early, late = (float(np.median(part)) for part in (held_mb[tenth : 2 * tenth + 1], held_mb[-tenth:]))
            yield {"suggestions": done + 1, "early_mb": early, "late_mb": late}


def loaded(folder: Path) -> Iterator[dict[str, Any]]:
    """An album of many tracks at a loudness that gain alone reaches, and a search at the highest rate."""
    mixes, plan = folder / "many", folder / "quick.toml"
    mixes.mkdir()
    plan.write_text(_QUICK, encoding="utf-8")
    sound = pink_noise(3.2, RATE_HZ, -20.0).astype(np.float32)
    for k in range(_TRACKS):
        soundfile.write(mixes / f"{k:03d}.wav", (0.3 + 0.001 * k) * np.roll(sound, 137 * k, axis=0), RATE_HZ)
    album = _watched(["album", str(mixes), "--lufs", "-25", "--no-log", "-o", str(folder / "album")])
    tracks = json.loads((folder / "album" / "album.json").read_text(encoding="utf-8"))["tracks"]
    yield {"tracks": {"asked": _TRACKS, "met": sum(bool(one.get("met")) for one in tracks), **album}}
    fast = folder / "fast.wav"
    soundfile.write(fast, pink_noise(5.0, 192_000, -20.0).astype(np.float32), 192_000, subtype="FLOAT")
    asked = ["suggest", str(fast), "--config", str(plan), "--lufs", "-12", "--no-log", "-o", str(folder / "fast")]
    once, again = (_watched([*asked, "--force"]) for _ in range(2))
    master = ["render", str(fast), "--sheet", str(folder / "fast" / "fast.sheet.json"), "--no-log"]
    yield {"192 kHz": {**once, "again_cpu_s": again["cpu_s"], "render": _watched([*master, "-o", str(folder / "out")])}}


def _watched(arguments: list[str]) -> dict[str, Any]:
    """Exit code, processor time and most memory of a command and its children."""
    process = run(arguments)
    reading = threading.Thread(target=process.communicate)
    reading.start()
    spent, most_mb = 0.0, 0.0
    while process.poll() is None:
        spent = max(spent, spent_s(process.pid))
        most_mb = max(most_mb, held_mb(process.pid))
        time.sleep(_LOOK_S)
    reading.join()
    return {"code": process.returncode, "cpu_s": round(spent, 1), "most_mb": round(most_mb)}


def held_mb(process: int) -> float:
    """Memory of a process and its children together, in MB; pages that they share are counted in each."""
    try:
        lines = (line.split() for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines())
        own = next((int(line[1]) for line in lines if line[0] == "VmRSS:"), 0) / 1000.0
        children = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii").split()
    except OSError:
        return 0.0
    return own + sum(held_mb(int(child)) for child in children)


def main() -> None:
    """Run the parts that are asked for and write what became of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    fuzzing = ("sounds", "sheets", "configurations", "lists", "tools", "bounces", "desk")
    parts = (*fuzzing, "ceilings", "kills", "growth", "load")
    parser.add_argument("parts", nargs="*", help=", ".join(parts))
    parser.add_argument("--cases", type=int, default=10_000, help="of each generator")
    parser.add_argument("--moments", type=int, default=50, help="at which each command is ended")
    parser.add_argument("--suggestions", type=int, default=500)
    parser.add_argument("--go-on", action="store_true", help="with parts that were stopped")
    asked = parser.parse_args()
    kept, where = RESULTS / "reliability.json", machine()
    before = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else {}
    results: dict[str, Any] = before.get("parts", {})
    for name in asked.parts or parts:
        own = results.get(name, {}) if asked.go_on and name not in _TOLD_APART else {}
        known, spent = Counter(own.get("figures", {})), own.get("cpu_s", 0.0)
        began = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            loads: dict[str, Any] = {}
            for one in _part(name, asked, Path(folder), known.copy()):
                known = known if name in _TOLD_APART else known + one
                figures = {**loads, **one} if name in _TOLD_APART else dict(known)
                loads = figures if name == "load" else {}
                results[name] = {"figures": figures, "cpu_s": round(spent + time.process_time() - began, 1)}
                save("reliability", "Does it hold?", where, {"parts": results}, _table(results))


def _part(name: str, asked: argparse.Namespace, folder: Path, known: Counter[str]) -> Iterator[Any]:
    """Outcomes as they come, or facts of what is told apart; `known` are those of a run that was stopped."""
    if name == "kills":
        return chain(killed(asked.moments, folder, known), killed_desk(asked.moments, folder, known))
    if name == "growth":
        return grown(asked.suggestions, folder)
    if name == "load":
        return loaded(folder)
    if name == "bounces":
        return driven(asked.cases // 50, partial(bounces_became, file=folder / "hostile.tool.toml"), known.total())
    if name == "desk":
        return driven(asked.cases, HostileDesk(folder).outcome, known.total())
    if name == "ceilings":
        return driven(asked.cases, lambda chance: held(*hostile_master(chance)), known.total())
    return fuzzed(name, asked.cases, folder, known.total())


def _table(results: dict[str, Any]) -> str:
    rows = []
    for name, one in results.items():
        figures = one["figures"]
        if name in _TOLD_APART:
            continue
        right = sum(n for what, n in figures.items() if what.split(": ")[-1] == RIGHT)
        refused, cases = figures.get(REFUSED, 0), sum(figures.values())
        rows.append((name, cases, right, refused, cases - right - refused))
    lines = [table(("part", "cases", "right", "refused with the reason", "anything else"), rows)]
    if "growth" in results:
        grew = results["growth"]["figures"]
        lines += ["", f"{grew['suggestions']} suggestions in one process: {grew['early_mb']:.0f} MB of memory after a "
                  f"tenth of them, {grew['late_mb']:.0f} MB at the end."]  # fmt: skip
    load = results.get("load", {}).get("figures", {})
    if "tracks" in load:
        one = load["tracks"]
        lines += ["", f"An album of {one['asked']} short tracks: exit code {one['code']}, {one['met']} reached their "
                  f"loudness; {one['cpu_s']:.0f} s of processor time, {one['most_mb']} MB of "
                  "memory in all processes together."]  # fmt: skip
    if "192 kHz" in load:
        one = load["192 kHz"]
        lines += ["", f"A mix of 5 s at 192 kHz: suggest ends with {one['code']} ({one['most_mb']} MB), render with "
                  f"{one['render']['code']} ({one['render']['most_mb']} MB)."]  # fmt: skip
    return "\n".join(lines)


if __name__ == "__main__":
    main()
