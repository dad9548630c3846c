"""The master files of an album: each track as `render` writes it; songs that run into each other are the cut of one."""

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from autochain.album import record as records
from autochain.album.job import Failure
from autochain.album.joined import read_joined, song_slices
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.album.tracks import Track
from autochain.audio.files import write_text, write_wav
from autochain.audio.mix import Samples
from autochain.audio.output_set import OutputSet
from autochain.audio.tags import read_tags
from autochain.chain.output import with_silence
from autochain.chain.settings import OUTPUT
from autochain.earlier.read import read_sheet
from autochain.earlier.same_song import refuse_other_mix
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import AutochainError
from autochain.progress import Progress
from autochain.render.master import make_master, room_for_dither
from autochain.render.sheet_chain import sheet_chain
from autochain.units import ms_to_samples

_BITS = 24


def master_names(track: Track) -> list[str]:
    """Everything that is written for a track, its masters in order and then what is known of them."""
    return [*(f"{song.stem}.master.wav" for song in track.songs), f"{track.stem}.masters.json"]


def write_masters(
    album: Album, outputs: OutputSet, force: bool, resume: bool, progress: Progress
) -> list[Failure]:
    """Write the masters of all tracks that are done; what kept others from being written.

    Each is 24 bit with triangular dither by the sheet's seed. Songs that run into each other are rendered and dithered
    as one and then cut at the frames where the mixes met, so that nothing is lost or added there.

    Parameters
    ----------
    album
        What became of the tracks; their sheets are in `out`.
    outputs
        The album's set, in whose folder the sheets are.
    force
        Replace files that the album did not write.
    resume
        Leave masters of the very sheets as they are.
    progress
        Called with a phase and its share done.
    """
    failures = []
    done = [track for track, found in album.tracks if isinstance(found, Record)]
    for place, track in enumerate(done):
        progress("rendering the masters", place / len(done))
        try:
            _write(track, outputs.folder / f"{album.sheet_stem(track)}.sheet.json", outputs, force, resume)
        except AutochainError as error:
            failures.append(Failure.of(track.paths, str(error)))
    return failures


def _write(track: Track, sheet_path: Path, outputs: OutputSet, force: bool, resume: bool) -> None:
    *names, known_name = master_names(track)
    out, staging = outputs.folder, outputs.staging
    sheet = read_sheet(sheet_path)
    known = _known(out / known_name) if resume else {}
    if known.get("sheet") == sheet.sha256 and all(records.file_sha256(out / n) == known.get(n) for n in names):
        return
    for name in names:
        records.refuse_edited(out / name, [known[name]] if name in known else [], force)
    for name, (samples, rate_hz, generator, tags) in zip(names, _render(track, sheet), strict=True):
        write_wav(staging / name, samples, rate_hz, generator, bits=_BITS, tags=tags)
    state = {"sheet": sheet.sha256, **{name: records.file_sha256(staging / name) for name in names}}
    write_text(staging / known_name, json.dumps(state, indent=2) + "\n")
    outputs.commit(True, (*track.paths, sheet_path))


def _known(path: Path) -> dict[str, str]:
    try:
        read = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return {str(name): str(own) for name, own in read.items()} if isinstance(read, dict) else {}


_Song = tuple[Iterator[Samples], int, np.random.Generator, dict[str, str]]  # samples, rate, dither and tags


def _render(track: Track, sheet: EarlierSheet) -> Iterator[_Song]:
    """Each song's master."""
    mix, starts = read_joined(track.paths)
    refuse_other_mix(sheet, mix)
    made = make_master(mix, *sheet_chain(sheet), sheet.target)
    whole = with_silence(made.samples, mix.rate_hz, made.settings[OUTPUT])
    more, less = (ms_to_samples(made.settings[OUTPUT][f"head_{n}_ms"], mix.rate_hz) for n in ("silence", "cut"))
    generator = np.random.default_rng(sheet.seed)  # one for all, so that the cut is no seam in the dither either
    cuts = song_slices([0, *(start + more - less for start in starts[1:])], len(whole))
    for path, cut in zip(track.paths, cuts, strict=True):
        quiet = room_for_dither(whole[cut], made.peak_dbtp, sheet.target.ceiling_dbtp, _BITS)
        yield quiet, mix.rate_hz, generator, read_tags(path)
