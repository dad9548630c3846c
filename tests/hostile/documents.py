"""Sheets, configurations and album lists as hands, other programs and ill will leave them."""

import copy
import json
import tomllib
from collections.abc import Callable
from functools import cache
from random import Random
from typing import Any

from autochain.resources import resource
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.knobs import ToolKnob
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.tool import BounceRead, Tool, plain_model

# Each stands where something else should.
ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**32, 2**63, 2**64, -(2**63), 10**400, 0.5, -0.0, 1e308, -1e308, 1e-320,
    "", "5", "-9.0", "١٢", "１２", "1_000", "nan", "inf", "true", "\x1b[31mred\x1b[0m", "a\nb", "\u202egpj",
    "z" * 100_000, "../etc/passwd", "\\\\server\\share", "<script>alert(1)</script>", "'; --", "%s%n", "{0}", [], [[]],
    [1, 2, 3], ["a"], {}, {"a": 1}, {"": ""}, "\u0000", "caf\u00e9", "\ud800",
)  # fmt: skip
_NUMBERS = (float("nan"), float("inf"), float("-inf"))


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Addresses of all values inside a value."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [own for key, one in inside for own in ((*path, key), *_places(one, (*path, key)))]


def _spoiled(values: Any, chance: Random, odd: tuple[Any, ...]) -> Any:
    """Values of which some are replaced, taken out or added."""
    spoiled = copy.deepcopy(values)
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        places = _places(spoiled)
        if not places:
            return spoiled
        *way, last = chance.choice(places)
        inside = spoiled
        for key in way:
            inside = inside[key]
        done = chance.randrange(4)
        if done == 0:
            del inside[last]
        elif done == 1 and isinstance(inside, dict):
            inside[chance.choice(("odd", "", "lufs", "\x1b", "x" * 3000))] = copy.deepcopy(chance.choice(odd))
        else:
            inside[last] = copy.deepcopy(chance.choice(odd))
    return spoiled


def _bytes_spoiled(data: bytes, chance: Random) -> bytes:
    done = chance.randrange(5)
    at = chance.randrange(len(data) + 1)
    if done == 0:
        return data[:at]
    if done == 1:
        return data[:at] + chance.randbytes(chance.choice((1, 4, 40))) + data[at:]
    if done == 2:
        return chance.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\x00", b"\x1b[2J")) + data
    if done == 3:
        return data + data
    lines = data.splitlines(keepends=True)
    chance.shuffle(lines)
    return b"".join(lines)


_DEEP = 100_000


def hostile_sheet(sheet: dict[str, Any], chance: Random) -> bytes:
    """JSON made from a sheet."""
    kind = chance.randrange(8)
    if kind == 0:
        return chance.choice((
            b"[" * _DEEP, b'{"a":' * _DEEP, b'{"format_version":' + b"9" * 6000 + b"}", b"", b"null", b"NaN", b"[]",
            json.dumps(sheet).replace('"format_version"', '"format_version": 1, "format_version"', 1).encode(),
        ))  # fmt: skip
    if kind == 1:
        return _bytes_spoiled(json.dumps(sheet).encode(), chance)
    return json.dumps(_spoiled(sheet, chance, (*ODD, *_NUMBERS))).encode()


def _toml(value: Any) -> str:
    """A value as TOML has it, also where TOML has none."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(key))} = {_toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value) if isinstance(value, str) else str(value)


def toml_of(values: dict[str, Any]) -> bytes:
    """A document of one line a key."""
    text = "".join(f"{json.dumps(key)} = {_toml(value)}\n" for key, value in values.items())
    return text.encode("utf-8", errors="surrogatepass")


@cache
def _default_configuration() -> bytes:
    return resource("configs", "default.toml").read_bytes()


_BROKEN_TOML: tuple[bytes, ...] = (
    b"a = " + b"[" * _DEEP, b"a = " + b"{b=" * _DEEP, b"a." * _DEEP + b"b = 1", b"a = " + b"9" * 6000,
    b"[search]\nseed = 1\nseed = 2\n", b"[a]\n[a]\n", b"a = \xff", b"\x00", b"a = 1979-05-27T07:32:00Z",
    b"a = 1e999999", b"[[target]]\nlufs = 1", b"target = 5", b"target.lufs = nan", b"[" + b"x." * 5000 + b"x]",
)  # fmt: skip


def hostile_configuration(values: dict[str, Any], chance: Random) -> bytes:
    """TOML made from the values of a whole configuration."""
    kind = chance.randrange(8)
    if kind == 0:
        return chance.choice(_BROKEN_TOML)
    if kind == 1:
        return _bytes_spoiled(_default_configuration(), chance)
    return toml_of(_spoiled(values, chance, (*ODD, *_NUMBERS)))


def hostile_list(chance: Random) -> bytes:
    """TOML of an album."""
    kind = chance.randrange(8)
    one = {"file": "a.wav", "title": "One", "offset_lu": 1.5, "runs_into_next": False}
    album = {"track": [{**one, "file": f"{name}.wav"} for name in "abc"[: chance.choice((1, 2, 3))]]}
    if kind == 0:
        return chance.choice(_BROKEN_TOML)
    if kind == 1:
        return _bytes_spoiled(toml_of(album), chance)
    return toml_of(_spoiled(album, chance, (*ODD, *_NUMBERS)))


def _bounce(model: Any, **knobs: float) -> BounceRead:
    return BounceRead(
        file="bounce.wav", sha256="0" * 64, rate_hz=48000, delay_samples=64.0, polarity=1, gain_db=0.0,
        residual_db=-60.0 if isinstance(model, ClipperModel) else 0.01,
        programme_db=-60.0 if isinstance(model, ClipperModel) else 0.02,
        knobs=knobs, noted={"mode": "2"}, model=plain_model(model),
    )  # fmt: skip


def _compressor(attack_ms: float, ratio: float) -> CompressorModel:
    return CompressorModel(threshold_dbfs=-20.0, ratio=ratio, knee_db=6.0, attack_ms=attack_ms, release_ms=100.0)


_TOOLS = (
    Tool(
        name="bus 1", kind="compressor", test="compressor",
        bounces=(
            _bounce(_compressor(2.5, 2.0), threshold=-20.0, attack=10.0, ratio=2.0),
            _bounce(_compressor(10.0, 4.0), threshold=-20.0, attack=40.0, ratio=4.0),
        ),
        knobs={
            "threshold": ToolKnob(role="threshold", word="Level"),
            "attack": ToolKnob(role="attack", word="Speed", low=0.1, high=80.0, step=0.1),
            "ratio": ToolKnob(role="ratio", word="ratio", positions=(2.0, 4.0, 10.0)),
        },
    ),
    Tool(
        name="lim", kind="limiter", test="limiter",
        bounces=(
            _bounce(
                LimiterModel(ceiling_dbfs=-12.0, way="smooth", release_ms=50.0, lookahead_ms=2.0, attack_ms=1.0),
                ceiling=-12.0, release=50.0,
            ),
        ),
        knobs={
            "ceiling": ToolKnob(role="ceiling", word="ceiling"),
            "release": ToolKnob(role="release", word="release", low=1.0, high=1000.0),
        },
    ),
    Tool(
        name="clip", kind="clipper", test="clipper",
        bounces=(
            _bounce(
                ClipperModel(
                    ceiling_dbfs=-12.0, softness=40.0, curve_db=((-60.0, 0.0), (-15.0, -0.1), (0.0, -12.0)),
                    measured_at_dbfs=-12.0,
                ),
                ceiling=-12.0,
            ),
        ),
        knobs={"ceiling": ToolKnob(role="ceiling", word="ceiling", low=-30.0, high=0.0, step=0.5)},
    ),
    Tool(
        name="eq", kind="equaliser", test="equaliser",
        bounces=(_bounce(EqualiserModel(type="bell", freq_hz=1000.0, gain_db=6.0, q=1.0), frequency=1000.0, gain=6.0),),
        knobs={
            "frequency": ToolKnob(role="frequency", word="frequency"),
            "gain": ToolKnob(role="gain", word="gain", low=-15.0, high=15.0, step=0.5),
        },
    ),
)  # fmt: skip


@cache
def whole_tools() -> tuple[bytes, ...]:
    """Tool files that hold, one of each kind."""
    return tuple(tool.toml().encode("utf-8") for tool in _TOOLS)


def hostile_tool(chance: Random) -> bytes:
    """TOML made from a tool file."""
    kind, whole = chance.randrange(8), chance.choice(whole_tools())
    if kind == 0:
        return chance.choice(_BROKEN_TOML)
    if kind == 1:
        return _bytes_spoiled(whole, chance)
    values = tomllib.loads(whole.decode("utf-8"))
    if kind < 5:  # numbers in place of numbers: a file that can be read, and a tool that there cannot be
        places = [way for way in _places(values) if type(_at(values, way)) is float]
        for way in chance.sample(places, chance.choice((1, 2, 6))):
            number = chance.choice((-1.0, 1.0, 1.0)) * 10.0 ** chance.choice((chance.uniform(-2.0, 3.0), 9.0, -9.0))
            _at(values, way[:-1])[way[-1]] = chance.choice((number, number, 0.0))
        return toml_of(values)
    return toml_of(_spoiled(values, chance, (*ODD, *_NUMBERS)))


def _at(values: Any, way: tuple[Any, ...]) -> Any:
    for key in way:
        values = values[key]
    return values


Maker = Callable[[Random], bytes]
