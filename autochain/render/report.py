"""A delivery as a report: what went out, what to know, what happens to it later."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from autochain.audio.blocks import shown
from autochain.chain.chain import STAGES
from autochain.chain.settings import DRIVE, LIMITER, OUTPUT
from autochain.document.as_html import html
from autochain.document.blocks import (
    Block,
    Code,
    FileName,
    Heading,
    Inline,
    Line,
    Listed,
    Paragraph,
    Strong,
    Verbatim,
    table,
)
from autochain.document.shell import page
from autochain.render.delivery import Delivered, Delivery, Version
from autochain.render.second_meter import meter_name
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
# EBU Tech 3341 lets a meter read 0.1 LU off. Two that differ by more, where they were never seen to differ by 0.03 on
# files of 2 s and more, are a fault somewhere.
METERS_APART_LU = 0.1
AGREE = f"Both meters agree within {METERS_APART_LU} LU, the accuracy that EBU Tech 3341 asks of each."
SECOND_METER = (
    'The second meter is {}, a published one, with its filters that follow BS.1770-5 ("DeMan"). With its default '
    "filters it reads up to 0.05 LU less. In a file of a few seconds it may read 0.03 LU less, because it also counts "
    "the last, incomplete block."
)
_OUT_OF_REACH = (
    "The target is out of reach with these settings: the file is as loud as they get, however hard it is driven. "
    "Raise the limiter's ceiling, or aim lower, before you deliver it."
)
_WHOLE_FILES = (
    "Loudness in the first line is that of the song alone; in the table, of the whole file with the silence around it."
)


def report(delivery: Delivery) -> Iterator[Block]:
    """Everything that is said of a delivery."""
    yield Heading((FileName(delivery.mix.file), ": the files that go out"), 1)
    yield from _result(delivery)
    head = ["file", "format", "length", "loudness", "loudest 3 s", "true peak", "samples at full scale", "size"]
    yield table(head, (_row(file) for file in delivery.files))
    yield Paragraph(_WHOLE_FILES)
    yield from _rates(delivery)
    yield from two_meters(delivery.files)
    yield from _more(delivery.files)
    yield from _versions(delivery)
    yield from _coders(delivery)
    yield from _normalised(delivery)
    yield Heading("Checksums (SHA-256)")
    yield Verbatim([f"{file.reading.sha256}  {shown(Path(file.file))}" for file in delivery.files])
    yield Paragraph(CAUTION)


def report_page(delivery: Delivery, blocks: Iterable[Block]) -> str:
    """The report as a self-contained page."""
    return page(f"{delivery.mix.file}: the files that go out", html(blocks))


def _result(delivery: Delivery) -> Iterator[Block]:
    target, first = delivery.sheet.target, delivery.files[0].reading.figures
    which = "loudest 3 s" if target.of_loudest_part else "whole song"
    reached = f"{number(delivery.master.lufs, 'LUFS')} ({which}), true peak {number(first.true_peak_dbtp, 'dBTP')}."
    asked = f" The sheet asks for {number(target.loudness_lufs, 'LUFS')} under {number(target.ceiling_dbtp, 'dBTP')}."
    yield Paragraph((Strong(reached), asked), "lead")
    over = [file for file in delivery.files if (file.reading.figures.true_peak_dbtp or -200.0) > target.ceiling_dbtp]
    if over:
        told = "; ".join(f"{f.file} {number(f.reading.figures.true_peak_dbtp, 'dBTP', 2)}" for f in over)
        yield Paragraph(Strong(f"Over the ceiling once decoded: {told}."))
    yield Paragraph(_on_lines(_settings(delivery)))
    yield from _own_tools(delivery)


def _settings(delivery: Delivery) -> Iterator[tuple[Inline, ...]]:
    """Sentences about the settings that were rendered."""
    sheet, master = FileName(delivery.sheet.file), delivery.master
    if delivery.changed:
        yield "Changed by hand on ", sheet, f": {', '.join(delivery.changed)}."
    else:
        yield "Settings are those of ", sheet, "."
    if delivery.met is not None:
        moved = f"The drive was set anew, {number(master.drive_moved_db, 'dB', signed=True)} from the sheet's."
        yield (moved,) if delivery.met else (f"{moved} ", Strong(_OUT_OF_REACH))
    elif master.lufs is not None and abs(away := master.lufs - delivery.sheet.target.loudness_lufs) > 0.1:
        yield (
            f"That is {number(abs(away), 'LU')} {'over' if away > 0.0 else 'under'} the target, with the drive as it "
            "stands on the sheet. ",
            Code("--solve"),
            " sets the drive for the target.",
        )
    if master.lowered_db > 0.0:
        yield (
            f"The trim was lowered by {number(master.lowered_db, 'dB')} to hold the ceiling. To keep the level, lower "
            "the limiter's own ceiling and set the drive anew with ",
            Code("--solve"),
            ".",
        )


def _own_tools(delivery: Delivery) -> Iterator[Block]:
    """What the tools were set to, where their models rendered it."""
    if delivery.on_tools is None:
        return
    from autochain.render.tool_chain import knobs_told  # with what sets tools, which no other delivery needs

    drive = number(delivery.master.settings[DRIVE]["gain_db"], "dB")
    yield Paragraph(
        f"Rendered through the models of your own tools, with a drive of {drive}. What has no tool went through the "
        "sheet's own stages. Your tools themselves may differ from their models."
    )
    placed = delivery.on_tools.placed.items()
    rows: list[list[Line]] = [[STAGES[stage].label, one.tool.name, knobs_told(one)] for stage, one in placed]
    yield table(["stage", "tool", "set to"], rows)


def _on_lines(sentences: Iterable[tuple[Inline, ...]]) -> Line:
    """Sentences as one paragraph, a line of text each."""
    line: list[Inline] = []
    for sentence in sentences:
        line += ["\n", *sentence] if line else sentence
    return tuple(line)


def _row(file: Delivered) -> list[Line]:
    reading = file.reading
    return [
        FileName(file.file),
        f"{file.export.label}, {number(reading.rate_hz / 1000.0, 'kHz')}",
        clock(reading.duration_s),
        number(reading.figures.integrated_lufs, "LUFS"),
        number(reading.figures.max_short_term_lufs, "LUFS"),
        number(reading.figures.true_peak_dbtp, "dBTP", 2),
        str(reading.clipped),
        number(reading.size_bytes / 1e6, "MB"),
    ]


def _rates(delivery: Delivery) -> Iterator[Block]:
    was = delivery.master.settings
    label = STAGES[DRIVE].label
    for one in delivery.rates:
        moved = number(one.drive_db - was[DRIVE]["gain_db"], "dB", 2, signed=True)
        text = (
            f"At {number(one.rate_hz / 1000.0, 'kHz')} the mix was resampled before the chain, so that the ceiling "
            f"holds there too. For the same loudness the {label} is {moved} from the main master's"
        )
        if one.ceiling_dbtp is not None and one.ceiling_dbtp != was.get(LIMITER, "ceiling_dbtp"):
            text += f", the ceiling of the limiter at {number(one.ceiling_dbtp, 'dBTP')}"
        if one.trim_db != was[OUTPUT]["trim_db"]:
            text += f", the trim at {number(one.trim_db, 'dB')}"
        if one.apart_lu is not None and abs(one.apart_lu) > _SAME_LU:
            text += f", and yet it ends {number(one.apart_lu, 'LU', 2, signed=True)} from it"
        yield Paragraph(f"{text}.")


def two_meters(files: Iterable[Delivered]) -> Iterator[Block]:
    """Integrated loudness by our own meter and by a second one."""
    yield Heading("Two meters")
    rows: list[list[Line]] = []
    apart = []
    for file in files:
        own, other = file.reading.figures.integrated_lufs, file.reading.second_lufs
        difference = file.reading.meters_apart_lu
        if abs(difference or 0.0) > METERS_APART_LU or (own is None) != (other is None):
            apart.append(file.file)
        readings = number(own, "LUFS", 2), number(other, "LUFS", 2), number(difference, "LU", 2, signed=True)
        rows.append([FileName(file.file), *readings])
    yield table(["file", "this program", "second meter", "difference"], rows)
    if apart:
        wrong = f"More than {METERS_APART_LU} LU apart: {'; '.join(apart)}."
        yield Paragraph((Strong(wrong), " Read these with a third meter before you deliver them."))
    else:
        yield Paragraph(AGREE)
    yield Paragraph(SECOND_METER.format(meter_name()), "soft")


def _more(files: Iterable[Delivered]) -> Iterator[Block]:
    """The figures that a delivery form asks for beside loudness and peak, and the standards they follow."""
    yield Heading("More figures")
    rows: list[list[Line]] = []
    for file in files:
        figures = file.reading.figures
        unstable = file.reading.duration_s < _STABLE_S and figures.loudness_range_lu is not None
        rows.append(
            [
                FileName(file.file),
                number(figures.max_momentary_lufs, "LUFS"),
                number(figures.loudness_range_lu, "LU") + (" (unstable under 60 s)" if unstable else ""),
                number(figures.plr_db, "dB"),
            ]
        )
    yield table(["file", "maximum momentary (0.4 s)", "loudness range", "peak to loudness (PLR)"], rows)
    yield Paragraph(STANDARDS, "soft")


def _versions(delivery: Delivery) -> Iterator[Block]:
    if not delivery.versions:
        return
    yield Heading("Other versions of the song")
    yield Paragraph("Rendered with the settings and the drive of the main master.")
    told: list[Line] = []
    for version in delivery.versions:
        mono = ""
        if version.channels != delivery.mix.channels:  # BS.1770: the powers of the channels add up
            less = version.channels < delivery.mix.channels
            mono = f", {'less' if less else 'more'} by 3 LU for its {'one channel' if less else 'two channels'} alone"
        lower = f"; its trim is {number(version.lowered_db, 'dB')} lower" if version.lowered_db else ""
        apart = number(version.apart_lu, "LU", signed=True)
        told.append((FileName(version.file), f": {apart} from the main master{mono}{lower}.{_cut_sounds(version)}"))
    yield Listed(told)


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


def _coders(delivery: Delivery) -> Iterator[Block]:
    if not delivery.headroom:
        return
    ceiling = number(delivery.sheet.target.ceiling_dbtp, "dBTP")
    yield Heading("After a coder")
    yield Paragraph(
        f"Each was coded, decoded and measured. Set the ceiling in the last column, and the decoded file stays under "
        f"{ceiling} as well, if the coder adds the same again."
    )
    yield table(
        ["coder", "bit rate", "true peak decoded", "samples at full scale", "ceiling to set"],
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


def _normalised(delivery: Delivery) -> Iterator[Block]:
    if not delivery.normalised:
        return
    yield Heading("After loudness normalisation")
    rows = []
    for one in delivery.normalised:
        held = f"{number(one.short_lu, 'LU')} less, to hold the peak" if one.short_lu > 0.05 else "in full"
        rows.append(
            [
                one.practice,
                number(one.level_lufs, "LUFS", 0),
                number(one.gain_db, "dB", signed=True),
                number(one.true_peak_dbtp, "dBTP"),
                held,
            ]
        )
    yield table(["who", "level", "gain", "true peak then", "gain applied"], rows)
