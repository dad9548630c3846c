"""What does `compare` claim of known treatments of real recordings, and how much of it is true?

    python benchmarks/bench_compare_real.py FOLDER --half odd

FOLDER holds recordings named `01_...wav` and so on; only their numbers are printed. An excerpt of each is treated in
known ways, and every sentence is held against what the treatment can have done. A figure that is read from the two
files alone (peaks, the tone of a limited master and so on) is neither right nor wrong where the treatment may move it.
"""

import argparse
import io
import json
import re
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import scipy.signal
import soundfile
import soxr
from report import machine, table

from autochain.audio.mix import Mix
from autochain.chain.chain import DEFAULT
from autochain.compare import compare
from autochain.compare.changes import Change
from autochain.compare.description import describe

Sound = npt.NDArray[np.float64]

DRIVE_DB = 6.0
CLICK_UNDER_DB = 20.0
CLICKS = ((0.21, 1), (0.48, 2), (0.79, 4))  # where in the excerpt, and samples wide
DELAY_FRAMES = 12345
TAIL_S = 2.0
NEAR_S = 0.005
# What the treatments of each group may really do. Anything else that is said of them is wrong.
FIGURES = frozenset({"peaks", "hits", "contrast", "movement", "tone", "width", "balance"})
LEVEL = FIGURES | {"distortion"}


@dataclass(frozen=True, kw_only=True)
class Treatment:
    """A treatment, and what may, and what has to be said of it, by code."""

    make: Callable[[Sound, int], Sound]
    may: frozenset[str] = frozenset()
    must: frozenset[str] = frozenset()
    most_hz: int = 192000  # highest sample rate it can take


def code_of(said: Change) -> str:
    """Kind of a sentence, finer where one kind holds several claims."""
    for piece, code in (
        ("swapped", "channels: swapped"), ("One channel is inverted", "channels: one turned"),
        ("polarity", "channels: both turned"), ("rotated", "channels: rotated"),
        ("cut off flat", "clipped: flat"), ("edges", "clipped: edges"), ("true peak", "clipped: over"),
        ("silence", "ends: silence"), ("fades", "ends: fade"), ("are cut off", "ends: cut"),
    ):  # fmt: skip
        if piece in said.text and said.kind == code.split(":")[0]:
            return code
    return said.kind


def _db(value: float) -> float:
    return float(10.0 ** (value / 20.0))


def _true_peak(x: npt.NDArray[np.float32]) -> float:
    return float(max(np.abs(scipy.signal.resample_poly(channel, 8, 1)).max() for channel in x.T))


def _at_full(x: Sound) -> Sound:
    return np.asarray(x * (_db(-1.0) / np.abs(x).max()))


def _chain(**stages: dict[str, float]) -> Callable[[Sound, int], Sound]:
    whole = {
        **{k: v for k, v in stages.items() if k == "bus_compressor"},
        "drive": {"gain_db": DRIVE_DB},
        **{k: v for k, v in stages.items() if k == "clipper"},
        "limiter": {"ceiling_dbtp": -1.0, "lookahead_ms": 3.0, "release_ms": 80.0},
        "output": {},
    }
    settings = DEFAULT.checked(whole)
    return lambda x, rate_hz: DEFAULT.render(_at_full(x).astype(np.float32), rate_hz, settings).samples.astype(float)


def soft(x: Sound, _: int) -> Sound:
    """Memoryless curve that takes 3 dB from the highest peak: tanh."""
    top = np.abs(x).max()
    return np.asarray(np.tanh(1.2 * x / top) * top / 1.2)


def clip(under_db: float) -> Callable[[Sound, int], Sound]:
    """Cut off that far under the highest peak."""
    return lambda x, _: np.clip(x, -(top := np.abs(x).max() * _db(-under_db)), top)


def widen(by_db: float) -> Callable[[Sound, int], Sound]:
    """Side against mid."""

    def made(x: Sound, _: int) -> Sound:
        mid, side = x.mean(axis=1), 0.5 * (x[:, 0] - x[:, 1]) * _db(by_db)
        return np.column_stack([mid + side, mid - side])

    return made


def shelf(gain_db: float, rate_hz: int, hz: float) -> tuple[Sound, Sound]:
    """First-order shelf (s g + w) / (s / g + w), with g^2 the gain far above `hz`; bilinear transform."""
    k, g = np.tan(np.pi * hz / rate_hz), _db(0.5 * gain_db)
    return np.array([g + k, k - g]), np.array([1.0 / g + k, k - 1.0 / g])


def tilt(by_db: float) -> Callable[[Sound, int], Sound]:
    """That much up above 1 kHz, as much down below it, by a first-order shelf."""
    return lambda x, rate_hz: scipy.signal.lfilter(*shelf(2.0 * by_db, rate_hz, 1000.0), x, axis=0) * _db(-by_db)


def bell(gain_db: float, hz: float, q: float) -> Callable[[Sound, int], Sound]:
    """R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients."""

    def made(x: Sound, rate_hz: int) -> Sound:
        amount, w = _db(0.5 * gain_db), 2.0 * np.pi * hz / rate_hz
        alpha = np.sin(w) / (2.0 * q)
        b = np.array([1.0 + alpha * amount, -2.0 * np.cos(w), 1.0 - alpha * amount])
        a = np.array([1.0 + alpha / amount, -2.0 * np.cos(w), 1.0 - alpha / amount])
        return np.asarray(scipy.signal.lfilter(b, a, x, axis=0))

    return made


def click_times_s(x: Sound, rate_hz: int) -> list[float]:
    """Where `clicked` puts them."""
    return [round(part * x.shape[0]) / rate_hz for part, _ in CLICKS]


def clicked(x: Sound, rate_hz: int) -> Sound:
    """Pulses of one sign, 20 dB under the peak of the 0.1 s around."""
    y = x.copy()
    for part, width in CLICKS:
        at = round(part * x.shape[0])
        local = np.abs(x[at - rate_hz // 20 : at + rate_hz // 20]).max()
        y[at : at + width] += _db(-CLICK_UNDER_DB) * local * np.hanning(width + 2)[1:-1, None]
    return y


def through_48k(x: Sound, rate_hz: int) -> Sound:
    """To 48 kHz (44.1 where it has that) and back."""
    other = 48000 if rate_hz != 48000 else 44100
    return np.asarray(soxr.resample(soxr.resample(x, rate_hz, other), other, rate_hz)[: x.shape[0]])


def coded(kind: str, subtype: str) -> Callable[[Sound, int], Sound]:
    """Through a lossy codec at its highest quality."""

    def made(x: Sound, rate_hz: int) -> Sound:
        file = io.BytesIO()
        soundfile.write(file, x * 0.9, rate_hz, format=kind, subtype=subtype, compression_level=0.0)
        file.seek(0)
        return np.asarray(soundfile.read(file)[0])

    return made


CLIPPED = LEVEL | {"clipped: edges", "clipped: flat"}
# A side that some bands have more of moves the spectrum of both channels together, too.
WIDENED = frozenset({"width", "peaks", "balance", "tone"})
TREATMENTS = {
    "identical": Treatment(make=lambda x, _: x),
    "gain": Treatment(make=lambda x, _: 0.63 * x),
    "delay": Treatment(
        make=lambda x, _: np.pad(x, ((DELAY_FRAMES, 0), (0, 0))), may=frozenset({"ends: silence"})
    ),
    "limiter": Treatment(make=_chain(), may=LEVEL, must=frozenset({"peaks"})),
    "clipper, limiter": Treatment(
        make=_chain(clipper={"ceiling_dbfs": 2.0, "softness": 30.0}),
        may=LEVEL | {"clipped: edges"}, must=frozenset({"peaks"}),
    ),
    "compressor, limiter": Treatment(
        make=_chain(bus_compressor={"threshold_db": -16.0, "ratio": 2.0, "attack_ms": 20.0, "release_ms": 150.0}),
        may=LEVEL, must=frozenset({"peaks"}),
    ),
    "soft curve": Treatment(make=soft, may=LEVEL, must=frozenset({"peaks"})),
    **{
        f"clipped {db} dB": Treatment(make=clip(db), may=CLIPPED, must=frozenset({"clipped: flat"}))
        for db in (1, 2, 3)
    },
    "wider 1 dB": Treatment(make=widen(1.0), may=WIDENED, must=frozenset({"width"})),
    "wider 2 dB": Treatment(make=widen(2.0), may=WIDENED, must=frozenset({"width"})),
    "tilt +1 dB": Treatment(make=tilt(1.0), may=FIGURES - {"movement", "balance"}, must=frozenset({"tone"})),
    "tilt -1 dB": Treatment(make=tilt(-1.0), may=FIGURES - {"movement", "balance"}, must=frozenset({"tone"})),
    "bell 2 dB": Treatment(
        make=bell(2.0, 800.0, 1.0), may=FIGURES - {"movement", "balance"}, must=frozenset({"tone"})
    ),
    "turned over": Treatment(
        make=lambda x, _: -x, may=frozenset({"channels: both turned"}), must=frozenset({"channels: both turned"})
    ),
    "left turned over": Treatment(
        make=lambda x, _: x * [-1.0, 1.0], may=frozenset({"channels: one turned"}),
        must=frozenset({"channels: one turned"}),
    ),
    "swapped": Treatment(
        make=lambda x, _: x[:, ::-1], may=frozenset({"channels: swapped"}), must=frozenset({"channels: swapped"})
    ),
    "clicks": Treatment(make=clicked, may=frozenset({"clicks", "distortion"}), must=frozenset({"clicks"})),
    "tail cut": Treatment(
        make=lambda x, rate_hz: x[: -round(TAIL_S * rate_hz)], may=frozenset({"ends: cut", "ends: silence"}),
        must=frozenset({"ends: cut"}),
    ),
    "through 48 kHz": Treatment(make=through_48k),
    "mp3": Treatment(make=coded("MP3", "MPEG_LAYER_III"), may=LEVEL - {"movement", "balance"}, most_hz=48000),
    "vorbis": Treatment(make=coded("OGG", "VORBIS"), may=LEVEL - {"movement", "balance"}),
}  # fmt: skip


def excerpt(path: Path, seconds: float) -> tuple[Sound, int]:
    """From a third of its length on."""
    with soundfile.SoundFile(path) as file:
        wanted = min(file.frames, round(seconds * file.samplerate))
        file.seek(min(file.frames - wanted, file.frames // 3))
        return file.read(wanted, always_2d=True), file.samplerate


def as_mix(x: Sound, rate_hz: int, name: str) -> Mix:
    """Sound as a file of it would be read."""
    return Mix(
        samples=np.ascontiguousarray(x, np.float32), rate_hz=rate_hz, file=f"{name}.wav", sha256=name, subtype="FLOAT"
    )


def judged(
    treatment: Treatment, x: Sound, rate_hz: int, said: list[Change], over: bool
) -> Iterator[tuple[str, bool, bool]]:
    """Code, whether it is true, and whether it was said first, of every claim; each click is one.

    `over` is whether the treatment brought the true peak over full scale, or further over it.
    """
    for place, one in enumerate(said):
        code = code_of(one)
        if code == "clicks":
            times = click_times_s(x, rate_hz) if "clicks" in treatment.may else []
            for at in one.times_s:
                yield code, any(abs(at - own) < NEAR_S for own in times), place == 0
        else:
            yield code, over if code == "clipped: over" else code in treatment.may, place == 0


def on_recording(path: Path, seconds: float, only: list[str]) -> Iterator[dict[str, object]]:
    """Everything said of the treatments of one recording."""
    x, rate_hz = excerpt(path, seconds)
    number = int(path.name[:2])
    mono = bool(x.shape[1] == 1 or np.allclose(x[:, 0], x[:, -1], atol=1e-4))
    for name, treatment in TREATMENTS.items():
        if (only and name not in only) or rate_hz > treatment.most_hz:
            continue
        if mono and name.startswith(("wider", "left", "swapped")):
            continue
        mix, master = as_mix(x, rate_hz, "mix"), as_mix(treatment.make(x, rate_hz), rate_hz, "master")
        said = list(describe(compare(mix, master)).changed)
        # A mix that is over already counts where the treatment brings it further.
        over = _true_peak(master.samples) > max(1.0, 10.0 ** (0.1 / 20.0) * _true_peak(mix.samples))
        claims = list(judged(treatment, x, rate_hz, said, over))
        codes = [code for code, *_ in claims]
        must = {
            code: (len(CLICKS), min(len(CLICKS), sum(c == code and true for c, true, _ in claims)))
            if code == "clicks"
            else (1, int(code in codes))
            for code in treatment.must
        }
        yield {
            "recording": number,
            "treatment": name,
            "claims": claims,
            "must": must,
            "said": [(one.text, [round(at, 3) for at in one.times_s]) for one in said],
        }


def counted(rows: list[dict[str, object]]) -> str:
    """Table of claims by code."""
    made: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0, 0])
    for row in rows:
        for code, true, first in row["claims"]:  # type: ignore[attr-defined]
            counts = made[code]
            counts[0] += 1
            counts[1] += true
            counts[2] += first and not true
        for code, (wanted, found) in row["must"].items():  # type: ignore[attr-defined]
            made[code][3] += wanted
            made[code][4] += found
    return table(
        ["claim", "made", "true", "precision", "wrong and first", "to be made", "made of them", "recall"],
        [
            [code, n, true, true / n if n else None, first, want, found, found / want if want else None]
            for code, (n, true, first, want, found) in sorted(made.items())
        ],
    )


def main() -> None:
    """Run, print the table, and write the JSON."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=("odd", "even", "all"), default="odd")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--only", nargs="*", default=[], help="treatments")
    parser.add_argument("--json", type=Path, default=Path("compare_real.json"))
    args = parser.parse_args()
    where, rows = machine(), []
    for path in sorted(args.folder.glob("*.wav")):
        number = re.match(r"\d\d_", path.name)
        if number and (args.half == "all" or int(path.name[:2]) % 2 == (args.half == "odd")):
            for row in on_recording(path, args.seconds, args.only):
                rows.append(row)
                wrong = sorted({code for code, true, _ in row["claims"] if not true})  # type: ignore[attr-defined]
                print(f"recording {row['recording']}, {row['treatment']}: {', '.join(wrong) or 'all true'}", flush=True)
            args.json.write_text(json.dumps({"machine": where, "rows": rows}, indent=1) + "\n", encoding="utf-8")
    print(counted(rows))


if __name__ == "__main__":
    main()
