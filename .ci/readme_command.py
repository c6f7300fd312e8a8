"""Prints a README command, so that CI runs what a stranger types: the one line after the marker comment.

usage: readme_command.py NAME README VENV; the README makes its environment in `.venv`, CI uses its own new one.
"""

import re
import sys

name, readme, venv = sys.argv[1:]
with open(readme, encoding="utf-8") as handle:
    text = handle.read()
found = re.search(rf"<!-- command: {name} -->\s*```\w*\n(.+?)\n```", text, re.DOTALL)
if found is None:
    sys.exit(f"{readme}: no command marked '{name}'")
print(found.group(1).replace(".venv", venv))
