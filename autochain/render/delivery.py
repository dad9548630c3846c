"""Everything that goes out for one song: rendered, written, read back and measured."""

import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from autochain.audio.files import write_wav
from autochain.audio.mix import Mix, Samples
from autochain.audio.tags import read_tags
from autochain.chain.output import kept_frames, with_silence
from autochain.chain.settings import DRIVE, LIMITER, OUTPUT, ChainSettings
from autochain.config.model import Config
from autochain.earlier.same_song import refuse_other_mix
from autochain.earlier.sheet import EarlierSheet
from autochain.measure.head_and_tail import SILENCE_UNDER_PEAK_DB
from autochain.measure.spectrum import Spectrum, measure_spectrum
from autochain.prepare.silence_and_fades import find_silence_and_fades
from autochain.progress import Progress
from autochain.render.formats import Export, parse_export
from autochain.render.headroom import Headroom, headroom_of
from autochain.render.lossy import write_lossy
from autochain.render.master import (
    Master,
    at_rate,
    make_master,
    room_for_dither,
    solve_by_renders,
    solve_master,
    without_sound,
)
from autochain.render.normalised import Normalised, normalise
from autochain.render.reading import Reading, read_back
from autochain.render.sheet_chain import sheet_chain
from autochain.units import db_to_linear

if TYPE_CHECKING:
    from autochain.render.tool_chain import ToolChain

# Common settings of each coder, no source.
USUAL_CODERS = ("mp3:320", "mp3:192", "mp3:128", "vorbis:8", "vorbis:5", "opus:192", "opus:96")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeliveryOrder:
    """What is to be delivered.

    Attributes
    ----------
    mix, mix_path, sheet
        The mix and its sheet.
    exports
        Formats; all of them are written for every version.
    config
        Gives the limits of a solve.
    out
        Folder that holds none of the files.
    alternates
        Other versions of the song: same settings, same drive.
    solve
        Solve the drive anew for the sheet's target.
    coders
        Also try the usual coders and measure what they add to the peaks.
    on_tools
        The user's own tools in the chain; None renders the sheet's own stages.
    """

    mix: Mix
    mix_path: Path
    sheet: EarlierSheet
    exports: Sequence[Export]
    config: Config
    out: Path
    alternates: Sequence[tuple[Path, Mix]] = ()
    solve: bool = False
    coders: bool = False
    on_tools: "ToolChain | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """A file that was written: which version of the song it is (empty for the main one), its format and its figures."""

    version: str
    file: str
    export: Export
    reading: Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """An alternate version at the main master's settings; `apart_lu` is its loudness less that of the main master.

    `cut_sounds` holds the ends ("start", "end") at which it sounds where the main version is silent and cut.
    """

    file: str
    channels: int
    apart_lu: float | None
    lowered_db: float
    cut_sounds: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRate:
    """The master at another sample rate: what had to be set otherwise, and its loudness less that of the main master.

    `ceiling_dbtp` is the limiter's own, None where there is none.
    """

    rate_hz: int
    drive_db: float
    ceiling_dbtp: float | None
    trim_db: float
    apart_lu: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """Files that went out, and what to know about them.

    Attributes
    ----------
    mix, sheet
        What they were made from.
    master
        The main master at the mix's rate, its sound given back: a long song is large.
    spectrum
        Of the main master.
    met
        Whether a drive solved anew reached the target; None where the sheet's drive was taken as it stands.
    files, versions
        In the order written.
    rates
        What other sample rates wanted.
    normalised
        The 24-bit master at published levels.
    headroom
        What coders add to the peaks.
    on_tools
        As of the order.
    """

    mix: Mix
    sheet: EarlierSheet
    master: Master
    spectrum: Spectrum
    met: bool | None
    files: tuple[Delivered, ...]
    versions: tuple[Version, ...]
    rates: tuple[OtherRate, ...]
    normalised: tuple[Normalised, ...]
    headroom: tuple[Headroom, ...]
    on_tools: "ToolChain | None" = None

    @property
    def changed(self) -> tuple[str, ...]:
        """Settings, as `stage.parameter`, that a hand has changed on the sheet."""
        now = {f"{stage}.{name}": value for stage, own in self.sheet.stages.items() for name, value in own.items()}
        names = dict.fromkeys((*now, *self.sheet.found))
        return tuple(name for name in names if now.get(name) != self.sheet.found.get(name))


def names_of(stem: str, alternates: Iterable[Path], exports: Sequence[Export], mix_rate_hz: int) -> list[str]:
    """Names of all sound files that a delivery writes."""
    stems = [stem, *(path.stem for path in alternates)]
    return [export.name(one, mix_rate_hz) for one in stems for export in exports]


def deliver(order: DeliveryOrder, progress: Progress) -> Delivery:
    """Render, write, read back; `progress` is called with a phase and its share done."""
    mix, sheet, config = order.mix, order.sheet, order.config
    refuse_other_mix(sheet, mix)
    if order.on_tools is None:
        chain, settings = sheet_chain(sheet)
    else:
        chain, settings = order.on_tools.chain, order.on_tools.settings
    solve = solve_by_renders if order.on_tools is not None else partial(solve_master, plan=config.search.drive)
    target, met = sheet.target, None
    progress("rendering the master", 0.0)
    if order.solve:
        main, met = solve(mix, chain, settings, target, target.loudness_lufs, step_db=0.1)
    else:
        main = make_master(mix, chain, settings, target)
    spectrum = measure_spectrum(main.samples, mix.rate_hz)
    usual = [parse_export(text, mix.rate_hz, mix.channels) for text in USUAL_CODERS]
    tried = [export for export in usual if order.coders and export not in order.exports]
    rates = dict.fromkeys(export.rate_hz for export in (*order.exports, *tried))
    files: list[Delivered] = []
    versions: list[Version] = []
    others: list[OtherRate] = []
    headroom: list[Headroom] = []
    for rate_hz in rates:
        master = main
        if rate_hz != mix.rate_hz:
            progress(f"rendering at {rate_hz} Hz", 0.0)
            if main.lufs is None:  # nothing to solve for
                master = make_master(at_rate(mix, rate_hz), chain, main.settings, target)
            else:
                master, _ = solve(at_rate(mix, rate_hz), chain, main.settings, target, main.lufs)
            others.append(_other_rate(master, main))
        here = [export for export in order.exports if export.rate_hz == rate_hz]
        settings_here, lufs_here = master.settings, master.lufs
        own = [(order.mix_path, "", master)]
        if master is main:
            main = without_sound(main)
        del master  # a minute at 96 kHz is 46 MB: no sound stays longer than it is needed
        for number, (path, other) in enumerate(order.alternates if here else (), 1):
            progress(f"rendering other version {number} of {len(order.alternates)}", 0.0)
            own_settings, sounds = _cut_alike(settings_here, other)
            version = make_master(at_rate(other, rate_hz), chain, own_settings, target)
            own.append((path, other.file, version))
            if rate_hz == mix.rate_hz:
                apart = None if version.lufs is None or lufs_here is None else version.lufs - lufs_here
                versions.append(
                    Version(
                        file=other.file,
                        channels=other.channels,
                        apart_lu=apart,
                        lowered_db=version.lowered_db,
                        cut_sounds=sounds,
                    )
                )
        while own:
            path, version_name, made = own.pop(0)
            tags = read_tags(path)
            heard = with_silence(made.samples, rate_hz, made.settings[OUTPUT])
            made = without_sound(made)
            for export in here:
                progress("writing and reading back", 0.0)
                name = export.name(path.stem, mix.rate_hz)
                _write(order, name, made, heard, export, tags)
                reading = read_back(order.out / name)
                files.append(Delivered(version=version_name, file=name, export=export, reading=reading))
                if export.kind.bits is None and not version_name:
                    headroom.append(headroom_of(export, reading, target.ceiling_dbtp, made.peak_dbtp))
            if not version_name:
                trying = [export for export in tried if export.rate_hz == rate_hz]
                headroom += _tried(trying, heard, target.ceiling_dbtp, made.peak_dbtp, progress)
            del heard, made  # before the next song is in memory
    figures = files[0].reading.figures
    heard_at = figures.integrated_lufs, figures.true_peak_dbtp
    return Delivery(
        mix=mix,
        sheet=sheet,
        master=without_sound(main),
        spectrum=spectrum,
        met=met,
        files=tuple(files),
        versions=tuple(versions),
        rates=tuple(others),
        normalised=() if heard_at[0] is None or heard_at[1] is None else normalise(heard_at[0], heard_at[1]),
        headroom=tuple(headroom),
        on_tools=order.on_tools,
    )


def _cut_alike(
    settings: ChainSettings, other: Mix
) -> tuple[ChainSettings, tuple[str, ...]]:
    """The main master's settings for another version, and the ends at which that sounds where the main one is cut.

    The start is cut alike in any case, so that versions run in step; at the end the sound stays.
    """
    output, frames = settings[OUTPUT], other.samples.shape[0]
    first, last = kept_frames(frames, other.rate_hz, output)
    reach = float(np.abs(other.samples).max(initial=0.0)) * db_to_linear(-SILENCE_UNDER_PEAK_DB)
    parts = {"start": other.samples[:first], "end": other.samples[last:]}
    sounds = tuple(end for end, part in parts.items() if np.abs(part).max(initial=0.0) > reach)
    ends = find_silence_and_fades(other.samples, other.rate_hz) if "end" in sounds else None
    if ends is None:
        return settings, sounds
    tail = min(output["tail_cut_ms"], float(ends.tail_cut_ms))
    return settings.with_(OUTPUT, tail_cut_ms=tail), sounds


def _other_rate(master: Master, main: Master) -> OtherRate:
    return OtherRate(
        rate_hz=master.rate_hz,
        drive_db=master.settings[DRIVE]["gain_db"],
        ceiling_dbtp=master.settings.get(LIMITER, "ceiling_dbtp"),
        trim_db=master.settings[OUTPUT]["trim_db"],
        apart_lu=None if master.lufs is None or main.lufs is None else master.lufs - main.lufs,
    )


def _tried(
    exports: Iterable[Export], heard: Samples, ceiling_dbtp: float, master_dbtp: float | None, progress: Progress
) -> list[Headroom]:
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for export in exports:
            progress("trying coders", 0.0)
            path = Path(folder, f"try.{export.kind.ending}")
            write_lossy(path, heard, export, {}, force=True)
            found.append(headroom_of(export, read_back(path, second_meter=False), ceiling_dbtp, master_dbtp))
    return found


def _write(
    order: DeliveryOrder, name: str, made: Master, heard: Samples, export: Export, tags: dict[str, str]
) -> None:
    path, sheet = order.out / name, order.sheet
    if export.kind.bits is None:
        write_lossy(path, heard, export, tags)
    else:
        bits = export.kind.bits
        quiet = room_for_dither(heard, made.peak_dbtp, sheet.target.ceiling_dbtp, bits)
        write_wav(
            path, quiet, export.rate_hz, sheet.seed, bits=bits, container=export.kind.container, tags=tags
        )
