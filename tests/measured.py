"""`python -m tests.measured [WORD]` runs the commands of the guide's page "How well it works" and puts what they print
into it; with WORD only those whose command holds it. All of them take hours.
"""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import dashboards.guide

ROOT = Path(__file__).parents[1]
PAGE = Path(dashboards.guide.__file__).with_name("measured.md")
BLOCK = re.compile(r"^(```measured (?P<command>[^\n]+)\n)(?P<rows>.*?)(^```$)", re.MULTILINE | re.DOTALL)


def commands(text: str) -> list[str]:
    """The commands of the page, as a shell takes them in the folder of the source."""
    return [found["command"] for found in BLOCK.finditer(text)]


def printed(command: str) -> str:
    """What a command prints."""
    words = shlex.split(command)
    places = {"PYTHONPATH": "tests"} if words[0] == "PYTHONPATH=tests" else {"PYTHONPATH": "."}
    arguments = [sys.executable, *words[words.index("python") + 1 :]]
    done = subprocess.run(arguments, cwd=ROOT, env=_environment(places), capture_output=True, text=True, check=True)
    return done.stdout


def _environment(places: dict[str, str]) -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": os.pathsep.join([places["PYTHONPATH"], str(ROOT)])}


def filled(text: str, word: str = "", run=printed) -> str:
    """The page with the blocks whose command holds `word` made anew."""

    def block(found: re.Match[str]) -> str:
        return found[0] if word not in found["command"] else f"{found[1]}{run(found['command']).rstrip()}\n```"

    return BLOCK.sub(block, text)


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text("utf-8"), sys.argv[1] if len(sys.argv) > 1 else ""), "utf-8")
