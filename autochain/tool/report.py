"""A tool as a report: what it is, what its knobs mean, times by published definitions, how well the model fits."""

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from autochain.document.as_html import html
from autochain.document.as_markdown import markdown
from autochain.document.blocks import Block, Figure, FileName, Heading, Line, Listed, Paragraph, Part, Strong, table
from autochain.document.shell import page
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_clipper import ClipperFit
from autochain.tool.fit_compressor import course, steps_db
from autochain.tool.fit_equaliser import EqualiserFit, EqualiserModel
from autochain.tool.gain_curve import gain_db
from autochain.tool.knobs import THINGS
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.pictures import Course, lines_chart
from autochain.tool.published import StepTimes, step_times
from autochain.tool.read import ToolReading
from autochain.tool.tool import TRUSTED_DB, Model, Tool
from autochain.units import number

Floats = npt.NDArray[np.float64]

NOT_TRUSTED = (
    "The model fits badly. A sheet will not tell what to set on this tool: set it by the meter, as the sheet says."
)
UNITS = {
    "threshold_dbfs": "dBFS", "ceiling_dbfs": "dBFS", "ratio": "", "knee_db": "dB", "attack_ms": "ms",
    "release_ms": "ms", "lookahead_ms": "ms", "gain_db": "dB", "softness": "%", "freq_hz": "Hz", "q": "",
    "level_db": "dB",
}  # fmt: skip
_WORDS = {
    "threshold_dbfs": "threshold", "ceiling_dbfs": "ceiling", "knee_db": "knee", "attack_ms": "attack",
    "release_ms": "release", "lookahead_ms": "look-ahead", "gain_db": "gain behind it", "softness": "softness",
    "freq_hz": "frequency", "level_db": "level", "q": "Q", "ratio": "ratio",
}  # fmt: skip
_TIMES = (
    ("63 % of the way, 12 dB over", "63"), ("10 to 90 % of the way, 12 dB over", "10_90"),
    ("10 dB (W3C Web Audio)", "10_db"), ("ANSI S3.22 (35 dB; within 3 dB, back 4 dB)", "s322"),
    ("IEC 60118-2 (25 dB; within 2 dB)", "60118"),
)  # fmt: skip


def tool_markdown(reading: ToolReading) -> str:
    """The report as text."""
    return markdown(tool_report(reading, pictures=False))


def tool_page(reading: ToolReading) -> str:
    """The report as a page with pictures."""
    return page(f"Tool: {reading.tool.name}", html(tool_report(reading, pictures=True)))


def tool_report(reading: ToolReading, *, pictures: bool) -> list[Block]:
    """All of it."""
    tool = reading.tool
    blocks: list[Block] = [
        Heading(("Tool: ", FileName(tool.name)), 1),
        Part([Paragraph(Strong(model_words(tool.models[0]))), Paragraph(_how_well(tool))], role="lead"),
        *_knobs(tool),
    ]
    if pictures:
        blocks += _pictures(reading)
    if tool.kind in ("compressor", "limiter"):
        blocks += _times(reading)
    blocks += _bounces(reading)
    return blocks


def value_words(field: str, value: float) -> str:
    """A thing with its unit."""
    if field == "ratio" and value > 100.0:
        return "limits"
    decimals = 1 if UNITS[field] in ("dBFS", "dB") else 0 if value >= 100.0 else 1 if value >= 10.0 else 2
    return number(value, UNITS[field], decimals)


def model_words(model: Model) -> str:
    """A model in one sentence."""
    match model:
        case CompressorModel():
            what = {
                "level": f"Smooths the {'power' if model.detector == 'rms' else 'magnitude'} before its curve",
                "reduction": f"Smooths the reduction behind its curve, {model.detector} detector"
                + (f" over {number(model.rms_ms, 'ms')}" if model.detector == "rms" else ""),
            }[model.smooths]
            link = {
                "loudest": "the louder channel steers both",
                "mean": "the mean of both channels steers both",
                "own": "each channel steers itself",
            }[model.link]
            more = f", side-chain high-pass at {model.sidechain_hpf_hz:.0f} Hz" if model.sidechain_hpf_hz else ""
            more += f", look-ahead {number(model.lookahead_ms, 'ms', 2)}" if model.lookahead_ms else ""
            fields = ("threshold_dbfs", "ratio", "knee_db", "attack_ms", "release_ms")
            return f"Compressor: {_listed(model, fields)}. {what}; {link}{more}."
        case LimiterModel():
            way = {
                "smooth": "averages the reduction it will need, exponential way back",
                "ramp": "straight ramps in gain; the release is the whole way back from any depth",
                "instant": "down at once, back as the level falls",
            }[model.way]
            peak = "true peak" if model.true_peak else "sample peak"
            fields = ("ceiling_dbfs", "release_ms", *(("lookahead_ms",) if model.lookahead_ms else ()))
            return f"Limiter, {peak}: {_listed(model, fields)}. It {way}{'' if model.linked else '; sides apart'}."
        case ClipperModel():
            curve = "A curve of its own, nearest to" if model.curve_db else "Fits"
            over = "oversampled" if model.oversampled else "not oversampled: harmonics fold back"
            return f"Clipper. {curve} {_listed(model, ('ceiling_dbfs', 'softness'))}; {over}."
        case EqualiserModel():
            gain = () if model.type in ("highpass", "lowpass") else ("gain_db",)
            name = {"bell": "Bell", "lowshelf": "Low shelf", "highshelf": "High shelf", "highpass": "High-pass"}
            told = _listed(model, ("freq_hz", *gain, "q")).replace("gain behind it", "gain")
            return f"{name.get(model.type, 'Low-pass')}: {told}{'; narrow toward the top' if model.warped else ''}."


def _listed(model: Model, fields: tuple[str, ...]) -> str:
    return ", ".join(f"{_WORDS[name]} {value_words(name, getattr(model, name))}" for name in fields)


def _how_well(tool: Tool) -> Line:
    worst = max(one.programme_db for one in tool.bounces)
    if tool.kind == "clipper":
        told = f"What the model misses on the test's music lies {-worst:.0f} dB under its output"
    elif tool.kind == "equaliser":
        told = f"The curve is met within {worst:.2f} dB rms"
    else:
        told = f"On the test's music the model's gain is off by {worst:.2f} dB rms"
    if tool.trusted:
        return f"{told}. A sheet can tell what to set on it."
    return (f"{told}; more than {TRUSTED_DB[tool.kind]:g} dB. ", Strong(NOT_TRUSTED))


def _knobs(tool: Tool) -> Iterator[Block]:
    if not tool.knobs:
        return
    yield Heading("What the knobs mean", mark="knobs")
    rows = list[list[Line]]()
    for role, knob in tool.knobs.items():
        field = THINGS[tool.kind][role][0]
        for place, one in enumerate(tool.bounces, 1):
            if role in one.knobs:
                is_ = value_words(field, float(one.model[field]))
                rows.append([knob.word, str(place), f"{one.knobs[role]:g}", f"{is_} {_WORDS[field]}"])
    yield table(["knob", "bounce", "set", "is"], rows)
    if len(tool.bounces) == 1:
        yield Paragraph(
            "One bounce: other positions are taken in proportion (times, ratios) or shifted by as much (levels). A "
            "second bounce at other settings makes this sure."
        )


def _times(reading: ToolReading) -> Iterator[Block]:
    models = [m for m in reading.tool.models if isinstance(m, CompressorModel | LimiterModel)]
    found = [step_times(model) for model in models]
    yield Heading("Times by published definitions", mark="times")
    head = ["definition", *(f"{way}, bounce {k}" for k in range(1, len(found) + 1) for way in ("attack", "release"))]
    yield table(head, ([name, *_time_cells(found, key)] for name, key in _TIMES))
    yield Paragraph(
        "From the model, on a tone of 2 kHz stepped up and down. A dash stands where the gain does not move as far."
    )


def _time_cells(found: list[StepTimes], key: str) -> Iterator[str]:
    for times in found:
        for way in ("attack", "release"):
            value = getattr(times, f"{way}_{key}_ms")
            yield number(value, "ms", 0 if value is not None and value >= 100.0 else 1)


def _bounces(reading: ToolReading) -> Iterator[Block]:
    yield Heading("The bounces", mark="bounces")
    rows = list[list[Line]]()
    for place, one in enumerate(reading.tool.bounces, 1):
        turned = ", turned over" if one.polarity < 0 else ""
        rows.append(
            [
                str(place), FileName(one.file), f"{one.rate_hz} Hz", f"{number(one.delay_samples)} samples{turned}",
                number(one.gain_db, "dB", 2, signed=True), number(one.residual_db, "dB", 3),
                number(one.programme_db, "dB", 2),
            ]
        )  # fmt: skip
    yield table(["#", "file", "rate", "late by", "quiet gain", "fit off by", "on music off by"], rows)
    told = [
        f"Bounce {place}: {remark}" if len(reading.remarks) > 1 else remark
        for place, remarks in enumerate(reading.remarks, 1)
        for remark in remarks
    ]
    noted = ", ".join(f"{name} {value}" for name, value in reading.tool.noted.items())
    if noted:
        told.append(f"As it stood, and has to stand again: {noted}.")
    if told:
        yield Listed(told)


def _pictures(reading: ToolReading) -> Iterator[Block]:
    fit, bounce, tool = reading.fits[0], reading.bounces[0], reading.tool
    model = tool.models[0]
    yield Heading("In pictures", mark="pictures")
    if isinstance(fit, EqualiserFit):
        yield _response(fit, bounce.rate_hz)
        return
    if isinstance(fit, ClipperFit):
        yield _clip_curve(fit)
    elif isinstance(model, CompressorModel | LimiterModel):
        yield _static_curve(reading)
        yield _steps(reading)
    distortion = _distortion(reading)
    if distortion is not None:
        yield distortion


def _response(fit: EqualiserFit, rate_hz: int) -> Figure:
    modelled = fit.model.response_db(np.array(fit.freq_hz), rate_hz)
    label = "Gain by frequency, measured and fitted"
    courses = [
        Course(at=fit.freq_hz, values=fit.measured_db),
        Course(at=fit.freq_hz, values=list(modelled), kind="second"),
    ]
    svg = lines_chart(label, courses, "Hz", "dB", log=True, least=6.0)
    return Figure(svg, f"{label}. Line: measured. Dashed: the model.")


def _clip_curve(fit: ClipperFit) -> Figure:
    at, gains = np.array(fit.curve_db).T
    from autochain.chain.clipper import clipping_curve

    size = 10.0 ** (0.05 * at)
    ours = 20.0 * np.log10(clipping_curve(size, 10.0 ** (0.05 * fit.model.ceiling_dbfs), fit.model.softness) / size)
    label = "Gain by input level, measured and by our nearest curve"
    courses = [Course(at=list(at), values=list(gains)), Course(at=list(at), values=list(ours), kind="second")]
    return Figure(lines_chart(label, courses, "dBFS in", "dB"), f"{label}. Line: measured. Dashed: ours.")


def _static_curve(reading: ToolReading) -> Figure:
    tool, bounce = reading.tool, reading.bounces[0]
    group = "stairs" if tool.kind == "compressor" else "limit_stairs"
    steps = [one for one in steps_db(bounce, group) if np.isfinite(one[1])]
    modelled = _model_steps(reading, group)
    courses = [
        Course(at=[level for level, _ in steps], values=[level + gain for level, gain in steps], kind="ring"),
        Course(at=[level for level, _ in modelled], values=[level + gain for level, gain in modelled], kind="second"),
    ]
    label = "Static curve: level out by level in, a tone of 1 kHz"
    caption = f"{label}. Rings: measured at the end of every step, up and down. Dashed: the model."
    return Figure(lines_chart(label, courses, "dBFS in", "dBFS out"), caption)


def _model_steps(reading: ToolReading, group: str) -> list[tuple[float, float]]:
    bounce, model = reading.bounces[0], reading.tool.models[0]
    segments = bounce.of(group)
    span = slice(segments[0].span(bounce.rate_hz).start, segments[-1].span(bounce.rate_hz).stop)
    played, _ = bounce.both(span)
    made = model.process(np.ascontiguousarray(played), bounce.rate_hz)
    found = []
    for one in segments:
        own = one.span(bounce.rate_hz)
        last = slice(own.stop - (own.stop - own.start) // 3 - span.start, own.stop - span.start)
        found.append((one.level_dbfs, float(gain_db(played[last], made[last], np.zeros(1, dtype=np.int64))[0])))
    return sorted(found)


def _steps(reading: ToolReading) -> Figure:
    bounce, model = reading.bounces[0], reading.tool.models[0]
    group = "bursts" if reading.tool.kind == "compressor" else "limit_bursts"
    segments = bounce.of(group)
    place = max(range(len(segments)), key=lambda k: (segments[k].seconds >= 0.5, segments[k].level_dbfs))
    rate_hz = bounce.rate_hz
    before = max(0, segments[0].span(rate_hz).start - rate_hz)
    begin = segments[place].span(rate_hz).start - round(0.05 * rate_hz)
    span = slice(begin, min(len(bounce.heard), segments[min(place + 1, len(segments) - 1)].span(rate_hz).stop))
    made = np.zeros_like(bounce.heard)
    made[before : span.stop] = model.process(np.ascontiguousarray(bounce.played[before : span.stop]), rate_hz)
    at_ms, gains = course(bounce, span, 2.0)
    block = round(2e-3 * rate_hz)
    starts = np.arange((span.stop - span.start) // block) * block
    length = starts.size * block
    own = gain_db(bounce.played[span][:length], made[span][:length], starts)
    courses = [
        Course(at=list(at_ms), values=list(gains)),
        Course(at=list(1e3 * (starts + block) / rate_hz), values=list(own), kind="second"),
    ]
    label = "Gain at the loudest step up and down, over time"
    return Figure(lines_chart(label, courses, "ms", "dB"), f"{label}. Line: measured. Dashed: the model.")


def _distortion(reading: ToolReading) -> Figure | None:
    bounce, model = reading.bounces[0], reading.tool.models[0]
    segments = bounce.of("low")
    if not segments:
        return None
    rate_hz = bounce.rate_hz
    span = slice(segments[0].span(rate_hz).start, segments[-1].span(rate_hz).stop)
    played, heard = bounce.both(span)
    made = model.process(np.ascontiguousarray(played), rate_hz)
    found: list[tuple[float, float, float]] = []
    for one in segments:
        own = one.span(rate_hz)
        last = slice(own.stop - round(0.5 * rate_hz) - span.start, own.stop - span.start)
        measured, modelled = (harmonics_db(sound[last, 0], one.freq_hz, rate_hz) for sound in (heard, made))
        found.append((one.freq_hz, measured, modelled))
    at = [one[0] for one in found]
    courses = [
        Course(at=at, values=[one[1] for one in found]),
        Course(at=at, values=[one[2] for one in found], kind="second"),
    ]
    label = "Distortion of loud low tones: harmonics under the tone"
    return Figure(
        lines_chart(label, courses, "Hz", "dB", log=True, least=12.0), f"{label}. Line: measured. Dashed: the model."
    )


def harmonics_db(sound: Floats, freq_hz: float, rate_hz: int) -> float:
    """Level of the second to the twentieth harmonic under the first, dB, not below -120."""
    t = np.arange(len(sound)) / rate_hz
    orders = np.arange(1, 21)
    orders = orders[orders * freq_hz < 0.45 * rate_hz]
    window = np.hanning(len(sound))
    turn = np.exp(-2j * np.pi * freq_hz * t[:, None] * orders)
    power = np.abs((sound * window) @ turn) ** 2
    return max(-120.0, 10.0 * math.log10(max(1e-30, float(power[1:].sum())) / max(1e-30, float(power[0]))))
