"""What a script may ask for: the jobs of the command line as functions of paths or samples, with typed results.

Nothing is printed, nothing is logged, and no file is written unless `out` names a folder. Every error is an
`AutochainError` of one line; its words name the options of the command line, which mean the same as parameters here.
"""

import os
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from autochain.check.checked import Checked
from autochain.config import read_config
from autochain.measure.measurement import Measurement, measure_file
from autochain.measure.measurement import measure as measure_samples
from autochain.progress import Progress, silent
from autochain.sheet import Sheet
from autochain.tasks.caller import Caller
from autochain.tasks.check import check_mix
from autochain.tasks.compare import Compared, CompareRequest
from autochain.tasks.compare import compare as run_compare
from autochain.tasks.curve import CurveRequest, Traced
from autochain.tasks.curve import curve as run_curve
from autochain.tasks.render import Rendered, RenderRequest
from autochain.tasks.render import render as run_render
from autochain.tasks.sheets import SheetGiven
from autochain.tasks.sounds import Sound, mix_of, name_of, path_of
from autochain.tasks.suggest import Suggested, SuggestRequest
from autochain.tasks.suggest import suggest as run_suggest

if TYPE_CHECKING:
    from autochain.tasks.tool import ToolRead

__all__ = ["check", "compare", "curve", "measure", "read_tool", "render", "suggest"]

PathLike = str | os.PathLike[str]
# A file, or samples of shape (frames,) or (frames, channels) with their rate in Hz, as soundfile.read gives them.
SoundLike = PathLike | tuple[npt.NDArray[np.floating[Any]], int]


def measure(sound: SoundLike) -> Measurement:
    """Measure loudness, peaks, dynamics, width and faults of one piece of sound.

    Parameters
    ----------
    sound
        A file (WAV, FLAC, AIFF, Ogg, MP3), or a pair of samples and rate: floating point, full scale 1, shape
        (frames,) or (frames, channels), one or two channels, 44100 to 192000 Hz, 3 s or more.

    Returns
    -------
    All figures by name, each with its unit in the name; None where one does not exist (silence, mono).

    Raises
    ------
    AudioFileError
        What cannot be read or measured.

    Examples
    --------
    A sine of 997 Hz at full scale in one channel of two reads -3.01 LUFS (ITU-R BS.1770-5, Annex 1).

    >>> import autochain, numpy as np
    >>> t = np.arange(4 * 48000) / 48000
    >>> left = np.sin(2 * np.pi * 997 * t)
    >>> figures = autochain.measure((np.stack([left, 0 * left], axis=1), 48000))
    >>> round(figures.integrated_lufs, 2)
    -3.01
    """
    given = _sound(sound)
    return measure_file(given).figures if isinstance(given, Path) else measure_samples(given.samples, given.rate_hz)


def check(mix: SoundLike, *, config: PathLike | None = None) -> Checked:
    """Judge whether a mix is ready to be worked on.

    Parameters
    ----------
    mix
        As of `measure`.
    config
        TOML over the packaged defaults; its `[check]` has the limits.

    Returns
    -------
    `readiness.verdict` is `ready`, `remarks` or `revisit`; `readiness.findings` has what was found, each with its
    certainty, times in s and what to do; `measurement` the figures.

    Raises
    ------
    AudioFileError
        What cannot be read or measured.
    ConfigError
        A configuration that cannot hold.

    Examples
    --------
    >>> import autochain, numpy as np
    >>> noise = np.random.default_rng(1).standard_normal((6 * 44100, 2))
    >>> found = autochain.check((np.clip(noise, -0.5, 0.5), 44100))
    >>> found.readiness.verdict
    'revisit'
    >>> "clipped" in {finding.code for finding in found.readiness.findings}
    True
    """
    given = _sound(mix)
    return check_mix(given, read_config(_path(config)), name_of(path_of(given)))


def suggest(
    mix: SoundLike,
    *,
    lufs: float | None = None,
    loudest_part_lufs: float | None = None,
    ceiling_dbtp: float | None = None,
    lock: Mapping[str, float | str] | None = None,
    without: Sequence[str] = (),
    around: PathLike | Sheet | None = None,
    another_song: bool = False,
    references: Sequence[PathLike] = (),
    tools: Sequence[PathLike] = (),
    budget: int | None = None,
    seed: int | None = None,
    jobs: int = -1,
    config: PathLike | None = None,
    taste: PathLike | None = None,
    out: PathLike | None = None,
    preview: bool = False,
    force: bool = False,
    progress: Progress = silent,
) -> Suggested:
    """Find starting settings that bring a mix to a loudness under a true-peak ceiling.

    Parameters
    ----------
    mix
        As of `measure`.
    lufs, loudest_part_lufs
        Integrated loudness to reach, or that of the loudest 3 s in its place, -40 to 0 LUFS; without either the
        configuration's, -9 LUFS.
    ceiling_dbtp
        Highest true peak, -20 to 0 dBTP; without it the configuration's, -1 dBTP.
    lock
        Settings decided by ear, by `stage.parameter`, in the units of the sheet: `{"limiter.release_ms": 80}`.
    without
        Stages to leave out.
    around
        An earlier sheet to stay near, for this mix or a revised one.
    another_song
        The sheet is known to be of another song; it is refused otherwise.
    references
        Files of songs whose balance is the aim.
    tools
        Files of your own processors, as `read_tool` writes them: what to set on them is `sheet.on_tools`.
    budget
        Trials, 2 or more; 200 by default.
    seed
        0 to 4294967295, 1 by default: the same call with the same seed gives the same sheet.
    jobs
        Trials at the same time, -1 for all cores; changes only time.
    config
        TOML over the packaged defaults.
    taste
        File of your blind choices, from which the weights of the score are learned.
    out
        Folder for the sheet as page, Markdown and JSON, named after the mix (`mix` for samples in memory).
    preview
        With `out`, also write the rendered result, 24 bit.
    force
        Replace files that exist; never a source.
    progress
        Called with a phase in words and its share done, 0 to 1.

    Returns
    -------
    `met` tells whether the target is reached, `sheet` has every figure and setting, `samples` the rendered result.

    Raises
    ------
    UsageError
        A request that cannot hold (also its kinds ConfigError, TargetError, ParameterError, SheetError), or files
        that are there already.
    AudioFileError
        A sound that cannot be used, a folder that cannot be written.

    Examples
    --------
    >>> import autochain, numpy as np
    >>> noise = 0.05 * np.random.default_rng(1).standard_normal((4 * 44100, 2))
    >>> found = autochain.suggest((noise, 44100), lufs=-20.0, ceiling_dbtp=-1.0)
    >>> found.met, round(found.sheet.after.integrated_lufs, 1)
    (True, -20.0)
    >>> round(autochain.measure((found.samples, found.rate_hz)).true_peak_dbtp) <= -1
    True
    """
    request = SuggestRequest(
        mix=_sound(mix),
        lufs=lufs,
        loudest_part_lufs=loudest_part_lufs,
        ceiling_dbtp=ceiling_dbtp,
        lock=_locks(lock),
        without=without,
        around=_sheet(around),
        another_song=another_song,
        references=[Path(one) for one in references],
        tools=[Path(one) for one in tools],
        budget=budget,
        seed=seed,
        jobs=jobs,
        config=_path(config),
        taste=_path(taste),
        out=_path(out),
        preview=preview,
        force=force,
    )
    return run_suggest(request, _caller(progress))


def render(
    mix: SoundLike,
    *,
    sheet: PathLike | Sheet,
    out: PathLike | None = None,
    also: Sequence[str] = (),
    alternates: Sequence[PathLike] = (),
    solve: bool = False,
    on_tools: bool = False,
    tools: Sequence[PathLike] = (),
    force: bool = False,
    progress: Progress = silent,
) -> Rendered:
    """Render a mix with the settings of its sheet.

    Parameters
    ----------
    mix
        The mix that the sheet is for, as of `measure`.
    sheet
        The JSON of a sheet, edited or not, or `suggest(...).sheet`.
    out
        Folder for the 24-bit master, what `also` names and a delivery page; without it the sound comes back.
    also
        With `out`, more formats, such as `wav16`, `flac24@48000`, `mp3:320` (kbit/s), `vorbis:8` (quality).
    alternates
        With `out`, files of other versions of the song, rendered with the same settings and drive.
    solve
        Set the drive anew for the sheet's target, after changes by hand.
    on_tools
        Render what your own tools give, by their models, set as the sheet's column has them.
    tools
        The same with these files, as `read_tool` writes them, in place of what the sheet keeps of tools of their names;
        for a sheet without that column they are set now.
    force
        Replace files that exist; never a source.
    progress
        Called with a phase in words and its share done, 0 to 1.

    Returns
    -------
    `samples` and `rate_hz` without `out`; with it `files`, and `delivery` with the figures read back from them.

    Raises
    ------
    SheetError
        A sheet of another mix, or one that cannot be carried out.
    UsageError
        A format that there is none of, or files that are there already.
    AudioFileError
        A sound that cannot be used, a folder that cannot be written.

    Examples
    --------
    A sheet that nobody has edited gives the very samples that the search found.

    >>> import autochain, numpy as np
    >>> noise = 0.05 * np.random.default_rng(1).standard_normal((4 * 44100, 2))
    >>> found = autochain.suggest((noise, 44100), lufs=-20.0)
    >>> master = autochain.render((noise, 44100), sheet=found.sheet)
    >>> bool(np.all(master.samples == found.samples))
    True
    """
    request = RenderRequest(
        mix=_sound(mix),
        sheet=_given(sheet),
        out=_path(out),
        also=also,
        alternates=[Path(one) for one in alternates],
        solve=solve,
        on_tools=on_tools,
        tools=[Path(one) for one in tools],
        force=force,
    )
    return run_render(request, _caller(progress))


def compare(
    mix: SoundLike, master: SoundLike, *, sheet: PathLike | Sheet | None = None, progress: Progress = silent
) -> Compared:
    """Measure and say what lies between a mix and a master of it, at equal loudness.

    Parameters
    ----------
    mix, master
        As of `measure`; they may differ in length, sample rate, level, polarity and delay.
    sheet
        The sheet of the mix: does the master reach it, and which stage looks off?
    progress
        Called with a phase in words and its share done, 0 to 1.

    Returns
    -------
    `found` has all figures, `description` what they say in words, `verdict` how it stands by the sheet.

    Raises
    ------
    DifferentMaterialError
        Two sounds that are no mix and master of each other.
    SheetError
        A sheet that cannot be carried out.
    AudioFileError
        A sound that cannot be used.

    Examples
    --------
    >>> import autochain, numpy as np
    >>> mix = 0.05 * np.random.default_rng(1).standard_normal((9 * 44100, 2))
    >>> found = autochain.compare((mix, 44100), (2 * mix, 44100))
    >>> round(found.found.gain_lu, 1)
    6.0
    >>> found.description.loudness
    'The master is 6.0 LU louder. For all that follows it was turned down by that.'
    """
    request = CompareRequest(mix=_sound(mix), master=_sound(master), sheet=_sheet(sheet))
    return run_compare(request, _caller(progress))


def curve(
    mix: SoundLike,
    *,
    quiet_lufs: float = -14.0,
    loud_lufs: float = -6.0,
    step_lu: float = 1.0,
    ceiling_dbtp: float | None = None,
    lock: Mapping[str, float | str] | None = None,
    without: Sequence[str] = (),
    budget: int | None = None,
    seed: int | None = None,
    jobs: int = -1,
    config: PathLike | None = None,
    tools: Sequence[PathLike] = (),
    taste: PathLike | None = None,
    progress: Progress = silent,
) -> Traced:
    """Find the best settings of a mix at each loudness from quiet to loud.

    Parameters
    ----------
    mix
        As of `measure`.
    quiet_lufs, loud_lufs, step_lu
        Quietest and loudest loudness, -40 to 0 LUFS, and the step between, 0.1 LU or more; 30 points at most.
    ceiling_dbtp, lock, without, seed, jobs, config, tools, taste
        As of `suggest`.
    budget
        Trials of one suggestion; the first point takes 60 % of them, each other 20 %.
    progress
        Called with a phase in words and its share done, 0 to 1.

    Returns
    -------
    `curve.points` from quiet to loud; `knee_lufs` is where loudness begins to cost more, None where it does nowhere
    or where fewer than five points needed more than a gain.

    Raises
    ------
    UsageError
        A request that cannot hold (also its kinds ConfigError, TargetError, ParameterError).
    AudioFileError
        A sound that cannot be used.

    Examples
    --------
    Both are reached by turning the noise up.

    >>> import autochain, numpy as np
    >>> noise = 0.05 * np.random.default_rng(1).standard_normal((4 * 44100, 2))
    >>> found = autochain.curve((noise, 44100), quiet_lufs=-22.0, loud_lufs=-20.0, step_lu=2.0)
    >>> [(point.target_lufs, point.by_gain) for point in found.curve.points]
    [(-22.0, True), (-20.0, True)]
    """
    request = CurveRequest(
        mix=_sound(mix),
        quiet_lufs=quiet_lufs,
        loud_lufs=loud_lufs,
        step_lu=step_lu,
        ceiling_dbtp=ceiling_dbtp,
        lock=_locks(lock),
        without=without,
        budget=budget,
        seed=seed,
        jobs=jobs,
        config=_path(config),
        tools=[Path(one) for one in tools],
        taste=_path(taste),
    )
    return run_curve(request, _caller(progress))


def read_tool(
    bounces: Sequence[SoundLike],
    *,
    kind: str,
    name: str,
    settings: Sequence[str],
    knobs: str = "",
    out: PathLike | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> "ToolRead":
    """Read a processor of your own from bounces of its test (`autochain tool signal`).

    Parameters
    ----------
    bounces
        Sounds as of `measure`, each bounced at other settings.
    kind
        `compressor`, `limiter`, `clipper` or `equaliser`.
    name
        What you call it.
    settings
        Knobs as they stood, one text a bounce: `threshold=-20 ratio=2`.
    knobs
        Ends and steps of the knobs: `attack=0.1:30:0.1 ratio=2|4|10`.
    out
        Folder for its file and page; without it nothing is written.
    force
        Replace files that exist; never a source.
    progress
        Called with a phase in words and its share done, 0 to 1.

    Returns
    -------
    `reading.tool` has the model at every bounce, `models`, and what the knobs mean, `maps`.

    Raises
    ------
    UsageError
        A request that cannot hold, or a bounce that cannot be read, with the reason.
    AudioFileError
        A file that cannot be used, a folder that cannot be written.

    Examples
    --------
    >>> import autochain, numpy as np
    >>> from autochain.tool import signal
    >>> played = signal.make("clipper", 48000)
    >>> found = autochain.read_tool(
    ...     [(np.clip(played, -0.25, 0.25), 48000)], kind="clipper", name="hard1", settings=["ceiling=-12"]
    ... )
    >>> round(found.reading.tool.models[0].ceiling_dbfs)
    -12
    """
    from autochain.tasks.tool import ToolReadRequest, read_a_tool  # filters, which the other functions can do without

    request = ToolReadRequest(
        bounces=[_sound(one) for one in bounces],
        kind=kind,
        name=name,
        settings=settings,
        knobs=knobs,
        out=_path(out),
        force=force,
    )
    return read_a_tool(request, _caller(progress))


def _sound(given: SoundLike) -> Sound:
    return mix_of(*given) if isinstance(given, tuple) else Path(given)


def _path(given: PathLike | None) -> Path | None:
    return None if given is None else Path(given)


def _sheet(given: PathLike | Sheet | None) -> SheetGiven | None:
    return None if given is None else _given(given)


def _given(sheet: PathLike | Sheet) -> SheetGiven:
    return sheet if isinstance(sheet, Sheet) else Path(sheet)


def _locks(given: Mapping[str, float | str] | None) -> list[str]:
    return [f"{name}={value}" for name, value in (given or {}).items()]


def _caller(progress: Progress) -> Caller:
    return Caller(watch=lambda: nullcontext(progress))
