"""Uploads: what is taken, what is refused and in which words."""

import errno
import io
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from threading import Thread

import pytest
from waitress.adjustments import Adjustments
from waitress.parser import HTTPRequestParser

from analyzer.cli.main import main
from analyzer.errors import InputError
from dashboards import serving, uploads

HERE = {"Host": "localhost", "Origin": "http://localhost"}


def post(client, kind, name, body):
    return client.post(f"/upload/{kind}", data=body, headers={**HERE, "X-File-Name": name})


def test_upload_arrives_whole(client, logbook):
    body = bytes(range(256)) * 5000
    answer = post(client, "log", "a%20run.csv", body)
    assert answer.json["name"] == "a_run.csv"
    assert logbook.file("log", answer.json["key"]).path.read_bytes() == body


def test_the_same_bytes_are_known_again_and_said(client):
    first, second = post(client, "log", "a.csv", b"time\n0\n"), post(client, "log", "b.csv", b"time\n0\n")
    assert second.json["key"] == first.json["key"]
    assert (second.json["name"], second.json["sent"]) == ("a.csv", "b.csv")


@pytest.mark.parametrize("name", ["a.csv", "A.CSV", "a.tsv", "a.txt", "a.parquet.gz", "a.csv.zip", "a.mf4"])
def test_what_the_command_line_reads_is_taken(client, name):
    assert post(client, "log", name, name.encode()).status_code == 200


def test_wrong_kind_of_file_is_refused_in_words(client):
    answer = post(client, "log", "photo.jpg", b"x")
    assert answer.status_code == 400 and "photo.jpg" in answer.json["error"] and ".csv" in answer.json["error"]


def test_empty_file_is_refused_and_nothing_stays(client, logbook):
    before = list((logbook.folder / "files" / "log").iterdir())
    assert "is empty" in post(client, "log", "a.csv", b"").json["error"]
    assert list((logbook.folder / "files" / "log").iterdir()) == before
    assert [f.key for f in logbook.files("log")] == ["sample"]


def test_a_form_is_no_log_and_nothing_stays(client, logbook):
    form = b'--X\r\nContent-Disposition: form-data; name="f"; filename="a.csv"\r\n\r\ntime\r\n--X--\r\n'
    headers = {**HERE, "X-File-Name": "a.csv", "Content-Type": "multipart/form-data; boundary=X"}
    answer = client.post("/upload/log", data=form, headers=headers)
    assert answer.status_code == 400 and "the file itself" in answer.json["error"]
    assert [f.key for f in logbook.files("log")] == ["sample"]


@pytest.mark.parametrize(
    "name",
    [
        "../../../x.csv",
        "%2e%2e%2fx.csv",
        "..%5cx.csv",
        "a%00.csv",
        "a%0d%0aX-Y:%20z.csv",
        "%ff.csv",
        "a" * 10_000 + ".csv",
    ],
)
def test_no_name_leaves_the_folder_of_logs(client, logbook, name):
    before = set(logbook.folder.rglob("*"))
    assert post(client, "log", name, name.encode()).status_code == 200
    new = set(logbook.folder.rglob("*")) - before
    own = [p for p in new if "sqlite" not in p.name and "incoming" not in p.parts]
    assert own and all(p.is_relative_to(logbook.folder / "files" / "log") for p in own)
    assert all(len(p.name) < 255 and p.name.isprintable() for p in new)


def test_uploads_of_one_name_at_once_are_all_kept(client, logbook):
    bodies = [b"time\n%d\n" % k for k in range(8)]
    with ThreadPoolExecutor(8) as pool:
        keys = list(pool.map(lambda body: logbook.store("log", "a.csv", io.BytesIO(body), None).key, bodies))
    assert len(set(keys)) == len(bodies)
    assert [logbook.file("log", key).path.read_bytes() for key in keys] == bodies


class _BreaksOff(io.RawIOBase):
    """A body whose sender is gone after the first piece."""

    def __init__(self, error):
        self.error, self.given = error, False

    def read(self, size=-1):
        if self.given:
            raise self.error
        self.given = True
        return b"time\n0\n"


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), ConnectionResetError()])
def test_an_upload_that_breaks_off_leaves_nothing(logbook, error):
    with pytest.raises((OSError, InputError)):
        logbook.store("log", "a.csv", _BreaksOff(error), None)
    assert [f.key for f in logbook.files("log")] == ["sample"]
    assert not list((logbook.folder / "files" / "log").iterdir())


def test_over_the_limit_is_refused_while_streaming(logbook, monkeypatch):
    monkeypatch.setattr(uploads, "UPLOAD_LIMIT_BYTES", 1000)
    with pytest.raises(InputError, match="up to 1 GB"):
        logbook.store("log", "a.csv", io.BytesIO(b"x" * 1001), None)  # length not stated
    with pytest.raises(InputError, match="up to 1 GB"):
        logbook.store("log", "a.csv", io.BytesIO(b"x"), 1001)
    assert not list((logbook.folder / "files" / "log").iterdir())


def test_broken_car_file_is_refused_in_the_words_of_the_command_line(client, logbook, tmp_path, capsys):
    text = '[car]\nname = "x"\nmass_kg = 1180000\n'
    answer = post(client, "car", "car.toml", text.encode())
    (tmp_path / "car.toml").write_text(text)
    (tmp_path / "log.csv").write_text("time\n0\n")
    assert main(["analyze", str(tmp_path / "log.csv"), "--car", str(tmp_path / "car.toml")]) == 2
    assert answer.json["error"] in capsys.readouterr().err
    assert [f.key for f in logbook.files("car")] == ["sample"]


def test_no_room_for_a_body_is_said(monkeypatch):
    """A large body waits in the system's folder for temporary files before the page sees any of it."""

    def full(parser, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(HTTPRequestParser, "received", full)
    parser = serving._Parser(Adjustments())
    assert parser.received(b"abc") == 3 and parser.completed
    status, _, body = parser.error.to_response()
    assert status.startswith("507") and "free some space" in body.decode()


def test_a_body_in_chunks_that_goes_on_over_the_limit_is_refused_in_words(app, monkeypatch):
    """Who sends all of it before reading anything must find the words, not a reset."""
    monkeypatch.setattr(serving, "MOST_BYTES", 100_000)
    server = serving.make_server(app.server, host="127.0.0.1", port=0)
    thread = Thread(target=server.run, daemon=True)
    thread.start()
    try:
        with socket.create_connection(("127.0.0.1", server.effective_port), timeout=30) as sender:
            sender.sendall(b"POST /upload/log HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n")
            for _ in range(2000):  # 20 MB: more than the sockets' buffers hold
                sender.sendall(b"2710\r\n" + b"7" * 10_000 + b"\r\n")
            sender.sendall(b"0\r\n\r\n")
            answer = b"".join(iter(lambda: sender.recv(65536), b"")).decode()
        assert answer.startswith("HTTP/1.1 413") and serving.TOO_LARGE in answer
        # nor does it go on for ever
        monkeypatch.setattr(serving, "DRAIN_S", 0.5)
        with socket.create_connection(("127.0.0.1", server.effective_port), timeout=30) as sender:
            sender.sendall(b"POST /upload/log HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n")
            started = time.monotonic()
            with pytest.raises(OSError):
                while time.monotonic() - started < 20:
                    sender.sendall(b"2710\r\n" + b"7" * 10_000 + b"\r\n")
    finally:
        server.close()
        server.task_dispatcher.shutdown()
        thread.join(timeout=10)
