"""`halfshaft dashboard` as typed."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager

import pytest

from analyzer.cli.main import main


@contextmanager
def served(*arguments):
    """A running `halfshaft dashboard`; gives (process, first line of its output)."""
    process = subprocess.Popen(
        [sys.executable, "-m", "analyzer.cli.main", "dashboard", "--port", "0", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "HOST": "0.0.0.0"},  # what some shells set; must not open the server
    )
    try:
        yield process, process.stdout.readline()
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=10)
        process.stdout.close()
        process.stderr.close()


@pytest.fixture(scope="module")
def one_served(tmp_path_factory):
    """(host, port, logbook) of one server for what leaves it as it was."""
    book = tmp_path_factory.mktemp("served") / "book"
    with served("--logbook", book) as (_, line):
        host, port = line.split()[2].removeprefix("http://").split(":")
        yield host, int(port), book


def test_serves_on_loopback_without_a_warning(tmp_path):
    with served("--logbook", tmp_path / "book") as (process, line):
        address = line.split()[2]
        assert address.startswith("http://127.0.0.1:")
        assert b"halfshaft" in urllib.request.urlopen(address, timeout=10).read()
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=10) == 0
        assert process.stderr.read() == ""


@pytest.mark.parametrize("length", ["Content-Length: 3000000000", "Content-Length: 1001000001"])
def test_more_than_the_limit_is_refused_in_words_before_it_is_sent(one_served, length):
    # a client that is not our page: it states what is to come and waits for an answer
    host, port, book = one_served
    with socket.create_connection((host, port), timeout=10) as client:
        client.sendall(f"POST /upload/log HTTP/1.1\r\nHost: {host}\r\n{length}\r\n\r\n".encode())
        answer = b"".join(iter(lambda: client.recv(65536), b"")).decode()
    assert answer.startswith("HTTP/1.1 413")
    assert "larger than 1 GB; export a shorter section or fewer channels" in answer
    assert not list((book / "files" / "log").iterdir())


def test_other_host_prints_a_warning(tmp_path):
    with served("--logbook", tmp_path / "book", "--host", "0.0.0.0") as (process, line):
        address = line.split()[2]  # one that a browser can ask for
        assert address.startswith("http://localhost:")
        assert b"halfshaft" in urllib.request.urlopen(address, timeout=30).read()
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=10)
        assert "WARNING: 0.0.0.0 is open" in process.stderr.read()


@pytest.mark.parametrize("host, means", [("127.0.0.1", "127.0.0.1"), ("[::1]", "::1")])
def test_port_in_use_is_said(tmp_path, capsys, host, means):
    if ":" in means and not socket.has_ipv6:
        pytest.skip("no IPv6")
    with socket.socket(socket.AF_INET6 if ":" in means else socket.AF_INET) as taken:
        taken.bind((means, 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert main(["dashboard", "--logbook", str(tmp_path), "--port", str(port), "--host", host]) == 2
    said = capsys.readouterr().err
    assert f"--host {means} --port {port}: cannot be listened on" in said and "choose another port" in said


@pytest.mark.parametrize("host", ["no.such.host.invalid", "", "a..b", "300.1.1.1"])  # .invalid: RFC 2606
def test_a_host_that_means_no_address_is_said(tmp_path, capsys, host):
    assert main(["dashboard", "--logbook", str(tmp_path / "book"), "--port", "0", "--host", host]) == 2
    assert "cannot be listened on" in capsys.readouterr().err


@pytest.mark.parametrize("port", ["70000", "-1"])
def test_wrong_port_is_said(tmp_path, capsys, port):
    assert main(["dashboard", "--logbook", str(tmp_path), f"--port={port}"]) == 2
    assert "allowed: 0 to 65535" in capsys.readouterr().err


def test_logbook_that_cannot_be_made_is_said(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["dashboard", "--logbook", str(tmp_path / "file")]) == 2
    assert "cannot be made" in capsys.readouterr().err


def test_an_address_of_ipv6_is_printed_and_answered(tmp_path):
    if not socket.has_ipv6:
        pytest.skip("no IPv6")
    with served("--logbook", tmp_path / "book", "--host", "::1") as (_, line):
        address = line.split()[2]
        assert address.startswith("http://[::1]:")
        assert b"halfshaft" in urllib.request.urlopen(address, timeout=30).read()
        for asked, status in (("[::2]", 400), ("elsewhere", 400), ("localhost", 200)):
            request = urllib.request.Request(address, headers={"Host": asked})
            try:
                assert urllib.request.urlopen(request, timeout=30).status == status
            except urllib.error.HTTPError as error:
                assert error.code == status


def test_silent_connections_do_not_block_the_page(one_served):
    host, port, _ = one_served
    silent = [socket.create_connection((host, port), timeout=30) for _ in range(300)]
    for one in silent[::2]:
        one.sendall(b"POST /upload/log HTTP/1.1\r\nHost: ")
    started = time.monotonic()
    assert urllib.request.urlopen(f"http://{host}:{port}", timeout=30).status == 200
    assert time.monotonic() - started < 10  # measured: 0.3 s; before, the page waited for 120 s
    for one in silent:
        one.close()


def test_a_folder_with_other_files_is_a_logbook_only_by_the_user_s_word(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["dashboard", "--logbook", str(tmp_path), "--port", "0"]) == 2
    assert "mine.txt" in capsys.readouterr().err and [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    with served("--logbook", tmp_path, "--make-logbook") as (_, line):
        assert line.startswith("halfshaft dashboard: http://127.0.0.1")
    assert (tmp_path / "mine.txt").read_text() == "mine" and (tmp_path / "logbook.sqlite").exists()
