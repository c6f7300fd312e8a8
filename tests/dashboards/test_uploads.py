"""Uploads: what is taken, what is refused and in which words."""

import io

import pytest

from analyzer.cli.main import main
from analyzer.errors import InputError
from dashboards import uploads

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
