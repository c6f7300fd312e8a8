"""What a result depends on: every input that can change it changes the key, and nothing else does."""

import hashlib
import shutil
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from analyzer import provenance as module
from analyzer.errors import InputError
from analyzer.provenance import code_version, hash_content, hash_file, provenance

SAMPLES = Path(str(resources.files("sample_logs")))
MAP = '[channels]\nthrottle = "pedal"\n'


@pytest.fixture
def files(tmp_path):
    """Copies of a log, car, setup and channel map that a test may change."""
    names = {"log_path": "baseline.parquet", "car_path": "club_car.toml", "setup_path": "baseline.setup.toml"}
    paths = {key: Path(shutil.copy(SAMPLES / name, tmp_path)) for key, name in names.items()}
    paths["channels_path"] = tmp_path / "map.toml"
    paths["channels_path"].write_text(MAP)
    return paths


def test_hashes_are_sha256_of_the_bytes(tmp_path):
    # FIPS 180-4 example: SHA-256 of "abc"; value from memory
    (tmp_path / "abc").write_bytes(b"abc")
    assert hash_file(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_log_of_several_chunks(tmp_path):
    data = bytes(range(256)) * 12_345
    (tmp_path / "log").write_bytes(data)
    assert hash_file(tmp_path / "log") == hashlib.sha256(data).hexdigest()


def test_the_same_files_give_the_same_key(files):
    assert provenance(**files).key == provenance(**files).key


@pytest.mark.parametrize(
    "which, old, new",
    [
        ("car_path", "mass_kg = 1", "mass_kg = 2"),
        ("setup_path", "friction_coefficient = 0.1", "friction_coefficient = 0.12"),
        ("channels_path", "pedal", "pedals"),
    ],
)
def test_a_changed_figure_changes_the_key(files, which, old, new):
    before = provenance(**files)
    text = files[which].read_text()
    assert old in text
    files[which].write_text(text.replace(old, new, 1))
    assert provenance(**files).key != before.key


def test_a_changed_byte_of_the_log_changes_the_key(files):
    before = provenance(**files)
    data = bytearray(files["log_path"].read_bytes())
    data[1000] ^= 1
    files["log_path"].write_bytes(bytes(data))
    assert provenance(**files).key != before.key


@pytest.mark.parametrize("left_out", ["setup_path", "channels_path"])
def test_without_a_file_is_another_key(files, left_out):
    assert provenance(**{**files, left_out: None}).key != provenance(**files).key


def test_other_code_is_another_key(files):
    before = provenance(**files)
    assert replace(before, code="9.9.9+0").key != before.key


def test_comments_and_order_do_not_count(files):
    before = provenance(**files)
    text = files["car_path"].read_text()
    files["car_path"].write_text("# a note\n" + text.replace("[car]\n", "[car]\nrolling_resistance = 0.012\n", 1))
    assert provenance(**files) == before  # the default, now written out
    assert hash_content({"a": 1, "b": [2]}) == hash_content({"b": [2], "a": 1})


def test_the_code_version_changes_with_the_source_of_a_result_only(tmp_path, monkeypatch):
    copy = tmp_path / "analyzer"
    shutil.copytree(Path(module.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(module, "__file__", str(copy / "provenance.py"))

    def version():
        code_version.cache_clear()
        return code_version()

    try:
        first = version()
        (copy / "cli" / "main.py").write_text("# other words\n")
        assert version() == first
        words = copy / "presentation" / "words.py"
        said = words.read_text("utf-8")
        words.write_text(said.replace("How to read it", "Read it so").replace("mid-corner", "apex"), "utf-8")
        assert words.read_text("utf-8") != said
        assert version() == first  # other words are no other result
        (copy / "lockcurve" / "fit.py").write_text("# another method\n")
        assert version() != first
    finally:
        code_version.cache_clear()


def test_what_the_code_version_leaves_out_gives_no_result():
    """The pipeline imports none of the rooms that the hash leaves out."""
    from test_imports import MODULES, imported, name_of, within

    graph = {name_of(p): [other for other, _ in imported(p)] for p in MODULES}
    seen, queue = set(), ["analyzer.pipeline"]
    while queue:
        here = queue.pop()
        assert not any(within(here, f"analyzer.{room}") for room in module._BESIDE), here
        queue += [other for other in graph.get(here, []) if other in graph and other not in seen]
        seen.update(graph.get(here, []))
    assert "analyzer.lockcurve.fit" in seen


def test_a_missing_file_is_said(files):
    with pytest.raises(InputError, match="nowhere"):
        provenance(**{**files, "log_path": Path("nowhere.csv")})
