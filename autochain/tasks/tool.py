"""A tool of the user's: the test that it is played, and what its bounces say."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from autochain.audio.files import check_output, write_wav
from autochain.audio.output_set import output_set
from autochain.sheet.words import CAUTION
from autochain.tasks.caller import NOBODY, Caller
from autochain.tasks.outputs import stage_texts, write_set
from autochain.tasks.sounds import Sound, files_among, header_of, loaded
from autochain.tool import signal
from autochain.tool.as_json import tool_json
from autochain.tool.read import ToolReading, read_bounces
from autochain.tool.refusal import ToolError
from autochain.tool.report import tool_markdown, tool_page

_BITS = 24
_SEED = 1
_SET = {
    "compressor": "Set the threshold near -20 dBFS and the make-up gain to 0 dB.",
    "limiter": "Set the ceiling near -12 dBFS and any input gain to 0 dB.",
    "clipper": "Set the ceiling near -12 dBFS and any input gain to 0 dB.",
    "equaliser": "Set one band, its gain at 4 dB or more.",
    "anything": "Set a threshold or ceiling between -20 and -12 dBFS, a band at 4 dB or more.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalRequest:
    """What is asked: the test of a kind (or `anything`), the folder, its sample rate, whether to replace."""

    kind: str
    out: Path
    rate_hz: int = signal.MADE_HZ
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalMade:
    """What was written, and what to do with it."""

    files: tuple[Path, ...]
    told: str


def write_signal(request: SignalRequest) -> SignalMade:
    """Write a test and what to do with it.

    Raises
    ------
    ToolError
        A kind or a rate that there is none of.
    UsageError, AudioFileError
        Files that are there already, a folder that cannot be written.
    """
    if request.kind not in signal.TESTS:
        raise ToolError(f"there is no test for {request.kind!r}. Choose one of {', '.join(signal.TESTS)}.")
    if request.rate_hz not in signal.TEST_RATES_HZ:
        known = ", ".join(map(str, signal.TEST_RATES_HZ))
        raise ToolError(f"--rate {request.rate_hz} is not possible. Choose one of {known}.")
    names = f"{request.kind}.test.wav", f"{request.kind}.test.txt"
    check_output(request.out, names, request.force)
    told = _told(request)
    files = tuple(request.out / name for name in names)
    sound = signal.make(request.kind, request.rate_hz).astype(np.float32)
    with output_set(request.out, f"{request.kind}.test") as outputs:
        write_wav(outputs.staging / names[0], sound, request.rate_hz, _SEED, bits=_BITS)
        stage_texts(outputs, {names[1]: told})
        outputs.commit(request.force)
    return SignalMade(files=files, told=told)


def _told(request: SignalRequest) -> str:
    seconds = signal.duration_s(request.kind)
    kind = "compressor" if request.kind == signal.ANYTHING else request.kind
    return "\n".join(
        [
            f"{request.kind}.test.wav: {seconds:.0f} s, {request.rate_hz} Hz, 24 bit; version {signal.TEST_VERSION}.",
            "",
            "CAUTION: loud tones, sweeps and clicks up to full scale. Turn your monitors down or off: nobody has to "
            "hear it.",
            CAUTION,
            "",
            "1. Put the file on a track of its own. Only the one processor may be in the path: no gain, nothing else, "
            "no dither, nothing on the master bus.",
            f"2. {_SET[request.kind]} Note down every knob as it stands.",
            f"3. Bounce all {seconds:.0f} s at {request.rate_hz} Hz, 24 bit or 32 bit floating point.",
            "4. Once or twice more with other settings: each time or ratio a few times longer or higher. That tells "
            "what the knobs mean between.",
            "5. Read it:",
            f'   autochain tool read bounce.wav --kind {kind} --name my{kind} --set "{_example(kind)}" -o tools',
            "",
        ]
    )


def _example(kind: str) -> str:
    return {
        "compressor": "threshold=-20 ratio=2 attack=10 release=100",
        "limiter": "ceiling=-12 release=50",
        "clipper": "ceiling=-12",
        "equaliser": "frequency=1000 gain=6 q=1",
    }[kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolReadRequest:
    """What is asked.

    Attributes
    ----------
    bounces
        Bounces of the test, each at other settings.
    kind, name
        What it is (`signal.TOOL_KINDS`), and what the user calls it.
    settings
        One text a bounce: knobs as they stood.
    knobs
        Ends and steps of the knobs.
    out
        Folder of NAME.tool.toml, .html and .md; None writes nothing.
    force
        Replace results that exist; never a source.
    """

    bounces: Sequence[Sound]
    kind: str
    name: str
    settings: Sequence[str]
    knobs: str = ""
    out: Path | None = None
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToolRead:
    """What was found, and the files that were written."""

    reading: ToolReading
    files: tuple[Path, ...]

    def markdown(self) -> str:
        """The report to read."""
        return tool_markdown(self.reading)

    def html(self) -> str:
        """The same with pictures."""
        return tool_page(self.reading)

    def json(self) -> str:
        """All figures."""
        return tool_json(self.reading)


def read_a_tool(request: ToolReadRequest, caller: Caller = NOBODY) -> ToolRead:
    """Read a tool from bounces of its test, and write its file where a folder is named.

    Raises
    ------
    ToolError
        A request that cannot hold, or a bounce that cannot be read, with the reason.
    UsageError, AudioFileError
        Files that are there already; a file that cannot be used, a folder that cannot be written.
    """
    kind = next((one for one in signal.TOOL_KINDS if one == request.kind), None)
    if kind is None:
        raise ToolError(f"--kind {request.kind} is not known. Choose one of {', '.join(signal.TOOL_KINDS)}.")
    if not request.bounces:
        raise ToolError("there is no bounce to read. Name one or more files.")
    sources = files_among(request.bounces)
    names = [f"{request.name}.tool.{ending}" for ending in ("toml", "html", "md")]
    if request.out is not None and "/" not in request.name:
        check_output(request.out, names, request.force, sources)
    for sound in request.bounces:
        header_of(sound)
    with caller.watch() as show:
        bounces = [loaded(sound) for sound in request.bounces]
        reading = read_bounces(bounces, kind, request.name, request.settings, request.knobs, show)
    result = ToolRead(reading=reading, files=())
    if request.out is not None:
        texts = dict(zip(names, (reading.tool.toml(), result.html(), result.markdown()), strict=True))
        result = replace(result, files=write_set(request.out, f"{request.name}.tool", texts, request.force, sources))
    return result
