"""The breaks of `tests.breaks` still find the lines that they break."""

from pathlib import Path

import breaks
import pytest

import analyzer

PACKAGES = Path(analyzer.__file__).parents[1]  # of the source, or of the wheel that is installed


@pytest.mark.parametrize("name", [*breaks.SURVIVORS, *breaks.OTHERS])
def test_the_line_of_a_break_is_there_once(name):
    broken = (breaks.SURVIVORS | breaks.OTHERS)[name]
    assert (PACKAGES / broken.file).read_text("utf-8").count(broken.old) == 1
