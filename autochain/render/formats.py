"""The formats that a master goes out in, and how they are asked for: `wav16`, `flac24@48000`, `mp3:320`."""

import io
import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import soundfile

from autochain.errors import UsageError

RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)
_OPUS_HZ = 48000
_MP3_RATES_HZ = (44100, 48000)
_TRY_FRAMES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file.

    Attributes
    ----------
    name
        As it is asked for and shown.
    container, subtype
        As libsndfile names them.
    ending
        Of the file name.
    bits
        Word length of fixed-point files; None for lossy ones.
    least, most, usual
        Range of the number behind the colon and its default, in `unit`; 0 where there is none.
    unit
        `kbit/s` or `quality`.
    by_channel
        Whether `most` holds for two channels and one has half of it.
    """

    name: str
    container: str
    subtype: str
    ending: str
    bits: int | None = None
    least: int = 0
    most: int = 0
    usual: int = 0
    unit: str = ""
    by_channel: bool = False


KINDS = {
    kind.name: kind
    for kind in (
        Kind(name="wav24", container="WAV", subtype="PCM_24", ending="wav", bits=24),
        Kind(name="wav16", container="WAV", subtype="PCM_16", ending="wav", bits=16),
        Kind(name="flac24", container="FLAC", subtype="PCM_24", ending="flac", bits=24),
        Kind(name="flac16", container="FLAC", subtype="PCM_16", ending="flac", bits=16),
        Kind(
            name="mp3", container="MP3", subtype="MPEG_LAYER_III", ending="mp3", least=64, most=320, usual=320,
            unit="kbit/s",
        ),
        Kind(name="vorbis", container="OGG", subtype="VORBIS", ending="ogg", least=0, most=10, usual=8, unit="quality"),
        Kind(
            name="opus", container="OGG", subtype="OPUS", ending="opus", least=32, most=510, usual=192, unit="kbit/s",
            by_channel=True,
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """One file to be written: its kind, the number behind the colon, and the sample rate."""

    kind: Kind
    setting: int
    rate_hz: int

    @property
    def label(self) -> str:
        """What it is, in a few words."""
        if self.kind.bits:
            return f"{self.kind.container} {self.kind.bits} bit"
        name = {"mp3": "MP3", "vorbis": "Ogg Vorbis", "opus": "Opus"}[self.kind.name]
        number = f"{self.setting} kbit/s" if self.kind.unit == "kbit/s" else f"quality {self.setting}"
        return f"{name} {number}"

    def name(self, stem: str, mix_rate_hz: int) -> str:
        """File name of the master of `stem`; the rate is in it where it is not the mix's."""
        parts = [stem, "master"]
        if not (self.kind.name == "wav24" and self.rate_hz == mix_rate_hz):
            parts.append(f"{self.kind.bits}bit" if self.kind.bits else f"{self.setting}{'k' if self._rated else 'q'}")
            parts += [f"{self.rate_hz}Hz"] if self.rate_hz != mix_rate_hz and self.kind.name != "opus" else []
        return ".".join([*parts, self.kind.ending])

    @property
    def _rated(self) -> bool:
        return self.kind.unit == "kbit/s"


def parse_exports(texts: list[str], mix_rate_hz: int, channels: int) -> tuple[Export, ...]:
    """The 24-bit WAV at the mix's rate, and what is asked for beside it, each once.

    Raises
    ------
    UsageError
        A kind, number or rate that there is none of.
    """
    exports = [Export(kind=KINDS["wav24"], setting=0, rate_hz=mix_rate_hz)]
    exports += [parse_export(text, mix_rate_hz, channels) for text in texts]
    return tuple(dict.fromkeys(exports))


def parse_export(text: str, mix_rate_hz: int, channels: int) -> Export:
    """One format of a mix of so many channels; UsageError when there is none such."""
    match = re.fullmatch(r"([a-z0-9]+)(?::(\d{1,6}))?(?:@(\d{1,6}))?", text.strip().lower())
    kind = None if match is None else KINDS.get(match[1])
    if match is None or kind is None:
        raise UsageError(
            f"--also {text} is no format. Formats are {', '.join(KINDS)}, with a rate as in wav24@48000, "
            "with kbit/s as in mp3:320 or opus:192, with a quality as in vorbis:8."
        )
    setting = int(match[2]) if match[2] else kind.usual
    if match[2] and not kind.unit:
        raise UsageError(f"--also {text}: {kind.name} takes no number behind a colon. Write {kind.name}.")
    most = kind.most * channels // 2 if kind.by_channel else kind.most
    setting = setting if match[2] else min(setting, most)
    if not kind.least <= setting <= most:
        raise UsageError(f"--also {text}: {kind.name} takes {kind.least} to {most} {kind.unit} here.")
    export = Export(kind=kind, setting=setting, rate_hz=_rate(text, kind, match[3], mix_rate_hz))
    if not _can_be_made(kind, export.rate_hz, channels):
        raise UsageError(
            f"{text} cannot be made here: libsndfile {soundfile.__libsndfile_version__} on this machine has no coder "
            f"for {kind.name} at {export.rate_hz} Hz. Leave it out, or install a newer soundfile package."
        )
    return export


@cache
def _can_be_made(kind: Kind, rate_hz: int, channels: int) -> bool:
    """Whether the sound library here makes such a file; tried, since it may list what it was built without."""
    try:
        soundfile.write(
            io.BytesIO(), np.zeros((_TRY_FRAMES, channels)), rate_hz, format=kind.container, subtype=kind.subtype
        )
    except (soundfile.SoundFileError, ValueError, TypeError):
        return False
    return True


def _rate(text: str, kind: Kind, asked: str | None, mix_rate_hz: int) -> int:
    rates = {"opus": (_OPUS_HZ,), "mp3": _MP3_RATES_HZ}.get(kind.name, RATES_HZ)
    if asked is None:
        if mix_rate_hz in rates or kind.bits:
            return mix_rate_hz
        return max(rate for rate in rates if rate <= max(mix_rate_hz, _OPUS_HZ))
    if int(asked) not in rates:
        raise UsageError(f"--also {text}: {kind.name} goes out at {', '.join(map(str, rates))} Hz.")
    return int(asked)
