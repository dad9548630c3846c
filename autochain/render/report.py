"""A delivery as one page: what went out, what to know, what happens to it later."""

from collections.abc import Iterable
from pathlib import Path

from autochain.audio.blocks import shown
from autochain.chain.chain import STAGES
from autochain.render.delivery import Delivered, Delivery, Version
from autochain.sheet.tables import plain, table
from autochain.sheet.words import CAUTION
from autochain.units import clock, number

# EBU Tech 3341 version 4 (November 2023): no stable loudness range in the first 60 s.
_STABLE_S = 60.0
STANDARDS = (
    "Loudness and true peak follow ITU-R BS.1770-5 (November 2023), momentary and short-term loudness EBU Tech 3341 "
    "version 4 (November 2023), loudness range EBU Tech 3342 (November 2023). PLR is true peak less integrated "
    "loudness; true peak is the highest of three readings."
)
_SAME_LU = 0.05  # nearer than this is the same loudness


_OUT_OF_REACH = (
    " **The target is out of reach with these settings: the file is as loud as they get, however hard it is driven. "
    "Raise the limiter's ceiling, or aim lower, before you deliver it.**"
)
_WHOLE_FILES = "The loudness above is that of the song; the table's that of whole files, with the silence around it."


def to_markdown(delivery: Delivery) -> str:
    """The page, with a final newline."""
    lines = [f"# {plain(delivery.mix.file)}: the files that go out", "", *_result(delivery), ""]
    head = ["file", "format", "length", "loudness", "loudest 3 s", "true peak", "samples at full scale", "size"]
    lines += table(head, [_row(file) for file in delivery.files])
    lines += ["", _WHOLE_FILES, "", *_more(delivery), *_rates(delivery), *_versions(delivery)]
    lines += [*_coders(delivery), *_normalised(delivery)]
    lines += ["## Checksums", "", "```"]
    lines += [f"{file.reading.sha256}  {shown(Path(file.file))}" for file in delivery.files]
    lines += ["```", "", CAUTION, ""]
    return "\n".join(lines)


def _result(delivery: Delivery) -> Iterable[str]:
    target, first = delivery.sheet.target, delivery.files[0].reading.figures
    which = "loudest 3 s" if target.of_loudest_part else "whole song"
    master = delivery.master
    yield (
        f"**{number(master.lufs, 'LUFS')} ({which}), true peak {number(first.true_peak_dbtp, 'dBTP')}.** "
        f"The sheet asks for {number(target.loudness_lufs, 'LUFS')} under {number(target.ceiling_dbtp, 'dBTP')}."
    )
    over = [file for file in delivery.files if (file.reading.figures.true_peak_dbtp or -200.0) > target.ceiling_dbtp]
    if over:
        told = "; ".join(f"{plain(f.file)} {number(f.reading.figures.true_peak_dbtp, 'dBTP', 2)}" for f in over)
        yield f"**Over the ceiling once decoded: {told}.**"
    yield ""
    if delivery.changed:
        yield f"Changed by hand on {plain(delivery.sheet.file)}: {', '.join(plain(n) for n in delivery.changed)}."
    else:
        yield f"Settings are those of {plain(delivery.sheet.file)}."
    if delivery.met is not None:
        moved = number(master.drive_moved_db, "dB", signed=True)
        yield f"The drive was set anew, {moved} from the sheet's." + (
            "" if delivery.met else _OUT_OF_REACH
        )
    elif master.lufs is not None and abs(away := master.lufs - target.loudness_lufs) > 0.1:
        yield (
            f"That is {number(away, 'LU', signed=True)} from the target: the sheet's drive was taken as it stands. "
            "`--solve` sets it anew."
        )
    if master.lowered_db > 0.0:
        yield (
            f"The trim was lowered by {number(master.lowered_db, 'dB')} to hold the ceiling. To keep the "
            "level, lower the limiter's own ceiling and set the drive anew with `--solve`."
        )


def _more(delivery: Delivery) -> Iterable[str]:
    """The figures that a delivery form asks for beside loudness and peak, and the standards they follow."""
    yield "## More figures"
    yield ""
    rows = []
    for file in delivery.files:
        figures = file.reading.figures
        unstable = file.reading.duration_s < _STABLE_S and figures.loudness_range_lu is not None
        rows.append(
            [
                plain(file.file),
                number(figures.max_momentary_lufs, "LUFS"),
                number(figures.loudness_range_lu, "LU") + (" (unstable under 60 s)" if unstable else ""),
                number(figures.plr_db, "dB"),
            ]
        )
    yield from table(["file", "loudest 0.4 s (maximum momentary)", "loudness range", "peak to loudness (PLR)"], rows)
    yield ""
    yield STANDARDS
    yield ""


def _row(file: Delivered) -> list[str]:
    reading = file.reading
    return [
        plain(file.file),
        f"{file.export.label}, {number(reading.rate_hz / 1000.0, 'kHz')}",
        clock(reading.duration_s),
        number(reading.figures.integrated_lufs, "LUFS"),
        number(reading.figures.max_short_term_lufs, "LUFS"),
        number(reading.figures.true_peak_dbtp, "dBTP", 2),
        str(reading.clipped),
        number(reading.size_bytes / 1e6, "MB"),
    ]


def _versions(delivery: Delivery) -> Iterable[str]:
    if not delivery.versions:
        return
    yield "## Other versions of the song"
    yield ""
    yield "Rendered with the settings and the drive of the main master."
    yield ""
    for version in delivery.versions:
        mono = ""
        if version.channels != delivery.mix.channels:  # BS.1770: the powers of the channels add up
            less = version.channels < delivery.mix.channels
            mono = f", {'less' if less else 'more'} by 3 LU for its {'one channel' if less else 'two channels'} alone"
        lower = f"; its trim is {number(version.lowered_db, 'dB')} lower" if version.lowered_db else ""
        apart = number(version.apart_lu, "LU", signed=True)
        yield f"- {plain(version.file)}: {apart} from the main master{mono}{lower}.{_cut_sounds(version)}"
    yield ""


def _cut_sounds(version: Version) -> str:
    """What of a version sounds where the main one is silent and cut."""
    told = ""
    if "start" in version.cut_sounds:
        told += (
            " It begins before the main version: that is cut off, so that both run in step. To keep it, set "
            "output.head_cut_ms on the sheet lower."
        )
    if "end" in version.cut_sounds:
        told += " It sounds longer than the main version, and is kept whole."
    return told


def _rates(delivery: Delivery) -> Iterable[str]:
    was = delivery.master.settings
    label = STAGES["drive"].label
    for one in delivery.rates:
        moved = number(one.drive_db - was["drive"]["gain_db"], "dB", 2, signed=True)
        text = (
            f"At {number(one.rate_hz / 1000.0, 'kHz')} the mix was resampled before the chain, so that the ceiling "
            f"holds there too; the same loudness wants {moved} of {label}"
        )
        if one.ceiling_dbtp is not None and one.ceiling_dbtp != was["limiter"]["ceiling_dbtp"]:
            text += f", the ceiling of the limiter at {number(one.ceiling_dbtp, 'dBTP')}"
        if one.trim_db != was["output"]["trim_db"]:
            text += f", the trim at {number(one.trim_db, 'dB')}"
        if one.apart_lu is not None and abs(one.apart_lu) > _SAME_LU:
            text += f", and yet it ends {number(one.apart_lu, 'LU', 2, signed=True)} from it"
        yield f"{text}."
        yield ""


def _coders(delivery: Delivery) -> Iterable[str]:
    if not delivery.headroom:
        return
    ceiling = delivery.sheet.target.ceiling_dbtp
    yield "## After a coder"
    yield ""
    yield (
        f"Coded, decoded and measured. To stay under {number(ceiling, 'dBTP')} after the coder as well, this song "
        "wants the ceiling in the last column, as far as the coder adds as much there."
    )
    yield ""
    yield from table(
        ["coder", "used", "comes back at", "samples at full scale", "ceiling to set"],
        [
            [
                f"{one.export.label}, {number(one.export.rate_hz / 1000.0, 'kHz')}",
                number(one.kbps, "kbit/s", 0),
                number(one.true_peak_dbtp, "dBTP", 2),
                str(one.clipped),
                "as it is" if one.ceiling_dbtp is None else number(one.ceiling_dbtp, "dBTP"),
            ]
            for one in delivery.headroom
        ],
    )
    yield ""


def _normalised(delivery: Delivery) -> Iterable[str]:
    if not delivery.normalised:
        return
    yield "## After loudness normalisation"
    yield ""
    rows = []
    for one in delivery.normalised:
        peak = number(one.true_peak_dbtp, "dBTP")
        held = f"{number(one.short_lu, 'LU')} short if its peak is held" if one.short_lu > 0.05 else "all of it"
        rows.append(
            [one.practice, number(one.level_lufs, "LUFS", 0), number(one.gain_db, "dB", signed=True), peak, held]
        )
    yield from table(["who", "level", "gain", "true peak then", "applied"], rows)
    yield ""
