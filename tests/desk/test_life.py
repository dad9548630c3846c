"""From the command to its end: the address, Ctrl-C, a taken port, two desks, a folder that takes nothing."""

import http.client
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
from autochain.desk.desk import desk_on
from autochain.desk.guard import cookie_name
from tests.conftest import run_command
from tests.desk.asking import desk_of, names_in, write_mix
from tests.desk.serving import served

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

    def request(self, method: str, path: str) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30.0)
        connection.request(method, path, headers=self.headers)
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


def refused(*arguments: object) -> tuple[int, str]:
    """Exit code and line of a desk that does not begin."""
    ran = run_command("desk", *arguments, "--no-browser")
    assert ran.out == ""
    assert ran.err.count("\n") == 1
    return ran.code, ran.err


def test_a_second_desk_on_one_folder_says_who_is_there_and_after_a_kill_the_next_goes_on(tmp_path: Path) -> None:
    write_mix(tmp_path / "mixes" / "one.wav")
    out = tmp_path / "out"
    with running(tmp_path / "mixes", "-o", out) as first:
        code, words = refused(tmp_path / "mixes", "-o", out)
        assert code == 1
        assert f"Running, process {first.process.pid}, since 20" in words
        assert first.request("GET", "/")[0] == 200
        with output_set(out, "one.suggest"):  # what a command writes has a lock of its own
            pass
        first.end(signal.SIGKILL)
    half = out / "one.versions" / ".autochain-0123.part"  # where the hand stands, half written
    half.parent.mkdir(exist_ok=True)
    half.write_text("{")
    with desk_on([tmp_path / "mixes"], out) as second:
        assert [song.name for song in second.songs] == ["one.wav"]
        assert not half.exists()
    assert not (out / ".desk.lock").exists()


def test_a_port_can_be_chosen_and_one_that_is_taken_is_one_line(tmp_path: Path) -> None:
    mix = write_mix(tmp_path / "one.wav")
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        code, words = refused(mix, "--port", port)
        assert code == 2
        assert f"port {port} cannot be used" in words
        assert not (tmp_path / "masters").exists()
    for _ in range(2):  # free again at once
        with desk_on([mix], tmp_path / "out") as desk, served(desk, port) as address:
            assert address.startswith(f"http://127.0.0.1:{port}/?token=")
            listening = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)
            listening.request("GET", "/")
            assert listening.getresponse().status == 403
            listening.close()


def test_it_listens_on_this_computer_alone(tmp_path: Path) -> None:
    with desk_of(tmp_path) as desk, served(desk) as address:
        port = urlsplit(address).port
        found = socket.getaddrinfo(socket.gethostname(), port, socket.AF_INET, socket.SOCK_STREAM)
        for other in {str(place[4][0]) for place in found} - {"127.0.0.1"}:
            with pytest.raises(OSError, match=r"refused|unreachable|timed out"):
                socket.create_connection((other, port), timeout=2.0)


def test_a_folder_that_is_a_file_or_is_not_there_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    (tmp_path / "out").write_text("a file")
    assert refused(tmp_path / "mixes", "-o", tmp_path / "out")[0] == 1
    code, words = refused(tmp_path / "nowhere")
    assert code == 1
    assert "does not exist" in words


def test_a_configuration_that_cannot_hold_is_wrong_usage(tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    (tmp_path / "own.toml").write_text("[target]\nlufs = 7\n")
    ran = run_command("desk", tmp_path / "mixes", "--config", tmp_path / "own.toml", "--no-browser")
    assert (ran.code, ran.out) == (2, "")
    assert "own.toml: target 7 LUFS" in ran.err


@pytest.mark.skipif(sys.platform != "linux", reason="a folder that nobody can write, root included")
def test_a_folder_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    code, words = refused(write_mix(tmp_path / "one.wav"), "-o", "/proc/no-folder-can-be-made-here")
    assert code == 1
    assert "cannot be written" in words


@pytest.mark.parametrize("port", ["-1", "65536", "x"])
def test_a_port_that_there_is_none_of_is_wrong_usage(port: str, tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    assert run_command("desk", tmp_path / "mixes", "--port", port).code == 2


def test_an_empty_folder_is_a_desk_that_waits_for_mixes_and_leaves_no_folder(tmp_path: Path) -> None:
    (tmp_path / "mixes").mkdir()
    with desk_on([tmp_path / "mixes"], tmp_path / "mixes" / "masters") as desk:
        assert desk.songs == ()
        assert (tmp_path / "mixes" / "masters" / ".desk.lock").exists()
    assert names_in(tmp_path / "mixes") == []


def test_a_small_answer_is_not_held_back_for_a_receipt(tmp_path: Path) -> None:
    """A sender that gathers small pieces waits for the receipt of the one before, and that is held back.

    RFC 896 (gathering) and RFC 1122, 4.2.3.2 (receipts held back, up to 0.5 s; 40 ms on the usual system): a turn of a
    knob would pay it each time.
    """
    with desk_of(tmp_path) as desk, served(desk) as address:
        port, token = urlsplit(address).port, parse_qs(urlsplit(address).query)["token"][0]
        headers = {"Cookie": f"{cookie_name(port or 0)}={token}", "Origin": f"http://127.0.0.1:{port}"}
        asking = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)
        took_s = []
        for _ in range(20):
            began = time.monotonic()
            asking.request("POST", "/do", b'{"action": "stop", "job": 0}', headers)
            assert asking.getresponse().read() == b'{"fragments":{}}'
            took_s.append(time.monotonic() - began)
        asking.close()
    assert min(took_s) < 0.02
