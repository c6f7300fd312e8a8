"""The guide as it is served: every number in it computed again from the package, every command and link tried."""

import importlib
import importlib.util
import json
import math
import re
import shlex
from collections import defaultdict
from html.parser import HTMLParser
from pathlib import Path

import guide_numbers
import pytest

from analyzer.cli.main import build_parser
from analyzer.differential.setup import Breakaway, Setup, SetupUncertainty
from analyzer.differential.springs import ConeSpring, RingSpring, Shims
from analyzer.signals.session import Sensors
from analyzer.vehicle.car import Car, CarUncertainty, Tyre
from analyzer.vehicle.parameters import priors
from dashboards.guide.guide import PAGES, help_address, page

HERE = {"Host": "localhost", "Origin": "http://localhost"}
NOT_IN_THE_TABLE = {"long_bias", "change_gain"}  # come from the log


class Elements(HTMLParser):
    """Every start tag with its attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


def served(client, name: str) -> str:
    answer = client.get(f"/guide/{name}", headers=HERE)
    assert answer.status_code == 200
    return answer.text


def as_printed(value: float, printed: str) -> bool:
    """`value` rounds to what is printed."""
    digits = len(printed.partition(".")[2])
    return math.isclose(value, float(printed), abs_tol=0.5000001 * 10**-digits, rel_tol=0)


@pytest.fixture(scope="module")
def numbers():
    """Worked examples by name: (given, follows), symbols -> value as printed."""
    found = defaultdict(lambda: ({}, {}))
    for _, tags in Elements(page("theory").body).found:
        if "data-worked" in tags:
            symbols = found[tags["data-worked"]][tags["data-role"] == "follows"]
            assert tags["data-symbol"] not in symbols, tags
            symbols[tags["data-symbol"]] = tags["data-value"]
    return dict(found)


def test_every_worked_number_of_the_page_is_recomputed(numbers):
    assert set(numbers) == set(guide_numbers.EXAMPLES)
    wrong = []
    for name, (given, follows) in numbers.items():
        again = guide_numbers.EXAMPLES[name]({symbol: float(value) for symbol, value in given.items()})
        assert set(again) == set(follows), name
        wrong += [
            f"{name}: {symbol} = {printed} on the page, {again[symbol]:.6g} by the package"
            for symbol, printed in follows.items()
            if not as_printed(float(again[symbol]), printed)
        ]
    assert not wrong, "\n".join(wrong)


def test_a_worked_number_hangs_on_each_of_its_givens(numbers):
    """A given that no number hangs on would be decoration: what is printed could be wrong without anybody seeing it."""
    for name, (given, _) in numbers.items():
        values = {symbol: float(value) for symbol, value in given.items()}
        before = guide_numbers.EXAMPLES[name](values)
        for symbol in values:
            moved = guide_numbers.EXAMPLES[name]({**values, symbol: values[symbol] * 1.01})
            assert any(not math.isclose(moved[k], before[k], rel_tol=1e-6) for k in before), (name, symbol)


def test_figures_on_the_page_are_those_of_the_code():
    found = [tags for _, tags in Elements(page("theory").body).found if "data-figure" in tags]
    assert len(found) > 40
    for tags in found:
        module, _, path = tags["data-figure"].partition(":")
        value = importlib.import_module(module)
        first, *keys = path.split(".")
        value = getattr(value, first)
        for key in keys:
            value = value.model_fields[key].default
        assert as_printed(value, tags["data-value"]), (
            f"{tags['data-figure']}: the page says {tags['data-value']}, not {value}"
        )


def test_priors_on_the_page_are_those_of_the_fit():
    car = Car(**guide_numbers.A_CAR)
    of_code = {p.name: p for p in priors(car, sensors=Sensors(), long_bias_sd_m_s2=0.03)}
    on_page = {t["data-prior"]: t for _, t in Elements(page("theory").body).found if "data-prior" in t}
    assert set(on_page) == set(of_code) - NOT_IN_THE_TABLE
    for name, tags in on_page.items():
        assert as_printed(of_code[name].start, tags["data-start"]), (name, of_code[name].start)
        assert as_printed(of_code[name].deviation, tags["data-deviation"]), (name, of_code[name].deviation)


def commands() -> list[str]:
    source = importlib.resources.files("dashboards.guide").joinpath("user.md").read_text("utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", source, flags=re.DOTALL)
    return [line for block in blocks for line in block.replace("\\\n", " ").splitlines() if line.strip()]


@pytest.mark.parametrize("line", commands())
def test_commands_of_the_guide_are_commands(line):
    program, *words = shlex.split(line)
    assert program == "halfshaft"
    build_parser().parse_args(words)
    samples = importlib.resources.files("sample_logs")
    for word in words:
        if word.startswith("sample_logs/"):
            assert samples.joinpath(word.removeprefix("sample_logs/")).is_file(), word


@pytest.mark.parametrize("name", PAGES)
def test_equations_and_commands_fit_the_page_without_scrolling(name):
    source = importlib.resources.files("dashboards.guide").joinpath(f"{name}.md").read_text("utf-8")
    for kind, text in re.findall(r"```(eq|sh)\n(.*?)```", source, flags=re.DOTALL):
        assert all(len(line) <= (100 if kind == "sh" else 84) for line in text.splitlines()), (kind, text)


@pytest.mark.parametrize("name", PAGES)
def test_links_of_the_guide_lead_somewhere(client, name):
    elements = Elements(served(client, name)).found
    for tag, tags in elements:
        target = tags.get("href") or tags.get("src")
        if tag not in ("a", "img", "link") or target is None:
            continue
        assert "//" not in target, f"{target} needs a network"
        target = target.replace("../assets", "/assets")
        path, _, section = target.partition("#")
        other = path.rsplit("/", 1)[-1] or name if not path.startswith("/") or "/guide/" in path else None
        if other in PAGES:
            ids = {t.get("id") for _, t in Elements(served(client, other)).found}
            assert not section or section in ids, target
        else:
            assert client.get(path, headers=HERE).status_code == 200, target


@pytest.mark.parametrize("path", ["/", "/setup", "/compare", "/run/0123", "/run/0123/log", None, "/nowhere"])
def test_help_leads_to_a_section_of_the_guide(path):
    address, _, section = help_address(path).partition("#")
    assert address == "/guide/user"
    assert section in {s.id for s in page("user").sections}


def test_every_dashboard_page_has_its_own_help():
    paths = ["/", "/setup", "/compare", "/car/club%20car", "/run/0123", "/run/0123/log"]
    assert len({help_address(path) for path in paths}) == len(paths)


def test_help_is_a_link_in_the_head_of_every_page(app, client):
    layout = client.get("/_dash-layout", headers=HERE).get_json()
    links = [part for part in _parts(layout) if part["props"].get("id") == "help"]
    assert [part["type"] for part in links] == ["A"]  # a link with an address is reached by keyboard
    assert links[0]["props"]["href"].startswith("/guide/")


def test_pages_of_the_dashboard_link_to_sections_that_are_there(ask_page, run_id):
    seen = set()
    for path in ("/", "/setup", "/compare", f"/run/{run_id}", f"/run/{run_id}/log"):
        links = [
            p["props"].get("href") or "" for p in _parts(json.loads(ask_page(path))["response"]["page"]["children"])
        ]
        seen |= set(re.findall(r"/guide/(\w+)#([\w-]+)", " ".join(links)))
    assert ("user", "lock-plot") in seen
    for name, section in seen:
        assert section in {s.id for s in page(name).sections}, (name, section)
    assert "before-and-after" in {s.id for s in page("user").sections}  # of the comparison, once it is made


def _parts(part):
    if isinstance(part, list):
        return [p for inner in part for p in _parts(inner)]
    if not isinstance(part, dict) or "props" not in part:
        return []
    return [part, *_parts(part["props"].get("children"))]


def test_sources_named_in_the_text_are_listed_with_how_they_were_had():
    source = importlib.resources.files("dashboards.guide").joinpath("theory.md").read_text("utf-8")
    text, listed = source.split("## Sources")
    named = set(re.findall(r"\[([A-Z]+[A-Z0-9]*\d+|[A-Z]{4,})\]", text))
    assert len(named) > 15
    assert named == set(re.findall(r"^- \[(\w+)\]", listed, flags=re.MULTILINE))
    kept = (Path(__file__).parents[1] / "SOURCES.md").read_text("utf-8")
    assert not {key for key in named if f"- [{key}]" not in kept}


def test_sections_have_addresses_of_their_own():
    for name in PAGES:
        ids = [s.id for s in page(name).sections]
        assert len(ids) == len(set(ids))


def test_nothing_in_the_guide_is_left_as_markup():
    for name in PAGES:
        words = re.sub(r"<pre.*?</pre>|<code.*?</code>|<[^>]+>", " ", str(page(name).body), flags=re.DOTALL)
        assert not re.search(r"\*\*|```|\]\(|&lt;/?\w+&gt;|\w_\w", words), re.findall(
            r".{20}(?:\*\*|\]\(|\w_\w).{20}", words
        )


@pytest.mark.parametrize("name", ["nothing", "..", "%2e%2e", "../app.py", "user.md"])
def test_only_pages_of_the_guide_are_served(client, name):
    answer = client.get(f"/guide/{name}", headers=HERE)
    assert answer.status_code == 404 or "create_app" not in answer.text


def test_cautions_are_on_both_pages(client):
    from analyzer.in_words import CAUTIONS

    for name in PAGES:
        text = served(client, name).replace("&#39;", "'")
        assert all(caution in text for caution in CAUTIONS)


def test_rounding_of_a_printed_number():
    assert as_printed(0.1327, "0.133") and not as_printed(0.1322, "0.133")
    assert as_printed(22.7, "23") and not as_printed(22.4, "23")


def test_every_key_of_car_and_setup_file_is_told_with_its_range(client):
    text = served(client, "user")
    for model in (Car, Tyre, CarUncertainty, Setup, ConeSpring, RingSpring, Shims, Breakaway, SetupUncertainty):
        for key, field in model.model_fields.items():
            table = key in ("tyre", "uncertainty", "cone_spring", "ring_spring", "shims", "breakaway")
            assert (f".{key}]</code>" if table else f"<td><code>{key}</code></td>") in text, key
            assert field.description or table, key
    row = "<td><code>roll_gradient_deg_per_g</code></td><td>0 to 15</td><td>0.0</td><td>body roll"
    assert row in text
    assert "<td><code>mass_kg</code></td><td>150 to 5000</td><td>needed</td>" in text
    assert "<code>ring_face</code>, <code>shaft_axis</code>" in text


def test_measured_tables_come_from_commands_that_exist_and_are_shown():
    from measured import PAGE, commands, filled

    text = PAGE.read_text("utf-8")
    asked = commands(text)
    assert len(asked) >= 3
    for command in asked:
        module = shlex.split(command)[shlex.split(command).index("-m") + 1]
        assert importlib.util.find_spec(module) is not None, command
    shown = page("measured").body
    assert "<td>---" not in shown  # a table of its own for each that a command prints
    assert shown.count("<table>") >= len(asked) and all(f"<code>{c}</code>" in shown for c in asked)
    again = filled(text, asked[0], run=lambda command: "| a |\n|---|\n| 7 |")
    assert "| 7 |" in again and commands(again) == asked and again.count("```") == text.count("```")
