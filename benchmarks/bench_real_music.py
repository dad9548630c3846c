"""What does `check` say of real recordings, is it true, and does it find what is done to them?

`heard FOLDER` lets `autochain check --json` read the recordings of a folder as they are, and excerpts of them with
known damage, and keeps what was said. `tell NAME=FILE...` holds such runs against the places that were looked at
(`real_music/*.toml`) and against the damage, and writes `results/real_music.md`.
"""

import argparse
import json
import math
import re
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import scipy.signal
import soundfile
from bench_check import wilson
from defects import Damage, Hurt, Sound, clicks, clipped, dropouts, ends, hum, jump, louder_side, offset
from injected_resonances import lift
from real_recordings import Place, file_hash, places, recordings
from report import RESULTS, machine, save, table

EXCERPT_S = 45.0
# How far a reported place may lie from the true one.
TOLERANCE_S = {"click": 0.005, "dropout": 0.02, "level_jump": 0.5}
TOLERANCE_OCTAVES = 1.0 / 6.0
LOOKED_AT = ("click", "dropout", "level_jump", "resonance")
Q = 8.0
LOWEST_HZ, HIGHEST_HZ = 2000.0, 9000.0
# Written below the tables, by hand.
_LEFT = """Rotations and tilts of these recordings: `rotation_tone.md`; claims of `compare`: `compare_real.md`.

Looked at and left:

- Clicks of three and four samples in recordings that reach high up to half the rate (20, 22, 24, 26, 28) are mostly no
  candidates: their slopes are those of the music. Without these five the half held back has 0.90 of 240. A lower limit
  for candidates gains one or two points of a hundred and makes note attacks into clicks.
- Hum at -45 dBFS is not found where the music within 5 Hz of its lines is louder for most of the time (14, 18, 22, 24,
  26). The median over the half of the windows in which its neighbours are lowest finds 27 of 30 on the half chosen on
  instead of 25, but also a hum of -34 dBFS in a rock recording that has none: not taken.
- Steps of 4 dB in both channels, in the same five recordings as the clicks, leave no spike that stands out, and their
  levels move as much by themselves.
- One place of recording 20 is told as a jump in one channel, by its levels: the band comes in there. It is a remark.
- A row of harmonics at 2 kHz in recording 28 passes for a resonance that is certain. It sends nothing back; a cut of
  1 dB would be tried, and kept where it measures."""
_AT_HZ = re.compile(r"at ([\d.,]+) ?Hz")  # older reports say the frequency only in words


def resonance(gain_db: float) -> Hurt:
    """A bell of q 8 somewhere from 2 kHz up, as far as the recording has something there."""

    def hurt(sound: Sound, rate_hz: int, rng: np.random.Generator) -> tuple[Sound, list[Damage]]:
        freq_hz, power = scipy.signal.welch(sound.mean(axis=1), rate_hz, nperseg=8192)
        level_db = 10.0 * np.log10(np.maximum(power, 1e-30))
        # 30 dB under the level about 2 kHz and less: nothing there that a bell could lift to be heard.
        middle = np.median(level_db[(freq_hz > 1500.0) & (freq_hz < 3000.0)])
        there = freq_hz[(level_db > middle - 30.0) & (freq_hz > LOWEST_HZ) & (freq_hz < HIGHEST_HZ)]
        top = float(np.quantile(there, 0.95)) if there.size else LOWEST_HZ * 1.5
        at_hz = float(np.exp(rng.uniform(math.log(LOWEST_HZ * 1.05), math.log(max(top, LOWEST_HZ * 1.2)))))
        damage = Damage("resonance", f"{gain_db:g} dB, q {Q:g}, from 2 kHz up", at_hz)
        return lift(sound, rate_hz, at_hz, gain_db, Q, "stereo", None), [damage]

    return hurt


# Damage, its aim of recall, and how many times a recording gets it, each with dice of its own.
KINDS: list[tuple[Hurt, float, int]] = [
    *((clicks(20, width), 0.9, 1) for width in (1, 2, 3, 4)), (dropouts(20, 200), 0.9, 1),
    (hum(50, -45), 0.9, 1), (hum(60, -45), 0.9, 1), (offset(-40), 0.9, 1), (louder_side(3), 0.9, 2),
    (ends("end cut off"), 0.9, 1), (clipped(2), 0.9, 1), (jump(4), 0.75, 4),
    (resonance(6), 0.5, 4), (resonance(8), 0.8, 4),
]  # fmt: skip


def excerpt(path: Path) -> tuple[Sound, int]:
    """45 s from the second quarter of a recording on, faded at its ends, and its rate; two channels."""
    sound, rate_hz = soundfile.read(path, always_2d=True)
    length = round(EXCERPT_S * rate_hz)
    start = max(0, min(len(sound) // 4, len(sound) - length))
    part = sound[start : start + length].copy()
    fade = np.hanning(2 * rate_hz + 1)[:rate_hz, None]
    part[:rate_hz] *= fade
    part[-rate_hz:] *= fade[::-1]
    return part, rate_hz


def checked(python: str, files: list[Path]) -> dict[str, Any]:
    """What the command says, by file."""
    command = [python, "-m", "autochain", "check", "--json", *map(str, files)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    if ran.returncode:
        raise SystemExit(ran.stderr)
    return {one["file"]: one for one in json.loads(ran.stdout)}


def brief(one: dict[str, Any]) -> dict[str, Any]:
    """Verdict, and of every finding what is judged here."""
    findings = []
    for finding in one["findings"]:
        freq_hz, words = finding.get("freq_hz"), _AT_HZ.search(finding["text"])
        if finding["code"] == "resonance" and freq_hz is None and words:
            freq_hz = float(words[1].replace(",", ""))
        findings.append(
            {
                "code": finding["code"], "value": finding["value"], "times_s": finding["times_s"], "freq_hz": freq_hz,
                "sends_back": finding.get("sends_back"), "certainty": finding.get("certainty"),
            }
        )  # fmt: skip
    return {"verdict": one["verdict"], "findings": findings}


def hear(number: int, path: Path, python: str) -> dict[str, Any]:
    """Reports on one recording as it is and with damage."""
    told: dict[str, Any] = {"recording": number, "sha256": file_hash(path)}
    (told["whole"],) = map(brief, checked(python, [path]).values())
    sound, rate_hz = excerpt(path)
    with tempfile.TemporaryDirectory() as folder:
        truth: dict[str, list[Damage]] = {}
        _write(Path(folder) / "clean.wav", sound, rate_hz)
        for place, (hurt, _, times) in enumerate(KINDS):
            for again in range(times):
                name, rng = f"{place}-{again}.wav", np.random.default_rng([number, place, again])
                damaged, truth[name] = hurt(sound, rate_hz, rng)
                _write(Path(folder) / name, damaged, rate_hz)
        said = checked(python, sorted(Path(folder).iterdir()))
    told["clean"] = brief(said["clean.wav"])
    told["damaged"] = [
        {"kind": int(name.split("-")[0]), "code": damage[0].code, "variant": damage[0].variant,
         "at": [one.at_s for one in damage], **brief(said[name])}
        for name, damage in truth.items()
    ]  # fmt: skip
    print(f"recording {number}: {told['whole']['verdict']}", file=sys.stderr)
    return told


def _write(path: Path, sound: Sound, rate_hz: int) -> None:
    """24 bit; turned down where damage would pass full scale, which would be damage of another kind."""
    soundfile.write(path, sound * min(1.0, 0.999 / max(1e-9, float(np.abs(sound).max()))), rate_hz, subtype="PCM_24")


def reports(told: dict[str, Any], code: str) -> list[float]:
    """Places that a report names for a code: s, or Hz for a resonance; NaN where it names none."""
    found = [one for one in told["findings"] if one["code"] == code]
    if code == "resonance":
        return [one["freq_hz"] for one in found if one["freq_hz"] is not None]
    return [at for one in found for at in one["times_s"] or [math.nan]]


def near(code: str, one: float, other: float) -> bool:
    """Whether two places of a code are the same."""
    if code == "resonance":
        return abs(math.log2(one / other)) <= TOLERANCE_OCTAVES
    return abs(one - other) <= TOLERANCE_S[code]


def hits(one: dict[str, Any], clean: dict[str, Any]) -> tuple[int, int]:
    """How many of the damages of one sound were told, of how many that the sound does not have by itself."""
    code, told = one["code"], reports(one, one["code"])
    if code in TOLERANCE_S or code == "resonance":
        before = reports(clean, code)
        new = [at for at in one["at"] if not any(near(code, at, had) for had in before)]
        return sum(any(near(code, at, said) for said in told) for at in new), len(new)
    # What is told of the sound as it is cannot be told apart from what was done, unless its figure moves.
    if reports(clean, code) and code not in ("imbalance", "clipped"):
        return 0, 0
    if reports(clean, code):
        figures = [[f["value"] for f in side["findings"] if f["code"] == code] for side in (one, clean)]
        return int(figures[0] != figures[1] and bool(told)), 1
    return int(bool(told)), 1


def truth_of(finding: dict[str, Any], at: float, known: Iterable[Place]) -> str:
    """Whether what a finding names at a place is so: `true`, `false`, or `unseen` where nobody looked."""
    code = finding["code"]
    if code not in LOOKED_AT:
        own = [place for place in known if place.code == code]
    else:
        where = [(place, place.freq_hz if code == "resonance" else place.at_s) for place in known if place.code == code]
        own = [place for place, there in where if there is not None and near(code, at, there)]
    return "unseen" if not own else "true" if any(place.defect for place in own) else "false"


def judged(heard: list[dict[str, Any]]) -> list[tuple[str, str | None, bool, str]]:
    """Of every place told in the recordings: code, how sure, whether it sends the mix back, and whether it is so."""
    looked_at = places()
    found = []
    for one in heard:
        known = [place for place in looked_at if place.recording == one["recording"]]
        if any(place.sha256 != one["sha256"] for place in known):
            print(f"recording {one['recording']} is another build than the one looked at", file=sys.stderr)
        for finding in one["whole"]["findings"]:
            code = finding["code"]
            at = finding["times_s"] if code in LOOKED_AT else [math.nan]
            if code == "resonance":
                at = [finding["freq_hz"]]
            found += [
                (code, finding["certainty"], bool(finding["sends_back"]), truth_of(finding, one_at, known))
                for one_at in at
            ]
    return found


def precision_rows(runs: dict[str, list[dict[str, Any]]]) -> list[list[Any]]:
    """What was told, by code and run: all, what is at least likely, and what sends a mix back."""
    rows = []
    told = {name: judged(heard) for name, heard in runs.items()}
    groups: list[tuple[str, Callable[[tuple[str, str | None, bool, str]], bool]]] = [
        *((code, lambda one, code=code: one[0] == code) for code in LOOKED_AT),
        ("click, certain or likely", lambda one: one[0] == "click" and one[1] in ("certain", "likely")),
        ("whatever sends a mix back", lambda one: one[2]),
    ]
    for title, wanted in groups:
        for name, found in told.items():
            own = Counter(one[3] for one in found if wanted(one))
            yes, n = own["true"], own["true"] + own["false"]
            if own:
                rows.append([title, name, own.total(), n, yes, f"{yes / n:.2f}" if n else "–", wilson(yes, n)])
    return rows


def recall_rows(runs: dict[str, list[dict[str, Any]]]) -> list[list[Any]]:
    """Damage found in every run, and the interval of the last."""
    found: dict[tuple[str, str, float], dict[str, list[int]]] = defaultdict(lambda: {name: [0, 0] for name in runs})
    for name, heard in runs.items():
        for one in heard:
            for damaged in one["damaged"]:
                row = found[damaged["code"], damaged["variant"], KINDS[damaged["kind"]][1]][name]
                got, n = hits(damaged, one["clean"])
                row[0] += got
                row[1] += n
    clicks_of: dict[str, list[int]] = {name: [0, 0] for name in runs}
    for (code, _, _), sides in found.items():
        if code == "click":
            for name, (got, n) in sides.items():
                clicks_of[name][0] += got
                clicks_of[name][1] += n
    found["click", "all of these", 0.9] = clicks_of
    last = list(runs)[-1]
    return [
        [code, variant, *(f"{got} of {n}" for got, n in sides.values()),
         f"{sides[last][0] / max(1, sides[last][1]):.2f}", wilson(*sides[last]), aim]
        for (code, variant, aim), sides in sorted(found.items())
    ]  # fmt: skip


def listed(told: dict[str, Any], back: bool) -> str:
    """Codes that send a mix back, or remarks."""
    return ", ".join(dict.fromkeys(f["code"] for f in told["findings"] if bool(f["sends_back"]) is back)) or "–"


def tell(runs: dict[str, list[dict[str, Any]]]) -> tuple[str, dict[str, Any]]:
    """The tables; the last run is the one that counts."""
    names = list(runs)
    precision, recall = precision_rows(runs), recall_rows(runs)
    verdicts = [
        [verdict, *(sum(one["whole"]["verdict"] == verdict for one in heard) for heard in runs.values())]
        for verdict in ("ready", "usable", "revisit")
    ]
    said = [
        [last["recording"], *(heard[place]["whole"]["verdict"] for heard in runs.values()),
         *(listed(last["whole"], back) for back in (True, False))]
        for place, last in enumerate(runs[names[-1]])
    ]  # fmt: skip
    text = "\n\n".join(
        [
            f"{len(said)} recordings, numbers {', '.join(str(row[0]) for row in said)}. Intervals: Wilson, 95 %.",
            "What is told of the recordings as they are, against the places that were looked at:",
            table(["code", "run", "places told", "of these looked at", "true", "precision", "95 %"], precision),
            f"Damage done to {EXCERPT_S:g} s of each:",
            table(["code", "damage", *(f"found {name}" for name in names), "recall", "95 %", "aim"], recall),
            "Verdicts:",
            table(["verdict", *names], verdicts),
            table(["recording", *names, f"sends back {names[-1]}", "remarks"], said),
            _LEFT,
        ]
    )
    return text, {"precision": precision, "recall": recall, "verdicts": verdicts, "recordings": said}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(required=True, dest="command")
    hearing = commands.add_parser("heard", help="let check hear a folder")
    hearing.add_argument("folder", type=Path)
    hearing.add_argument("--half", choices=("odd", "even", "all"), default="odd")
    hearing.add_argument("--python", default=sys.executable, help="which has the project to be asked")
    hearing.add_argument("--jobs", type=int, default=1)
    hearing.add_argument("-o", "--out", type=Path, default=RESULTS / "real_music_heard.json")
    telling = commands.add_parser("tell", help="hold what was heard against what is so")
    telling.add_argument("runs", nargs="+", metavar="NAME=FILE", help="in order; the last one counts")
    telling.add_argument("--name", default="real_music", help="of the results")
    options = parser.parse_args()
    if options.command == "heard":
        own = recordings(options.folder, options.half)
        with ThreadPoolExecutor(options.jobs) as pool:
            heard = list(pool.map(lambda item: hear(item[0], item[1], options.python), own.items()))
        options.out.write_text(json.dumps(heard, indent=1) + "\n", encoding="utf-8")
        return
    where = machine()
    named = [run.split("=", 1) for run in options.runs]
    text, result = tell({name: json.loads(Path(file).read_text(encoding="utf-8")) for name, file in named})
    save(options.name, str(__doc__).splitlines()[0], where, result, text)


if __name__ == "__main__":
    main()
