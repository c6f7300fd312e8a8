"""The one look of tables on the terminal."""

from typing import Any

from rich import box
from rich.table import Table


def terminal_table(title: str | None = None, **look: Any) -> Table:
    """An empty table under a bold title; `look` as rich's Table takes it."""
    return Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, **look)
