"""The list of what is read, made from the tables that the tests run through.

python tests/logs/reads_table.py            prints the section
python tests/logs/reads_table.py tests/logs/WHAT_IS_READ.md  puts it between the marker comments there
"""

import sys
from pathlib import Path

from dialects import DIALECTS
from fault_table import FAULTS

START = "<!-- what is read: made by tests/logs/reads_table.py -->"
END = "<!-- end of what is read -->"
_OUTCOMES = {"asks": " (asks which one)", "refused": " (refused, with the reason)"}


def section() -> str:
    """The section in Markdown, markers included."""
    lines = [START, "", "| kind | written as |", "|---|---|"]
    for group in dict.fromkeys(d.group for d in DIALECTS):
        words = [d.words + _OUTCOMES.get(d.outcome, "") for d in DIALECTS if d.group == group]
        lines.append(f"| {group} | {'; '.join(words)} |")
    lines += ["", "| fault | found and said |", "|---|---|"]
    for group in dict.fromkeys(f.group for f in FAULTS):
        words = [f.words + (" (put right)" if f.restored else "") for f in FAULTS if f.group == group]
        lines.append(f"| {group} | {'; '.join(words)} |")
    return "\n".join([*lines, "", END])


def inserted(readme: str) -> str:
    """`readme` with the section between its markers replaced."""
    before, rest = readme.split(START, 1)
    _, after = rest.split(END, 1)
    return before + section() + after


if __name__ == "__main__":
    if len(sys.argv) == 2:
        path = Path(sys.argv[1])
        path.write_text(inserted(path.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(section())
