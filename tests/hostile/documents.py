"""Sheets, configurations and album lists as hands, other programs and ill will leave them."""

import copy
import json
from collections.abc import Callable
from functools import cache
from random import Random
from typing import Any

from autochain.resources import resource

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
            inside[chance.choice(("odd", "", "lufs", "\x1b", "x" * 3000))] = chance.choice(odd)
        else:
            inside[last] = chance.choice(odd)
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


Maker = Callable[[Random], bytes]
