"""Requests to the desk as strangers, broken programs and ill will send them, and what becomes of each."""

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import quote, urlencode

import numpy as np

from autochain.audio.files import read_mix
from autochain.desk.desk import Desk
from autochain.desk.guard import HEADERS, cookie_name
from tests.desk.asking import PORT, TOKEN, Answer, Header, ask, guarded, own, write_mix
from tests.hostile.documents import ODD, hostile_sheet
from tests.hostile.outcomes import REFUSED, RIGHT
from tests.hostile.sounds import hostile_sound

_LONGEST_LINE = 2000
_STAGES = ("limiter", "clipper", "drive", "bus_compressor", "output", "equaliser", "no such stage")
_SETTINGS = ("release_ms", "ceiling_dbtp", "gain_db", "threshold_db", "ratio", "softness", "band1_gain_db", "trim_db")
_STRANGE_HEADERS: tuple[Header, ...] = (
    ("host", "hostile.example"), ("host", f"localhost:{PORT}"), ("host", ""), ("origin", "null"),
    ("origin", "http://hostile.example"), ("origin", f"http://127.0.0.1:{PORT + 1}"), ("sec-fetch-site", "cross-site"),
    ("sec-fetch-site", "same-site"), ("cookie", ""), ("cookie", f"{cookie_name(PORT)}=x"), ("cookie", ";=;" * 99),
)  # fmt: skip
_HARMLESS_HEADERS: tuple[Header, ...] = (
    ("content-length", "-1"), ("content-length", "9" * 30), ("content-length", "x"), ("accept", "text/html"),
    ("last-event-id", "\xff"), ("range", "bytes=0-"), ("x-forwarded-for", "1.2.3.4"), ("x-forwarded-host", "hostile"),
    ("transfer-encoding", "chunked"), ("if-none-match", "*"), ("accept-encoding", "gzip, br"),
)  # fmt: skip


class HostileDesk:
    """A desk of one short mix that strangers ask; jobs are put into no queue, everything else is done."""

    def __init__(self, folder: Path) -> None:
        self._mixes = folder / "mixes"
        self._mix = write_mix(self._mixes / "one.wav", 3.2)
        self._hash = hashlib.sha256(self._mix.read_bytes()).hexdigest()
        self.desk = Desk([self._mixes], folder / "out")
        self.desk.work.submit = lambda job, after_s=0.0: 0  # type: ignore[method-assign]
        self._song = self.desk.songs[0].id
        opened = self.desk.opened(self._song)
        opened.measure_job().run(lambda words, share: None, lambda: False)
        self._frames, self._channels = opened.frames, opened.mix.channels
        self._application = guarded(self.desk)

    def close(self) -> None:
        """End it."""
        self.desk.close()

    def outcome(self, chance: Random) -> str:
        """What became of one request: right, refused, or what went wrong instead."""
        method, path, query, body = self._wanted(chance)
        headers, strange = own(method), False
        if chance.random() < 0.3:
            name, value = chance.choice(_STRANGE_HEADERS)
            headers, strange = [one for one in headers if one[0] != name] + [(name, value)], True
        if chance.random() < 0.2:
            headers.append(chance.choice(_HARMLESS_HEADERS))
        if chance.random() < 0.05:
            method, strange = chance.choice(("DELETE", "PATCH", "OPTIONS", "TRACE")), True
        breaks_off = chance.random() < 0.05
        try:
            answer = ask(self._application, method, path, headers, body, query=query, breaks_off=breaks_off)
        except Exception as error:  # what nobody foresaw is what is looked for
            return f"{type(error).__name__}: {error}"[:300]
        return self._judged(answer, method, path, query, strange)

    def _wanted(self, chance: Random) -> tuple[str, str, str, Sequence[bytes]]:
        kind = chance.randrange(5)
        if kind == 0:
            paths = ["/", "/album", f"/song/{self._song}", "/static/desk.js", "/static/" + self._name(chance)]
            paths += ["/song/" + self._name(chance), f"/song/{self._song}/sound/{self._name(chance)}"]
            return "GET", chance.choice(paths), chance.choice(("", f"token={TOKEN[:-1]}", "token=" + "x" * 999)), ()
        if kind == 1:
            asked_for = {"revision": 1, "first": chance.randrange(self._frames), "frames": chance.randrange(5000)}
            if chance.random() < 0.5:
                asked_for[chance.choice(list(asked_for))] = chance.choice(ODD)
            key = chance.choice(("mix", "hand", "suggestion", self._name(chance)))
            given = {name: str(value)[:3000].encode("utf-8", "replace") for name, value in asked_for.items()}
            return "GET", f"/song/{self._song}/sound/{key}", urlencode(given), ()
        if kind == 2:
            suffix, data, _ = hostile_sound(chance)
            name = chance.choice((f"new.{suffix}", "one.wav", self._name(chance), f"{self._name(chance)}.wav"))
            query = urlencode({"as": chance.choice(("mix", "mix", "mix", "anything"))})
            cut = chance.randrange(len(data) + 1)
            return "PUT", f"/files/{name}", query, [data[:cut], data[cut:]]
        path = chance.choice((f"/song/{self._song}/do", f"/song/{self._song}/do", "/do", "/album/do"))
        action = self._action(chance)
        body = json.dumps(action).encode() if chance.random() < 0.3 else hostile_sheet(action, chance)
        return "POST", path, "", [body]

    def _action(self, chance: Random) -> dict[str, Any]:
        at_s = chance.choice((0.0, 1.0, 1e9, -1.0))
        value = chance.choice((0.0, -1.0, 30.0, 2.0, 1e6, "soft", "off"))
        stage, setting = chance.choice(_STAGES), chance.choice(_SETTINGS)
        return chance.choice(
            (
                {"action": "turn", "stage": stage, "parameter": setting, "value": value, "at_s": at_s},
                {"action": "switch", "stage": stage, "on": chance.random() < 0.5, "at_s": at_s},
                {"action": "lock", "stage": stage, "parameter": setting, "on": chance.random() < 0.5},
                {"action": "aim", "lufs": chance.choice((-9.0, -40.0, 5.0)), "ceiling_dbtp": -1.0},
                {"action": "undo"},
                {"action": "redo", "at_s": at_s},
                {"action": "take", "version": chance.choice(("mix", "kept.1", "../../x"))},
                {"action": "place", "start_s": at_s},
                {"action": "keep", "name": "a name"},
                {"action": "deliver", "formats": ["wav16", chance.choice(("mp3:320", "exe"))], "replace": True},
                {"action": "reference", "name": chance.choice(("../one.wav", "r.wav")), "on": True},
                {"action": "drop", "version": chance.choice(("hand", "kept.1", "../../mixes/one"))},
                {"action": "stop", "job": 7},
                {"action": "order", "files": ["../one.wav"]},
                {"action": "wish", "lufs": -9.0},
            )
        )

    def _name(self, chance: Random) -> str:
        odd = [one for one in ODD if isinstance(one, str)]
        made = chance.choice((*odd, "..", "../../../etc/passwd", "%2e%2e%2f", "C:\\x", "kept.1", "." * 300, "\r\nx: y"))
        return quote(made, safe="/%", errors="replace") if chance.random() < 0.5 else made[:3000].replace("\ud800", "?")

    def _judged(self, answer: Answer, method: str, path: str, query: str, strange: bool) -> str:
        wrong = self._changed(answer)
        if wrong is not None:
            return wrong
        missing = [name.decode() for name, value in HEADERS if answer.headers.get(name.decode()) != value.decode()]
        if missing:
            return f"an answer without {missing}"
        if strange and answer.status < 400:
            return f"let through: {method} {path} {query}"[:300]
        if answer.status >= 500:
            return f"{answer.status}: {answer.body[:200]!r}"
        if answer.status >= 400:
            return self._refusal(answer)
        if method == "GET" and "/sound/" in path and len(answer.body) % (4 * self._channels):
            return f"{len(answer.body)} bytes of sound"
        if method == "GET" and "/sound/" in path and not np.isfinite(np.frombuffer(answer.body, "<f4")).all():
            return "sound that is not finite"
        if "set-cookie" in answer.headers:
            return "a cookie for whoever asks"
        return RIGHT

    def _refusal(self, answer: Answer) -> str:
        if answer.headers["content-type"].startswith("text/html"):
            return REFUSED if len(answer.body) < _LONGEST_LINE else "a refusal that is long"
        try:
            words = json.loads(answer.body)["error"]
        except (ValueError, KeyError, TypeError):
            return f"refused without a reason: {answer.body[:200]!r}"
        if not isinstance(words, str) or not words.isprintable() or not 0 < len(words) <= _LONGEST_LINE:
            return f"refused in no line of text: {words!r}"[:300]
        return REFUSED

    def _changed(self, answer: Answer) -> str | None:
        """What a request has done to the mixes; what it may have brought is a mix, and goes again."""
        for path in list(self._mixes.iterdir()):
            if path.name == self._mix.name:
                if hashlib.sha256(path.read_bytes()).hexdigest() != self._hash:
                    return "a source was changed"
                continue
            if answer.status != 200 or path.name.startswith("."):
                return f"left: {path.name}"[:300]
            try:
                read_mix(path)
            except Exception as error:
                return f"taken and not read: {error}"[:300]
            path.unlink()
        return None if self._mix.exists() else "a source is gone"
