"""The desk's work on one song, asked for over HTTP step by step, so that it can be killed at any moment of it."""

import http.client
import json
import re
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

_LOOK_S = 0.05
_LONGEST_S = 300.0
LUFS = -12.0
KEPT = "first try"


class GoneError(Exception):
    """The desk does not answer any more."""


class DeskClient:
    """What a page of the desk asks for, without a browser; `address` is the one that the command prints."""

    def __init__(self, address: str) -> None:
        split = urlsplit(address)
        self._host, self._headers = split.netloc, {"Host": split.netloc, "Sec-Fetch-Site": "none"}
        answer = self._ask("GET", f"{split.path}?{split.query}")[0]
        self._headers["Cookie"] = str(answer.getheader("set-cookie")).partition(";")[0]
        self._headers |= {"Sec-Fetch-Site": "same-origin", "Origin": f"http://{split.netloc}"}

    def _ask(self, method: str, path: str, body: str | None = None) -> tuple[http.client.HTTPResponse, str]:
        connection = http.client.HTTPConnection(self._host, timeout=_LONGEST_S)
        try:
            connection.request(method, path, body, self._headers)
            answer = connection.getresponse()
            return answer, answer.read().decode()
        except (OSError, http.client.HTTPException) as error:
            raise GoneError(str(error)) from error
        finally:
            connection.close()

    def song(self) -> str:
        """Path of the first song's page, which is opened."""
        found = re.search(r'href="(/song/[^"]+)"', self._ask("GET", "/")[1])
        if found is None:
            raise RuntimeError("the desk shows no song")
        self._ask("GET", found[1])
        return found[1]

    def do(self, song: str, **action: Any) -> str:
        """Ask for an action until the desk does not say any more that something has to come first."""
        for _ in range(round(_LONGEST_S / _LOOK_S)):
            answer, words = self._ask("POST", f"{song}/do", json.dumps(action))
            if answer.status == 200:
                return words
            time.sleep(_LOOK_S)
        raise RuntimeError(f"{action} is refused: {words}")

    def until(self, path: Path) -> None:
        """Wait for a file; the desk has to be there meanwhile."""
        for _ in range(round(_LONGEST_S / _LOOK_S)):
            if path.exists():
                return
            self._ask("GET", "/favicon.ico")
            time.sleep(_LOOK_S)
        raise RuntimeError(f"{path} does not come")


def work_on_a_song(address: str, out: Path, stem: str) -> None:
    """Search, keep a version, write the files that go out; what is there from an earlier desk is not asked for again.

    Raises
    ------
    GoneError
        The desk was ended meanwhile.
    """
    desk = DeskClient(address)
    song = desk.song()
    sheet, kept = out / f"{stem}.sheet.json", out / f"{stem}.versions" / f"{KEPT}.sheet.json"
    if not sheet.exists():
        desk.do(song, action="aim", lufs=LUFS)
        desk.do(song, action="search")
        desk.until(sheet)
    if not kept.exists():
        desk.do(song, action="take", version="suggestion")
        desk.do(song, action="keep", name=KEPT)
        desk.until(kept)
    if not (out / f"{stem}.delivery.json").exists():
        desk.do(song, action="deliver", formats=["flac24"], version="suggestion")
        desk.until(out / f"{stem}.delivery.json")
