"""Asks the server again and again, but never before it has answered: Dash drops the answer that a newer question
overtakes, and on a busy machine a plain interval overtakes every one."""

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc

CLOCK_MS = 700


def clock(name: str, *, answered: dict[str, Any]) -> list:
    """What ticks: the callback that is asked has `Input(f"{name}-tick", "data")`, {n, at}, and answers, besides what it
    shows, {n} of that tick to `Output(f"{name}-answered", "data")`; with `over` true the clock stands."""
    return [
        dcc.Interval(id=f"{name}-clock", interval=CLOCK_MS),
        dcc.Store(id=f"{name}-tick"),
        dcc.Store(id=f"{name}-answered", data=answered),
    ]


def polled(app: Dash, name: str) -> None:
    """The callback that lets the clock tick."""
    app.clientside_callback(
        ClientsideFunction("at_once", "tick"),
        Output(f"{name}-tick", "data"),
        Input(f"{name}-clock", "n_intervals"),
        State(f"{name}-answered", "data"),
        State(f"{name}-tick", "data"),
        prevent_initial_call=True,
    )
