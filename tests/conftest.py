"""Shared by all tests: the command run inside this process, and searches that several files look at.

One search serves every test that asks about its result, so that nothing is searched twice.
"""

import hashlib
import io
import json
import os
import pickle
import sys
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyebur128
import pytest
import soundfile
from filelock import FileLock

from autochain.audio.files import write_wav
from autochain.cli.main import main
from autochain.demo import demo_song, make_demo
from tests.fresh_process import holds_compiled_code, in_fresh_process

RATE = 44100
CEILING_DBTP = -1.0
DEMO_S, DEMO_TRIALS = 14.0, 14


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One Chromium for all tests of a process."""
    from tests.browsing import chromium  # half a second that the other tests can do without

    with chromium() as started:
        yield started


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What a command left behind."""

    code: int
    out: str
    err: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggested:
    """A finished `autochain suggest MIX --preview` and everything it wrote."""

    mix: Path
    mix_sha256: str
    target_lufs: float
    ceiling_dbtp: float
    ran: Ran
    sheet: dict[str, Any]
    markdown: str
    preview: Path

    def song(self) -> npt.NDArray[np.float32]:
        """Samples of the preview at mix time: without the silence around them, with zeros for what was cut."""
        output = next(stage["settings"] for stage in self.sheet["stages"] if stage["stage"] == "output")
        rate_hz = self.sheet["mix"]["rate_hz"]
        head, tail = (round(output[f"{end}_silence_ms"] * rate_hz / 1000.0) for end in ("head", "tail"))
        assert head > 0
        assert tail > 0
        samples, _ = soundfile.read(self.preview, dtype="float32", always_2d=True)
        # Dither goes on through the silence: three half steps of 24 bits at most.
        assert np.abs(samples[:head]).max() <= 1.6 * 2.0**-23
        assert np.abs(samples[-tail:]).max() <= 1.6 * 2.0**-23
        cut = tuple(round(output[f"{end}_cut_ms"] * rate_hz / 1000.0) for end in ("head", "tail"))
        return np.pad(samples[head:-tail], (cut, (0, 0)))


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def run_command(*arguments: object) -> Ran:
    """`autochain ARGUMENTS` through its entry point, without the seconds of a fresh interpreter."""
    out, err = io.StringIO(), io.StringIO()
    argv, code = sys.argv, 0
    sys.argv = ["autochain", *map(str, arguments)]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as leaving:
        code = int(leaving.code or 0)
    finally:
        sys.argv = argv
    return Ran(code=code, out=out.getvalue(), err=err.getvalue())


def run_suggest(mix: Path, out: Path, lufs: float, ceiling: float, *more: object) -> Suggested:
    """`autochain suggest` with a preview, and what it wrote."""
    before = sha256(mix)
    ran = run_command("suggest", mix, "--lufs", lufs, "--ceiling", ceiling, "-o", out, "--preview", *more)
    assert ran.code in (0, 3), ran.err
    return Suggested(
        mix=mix,
        mix_sha256=before,
        target_lufs=lufs,
        ceiling_dbtp=ceiling,
        ran=ran,
        sheet=json.loads((out / f"{mix.stem}.sheet.json").read_text(encoding="utf-8")),
        markdown=(out / f"{mix.stem}.sheet.md").read_text(encoding="utf-8"),
        preview=out / f"{mix.stem}.preview.wav",
    )


def read_outside(heard: Path | Suggested) -> tuple[float, float]:
    """Integrated loudness in LUFS and true peak in dBTP of a file, as libebur128 reads them.

    Of a finished run: of the preview without its silence, which lowers the loudness of a mix of a few seconds that
    starts at full level by 0.1 LU (gating blocks across the edge), of a song by less than 0.01.
    """
    path = heard.preview if isinstance(heard, Suggested) else heard
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    if isinstance(heard, Suggested):
        samples = heard.song().astype(np.float64)
    channels = samples.shape[1]
    # One channel counts as front left, as in BS.1770, where mono is one channel with weight 1.
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(channels, rate_hz, mode.MODE_I | mode.MODE_TRUE_PEAK)
    if channels == 1:
        state.set_channel(0, pyebur128.ChannelType.LEFT)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), samples.shape[0])
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(channels))
    return float(pyebur128.get_loudness_global(state)), float(20.0 * np.log10(peak))


def loudest_outside(samples: npt.NDArray[np.floating], rate_hz: int) -> float:
    """Loudest short-term loudness in LUFS as libebur128 reads it, asked every 10 ms (EBU Tech 3341 case 13)."""
    state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_S)
    hop, readings = rate_hz // 100, []
    frames = np.ascontiguousarray(samples, dtype=np.float64)
    for start in range(0, len(frames) - hop + 1, hop):
        state.add_frames(frames[start : start + hop].reshape(-1), hop)
        if start >= 299 * hop:
            readings.append(pyebur128.get_loudness_shortterm(state))
    return float(max(readings))


def small_config(path: Path, **search: object) -> Path:
    """Write a config whose baselines and excerpts are few, so that a small budget still asks the sampler.

    How far settings may move is not tried, nor what other tools do: a good part of the time of every small search.
    """
    given = {"batch": 4, "startup": 3, "sensitivity_trials": 0, "equal_chains": 0, **search}
    keys = "".join(f"{key} = {value}\n" for key, value in given.items())
    path.write_text(
        f"[search]\n{keys}"
        "[search.baselines]\nrelease_ms = [5.0, 60.0]\nlookahead_ms = [3.0]\n"
        "[search.excerpts]\ncount = 2\nlength_s = 3.2\npreroll_s = 1.2\n",
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="session", autouse=True)
def _own_log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test writes into the log of the person who runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(shared_folder(tmp_path_factory) / "data"))
        yield


@pytest.fixture(scope="session", autouse=True)
def _compiled_once(tmp_path_factory: pytest.TempPathFactory, cold_run: Callable[[], tuple[Path, Path]]) -> None:
    """Where NUMBA_CACHE_DIR names a folder with nothing compiled, one process compiles and the others wait for it."""
    kept = os.environ.get("NUMBA_CACHE_DIR")
    if kept and (not holds_compiled_code(Path(kept)) or (shared_folder(tmp_path_factory) / "cold").exists()):
        cold_run()


@pytest.fixture(scope="session")
def cold_run(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[], tuple[Path, Path]]:
    """A small search in a process that finds nothing compiled, once for all tests: its results, its compiled code.

    That is forty seconds of compiling. Where NUMBA_CACHE_DIR names an empty folder, as in `.ci/run`, it is done for
    all other tests as well.
    """
    shared = shared_folder(tmp_path_factory)

    def run() -> tuple[Path, Path]:
        told = shared / "cold.txt"
        with FileLock(shared / "cold.lock"):
            if not told.exists():
                kept = Path(os.environ.get("NUMBA_CACHE_DIR", shared / "compiled"))
                compiled = shared / "compiled" if holds_compiled_code(kept) else kept
                mix, plan = (request.getfixturevalue(name) for name in ("excerpts_mix", "sensing_plan"))
                in_fresh_process(mix, plan, shared / "cold", 1, compiled)
                told.write_text(str(compiled), encoding="utf-8")
            return shared / "cold" / "out", Path(told.read_text(encoding="utf-8"))

    return run


@pytest.fixture(scope="session")
def command() -> Callable[..., Ran]:
    return run_command


@pytest.fixture(scope="session")
def suggested() -> Callable[..., Suggested]:
    return run_suggest


@pytest.fixture(scope="session")
def libebur128() -> Callable[[Path | Suggested], tuple[float, float]]:
    return read_outside


@pytest.fixture(scope="session")
def libebur128_loudest() -> Callable[[npt.NDArray[np.floating], int], float]:
    return loudest_outside


@cache
def twelve_seconds() -> npt.NDArray[np.float32]:
    return make_demo("dense_rock", RATE, 12.0, 1)


@pytest.fixture(scope="session")
def short_mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve seconds of the rock demo: shorter than the default excerpts."""
    path = tmp_path_factory.mktemp("short") / "short.wav"
    write_wav(path, twelve_seconds(), RATE, 1)
    return path


@pytest.fixture(scope="session")
def brief_mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first six seconds of it, faded: for whole runs of which the search is not the point.

    What a run costs goes with the length of its mix. Trials hear this one whole.
    """
    return write_part(tmp_path_factory.mktemp("brief") / "brief.wav", 6.0)


@pytest.fixture(scope="session")
def excerpts_mix(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first nine seconds of it, faded: the shortest of which trials hear two excerpts (`small_config`)."""
    return write_part(tmp_path_factory.mktemp("excerpts") / "excerpts.wav", 9.0)


def write_part(path: Path, seconds: float) -> Path:
    """Write the first seconds of the rock demo of twelve, with an end as silent as its beginning."""
    samples = twelve_seconds()[: round(seconds * RATE)].copy()
    faded = round(0.3 * RATE)
    silent = round(0.1 * RATE)
    samples[-faded - silent : -silent] *= np.cos(np.linspace(0.0, np.pi / 2.0, faded))[:, None] ** 2
    samples[-silent:] = 0.0
    write_wav(path, samples, RATE, 1)
    return path


def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all processes of a test run."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def search_demo(character: str, folder: Path) -> Suggested:
    """Make the demo mix of a character in a new folder, and search it at its own target, with few trials."""
    folder.mkdir()
    mix = folder / f"{character}.wav"
    # Longer than the excerpts, so that trials hear a part of the song and the end result all of it.
    write_wav(mix, make_demo(character, RATE, DEMO_S, 1), RATE, 1)
    lufs = demo_song(character).target_lufs
    plan = small_config(folder / "plan.toml", sensitivity_trials=11, equal_chains=2)
    return run_suggest(mix, folder / "out", lufs, CEILING_DBTP, "--budget", DEMO_TRIALS, "--jobs", 2, "--config", plan)


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Suggested]:
    """Search one demo character at its own target, once for all tests, whichever process they run in."""
    done: dict[str, Suggested] = {}
    shared = shared_folder(tmp_path_factory)

    def run(character: str) -> Suggested:
        if character not in done:
            with FileLock(shared / f"{character}.lock"):
                kept = shared / f"{character}.pickle"
                if not kept.exists():
                    kept.write_bytes(pickle.dumps(asdict(search_demo(character, shared / character))))
                # As plain values: this module may be loaded under two names.
                values = pickle.loads(kept.read_bytes())
                done[character] = Suggested(**{**values, "ran": Ran(**values["ran"])})
        return done[character]

    return run


@pytest.fixture(scope="session")
def full_demo(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], tuple[Path, Ran]]:
    """`autochain demo` as the README has it, once for all tests: its folder and what it printed."""
    shared = shared_folder(tmp_path_factory)

    def run() -> tuple[Path, Ran]:
        folder, kept = shared / "full-demo" / "autochain-demo", shared / "full-demo.pickle"
        with FileLock(shared / "full-demo.lock"):
            if not kept.exists():
                ran = run_command("demo", "-o", folder)
                # As it would say in the folder where it was started.
                ran = Ran(code=ran.code, out=ran.out.replace(f"{folder.parent}{os.sep}", ""), err=ran.err)
                kept.write_bytes(pickle.dumps(asdict(ran)))
            return folder, Ran(**pickle.loads(kept.read_bytes()))

    return run


@pytest.fixture(scope="session")
def small_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Config with five baselines and two short excerpts."""
    return small_config(tmp_path_factory.mktemp("config") / "small.toml")


@pytest.fixture(scope="session")
def sensing_plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, and how far settings may move is tried, and what other tools do."""
    return small_config(tmp_path_factory.mktemp("config") / "sensing.toml", sensitivity_trials=11, equal_chains=2)
