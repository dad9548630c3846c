"""From the command to its end: the address, Ctrl-C, a taken port, two desks, a folder that takes nothing."""

import http.client
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from autochain.audio.output_set import output_set
from autochain.desk.guard import cookie_name
from autochain.errors import RunningError
from tests.desk.asking import names_in, write_mix

ENDS_WITHIN_S = 2.0  # what a user is promised
SLOW = 4.0  # times that on a machine that is busy with other tests


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "autochain", "desk", *map(str, arguments), "--no-browser"]


class Running:
    """A desk in a process of its own, and its address."""

    def __init__(self, process: "subprocess.Popen[str]", line: str) -> None:
        self.process, self.line = process, line
        address = urlsplit(line.strip())
        self.port, self.token = address.port or 0, parse_qs(address.query)["token"][0]

    def request(self, method: str, path: str, body: bytes | None = None) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30.0)
        connection.request(method, path, body, self.headers)
        answer = connection.getresponse()
        read = answer.status, answer.read()
        connection.close()
        return read

    @property
    def headers(self) -> dict[str, str]:
        return {"Cookie": f"{cookie_name(self.port)}={self.token}", "Origin": f"http://127.0.0.1:{self.port}"}

    def end(self, number: int) -> tuple[int, float, str, str]:
        began = time.monotonic()
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=60.0)
        return self.process.returncode, time.monotonic() - began, out, err


@contextmanager
def running(*arguments: object) -> Iterator[Running]:
    process = subprocess.Popen(command(*arguments), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line, process.communicate()[1]
        yield Running(process, line)
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_its_address_and_ends_in_order_while_a_page_listens_and_a_mix_is_checked(
    number: int, tmp_path: Path
) -> None:
    for seed in range(4):
        write_mix(tmp_path / "mixes" / f"{seed}.wav", 20.0, seed)
    with running(tmp_path / "mixes", "-o", tmp_path / "out") as desk:
        assert desk.line.startswith(f"http://127.0.0.1:{desk.port}/?token=")
        assert len(desk.token) >= 40  # 32 random bytes
        listening = socket.create_connection(("127.0.0.1", desk.port), timeout=30.0)
        headers = "".join(f"{name}: {value}\r\n" for name, value in desk.headers.items())
        listening.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{desk.port}\r\n{headers}\r\n".encode())
        assert b"200 OK" in listening.recv(100)
        assert desk.request("GET", "/")[0] == 200
        code, took_s, out, err = desk.end(number)
        listening.close()
    assert (code, out, err) == (0, "", "")
    assert took_s < ENDS_WITHIN_S * SLOW
    assert not (tmp_path / "out" / ".desk.lock").exists()
    assert not [name for name in names_in(tmp_path / "mixes") if name.startswith(".")]


def test_a_second_desk_on_one_folder_says_who_is_there(tmp_path: Path) -> None:
    write_mix(tmp_path / "mixes" / "one.wav")
    with running(tmp_path / "mixes", "-o", tmp_path / "out") as first:
        second = subprocess.run(
            command(tmp_path / "mixes", "-o", tmp_path / "out"), capture_output=True, text=True, check=False
        )
        assert (second.returncode, second.stdout) == (1, "")
        assert f"Running, process {first.process.pid}, since 20" in second.stderr
        assert second.stderr.count("\n") == 1
        # Its own folder, its own cookie: the first does not mind.
        with running(tmp_path / "mixes", "-o", tmp_path / "other") as third:
            assert third.request("GET", "/")[0] == first.request("GET", "/")[0] == 200
            assert cookie_name(third.port) != cookie_name(first.port)


def test_after_a_kill_the_next_desk_goes_on(tmp_path: Path) -> None:
    write_mix(tmp_path / "mixes" / "one.wav")
    with running(tmp_path / "mixes", "-o", tmp_path / "out") as first:
        first.end(signal.SIGKILL)
    with running(tmp_path / "mixes", "-o", tmp_path / "out") as second:
        assert second.request("GET", "/")[0] == 200


def test_a_desk_and_a_command_do_not_stand_in_each_others_way(tmp_path: Path) -> None:
    """What each writes has a lock of its own."""
    write_mix(tmp_path / "mixes" / "one.wav")
    out = tmp_path / "out"
    with (
        running(tmp_path / "mixes", "-o", out),
        output_set(out, "one.suggest"),
        pytest.raises(RunningError),
        output_set(out, "desk"),
    ):
        pass


def refused(*arguments: object) -> tuple[int, str]:
    done = subprocess.run(command(*arguments), capture_output=True, text=True, check=False, timeout=120.0)
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    return done.returncode, done.stderr


def test_a_port_that_is_taken_is_one_line(tmp_path: Path) -> None:
    write_mix(tmp_path / "mixes" / "one.wav")
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        code, words = refused(tmp_path / "mixes", "--port", port)
    assert code == 2
    assert f"port {port} cannot be used" in words
    assert not (tmp_path / "mixes" / "masters" / ".desk.lock").exists()


def test_a_port_can_be_chosen(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
    with running(write_mix(tmp_path / "one.wav"), "--port", port) as desk:
        assert desk.port == port
        assert b"one.wav" in desk.request("GET", "/")[1]
    with running(tmp_path / "one.wav", "--port", port) as again:  # free again at once
        assert again.port == port


def test_it_listens_on_this_computer_alone(tmp_path: Path) -> None:
    with running(write_mix(tmp_path / "one.wav")) as desk:
        found = socket.getaddrinfo(socket.gethostname(), desk.port, socket.AF_INET, socket.SOCK_STREAM)
        others = {place[4][0] for place in found if not str(place[4][0]).startswith("127.")}
        for other in others:
            with pytest.raises(OSError, match=r"refused|unreachable|timed out"):
                socket.create_connection((other, desk.port), timeout=2.0)  # type: ignore[arg-type]


def test_a_folder_that_is_a_file_or_is_not_there_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    (tmp_path / "out").write_text("a file")
    assert refused(tmp_path / "mixes", "-o", tmp_path / "out")[0] == 1
    code, words = refused(tmp_path / "nowhere")
    assert code == 1
    assert "does not exist" in words


@pytest.mark.skipif(sys.platform != "linux", reason="a folder that nobody can write, root included")
def test_a_folder_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    code, words = refused(write_mix(tmp_path / "one.wav"), "-o", "/proc/no-folder-can-be-made-here")
    assert code == 1
    assert "cannot be written" in words


@pytest.mark.parametrize("port", ["-1", "65536", "x"])
def test_a_port_that_there_is_none_of_is_wrong_usage(port: str, tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    done = subprocess.run(command(tmp_path / "mixes", "--port", port), capture_output=True, text=True, check=False)
    assert done.returncode == 2


def test_an_empty_folder_is_a_desk_that_waits_for_mixes(tmp_path: Path) -> None:
    mix = write_mix(tmp_path / "elsewhere" / "new.wav").read_bytes()
    (tmp_path / "mixes").mkdir()
    with running(tmp_path / "mixes") as desk:
        status, told = desk.request("PUT", "/files/new.wav?as=mix", mix)
        assert (status, json.loads(told)["name"]) == (200, "new.wav")
        assert b"new.wav" in desk.request("GET", "/")[1]
        assert desk.end(signal.SIGINT)[0] == 0
    assert sorted(names_in(tmp_path / "mixes" / "masters")) in ([], [".desk"])
