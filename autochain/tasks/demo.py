"""The main job on an invented mix."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from autochain.audio.files import check_output, write_wav
from autochain.audio.output_set import OutputSet, output_set
from autochain.demo import CHARACTERS, demo_song
from autochain.page import check_folder
from autochain.sheet.words import CAUTION
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import stage_texts
from autochain.tasks.sounds import path_of
from autochain.tasks.suggest import Suggested, SuggestRequest, nobody_waits, suggest

_RATE_HZ = 44100
_ENDS = ("wav", "txt", "sheet.html", "sheet.json", "sheet.md", "preview.wav", "preview.txt")


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRequest:
    """What is asked.

    Attributes
    ----------
    out
        Folder of all files.
    character
        One of `demo.CHARACTERS`.
    lufs, ceiling_dbtp
        Target; None takes the character's own.
    budget, seed, jobs, resume, whole_songs, force
        As of `SuggestRequest`.
    """

    out: Path
    character: str = CHARACTERS[0]
    lufs: float | None = None
    ceiling_dbtp: float | None = None
    budget: int | None = None
    seed: int | None = None
    jobs: int = -1
    resume: bool = False
    whole_songs: bool = False
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demonstrated:
    """Where the invented mix is, and what was found for it."""

    mix: Path
    suggested: Suggested


def demo(
    request: DemoRequest, caller: Caller = NOBODY, known: Callable[[Suggested], None] = nobody_waits
) -> Demonstrated:
    """Make the mix, unless a stopped run has left it, and find its settings.

    Parameters
    ----------
    request, caller, known
        As of `tasks.suggest.suggest`.

    Raises
    ------
    UsageError, ConfigError, TargetError
        A request that cannot hold, or files that are there already.
    AudioFileError
        A folder that cannot be written.
    """
    song = demo_song(request.character)
    mix = request.out / f"{'-'.join(re.findall('[a-z0-9]+', song.title.lower()))}.wav"
    wanted = SuggestRequest(
        mix=mix,
        out=request.out,
        preview=True,
        lufs=song.target_lufs if request.lufs is None else request.lufs,
        ceiling_dbtp=song.ceiling_dbtp if request.ceiling_dbtp is None else request.ceiling_dbtp,
        budget=request.budget,
        seed=request.seed,
        jobs=request.jobs,
        resume=request.resume,
        whole_songs=request.whole_songs,
        force=request.force,
    )
    with output_set(request.out, f"{mix.stem}.demo") as outputs:
        return Demonstrated(mix=_mix_in(request, wanted, outputs, caller), suggested=suggest(wanted, caller, known))


def _mix_in(request: DemoRequest, wanted: SuggestRequest, outputs: OutputSet, caller: Caller) -> Path:
    """The mix, made unless a run that is gone on with has made it."""
    config, _ = wanted.settled(wanted.lufs)
    mix = path_of(wanted.mix)
    # A run that was stopped has its mix already, and is checked for what else is there when it goes on.
    if not (request.resume and mix.exists()):
        check_output(request.out, [f"{mix.stem}.{end}" for end in _ENDS], request.force)
        if request.whole_songs:
            check_folder(request.out / f"{mix.stem}.sheet.sound", force=request.force)
        with caller.watch() as show:
            show("playing the demo mix", 0.0)
            from autochain.demo import make_demo  # half of scipy, for instruments

            samples = make_demo(request.character, _RATE_HZ)
        write_wav(outputs.staging / mix.name, samples, _RATE_HZ, config.search.seed)
        stage_texts(outputs, {f"{mix.stem}.txt": CAUTION + "\n"})
        outputs.commit(request.force)
    return mix
