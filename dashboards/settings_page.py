"""What the pages of a settings file share: choose one or load it, fill its form, keep it, analyse again with it."""

import io
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

import dash
from dash import ALL, ClientsideFunction, Dash, Input, NoUpdate, Output, State, ctx, dcc, html

from analyzer.errors import HalfshaftError, InputError
from analyzer.settings_file import Settings
from dashboards.exchanged import Children, FieldIds, Option, Saved, Uploaded, Values
from dashboards.figures_form import FileForm, Said
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import labelled, when
from dashboards.run_records import Run, StoredFile
from dashboards.uploads import KINDS

S = TypeVar("S", bound=Settings)


@dataclass(frozen=True)
class SettingsPage(Generic[S]):
    """A page of car files or of setup files. Its components are named by `kind`.

    Attributes
    ----------
    kind : `car` or `setup`, as the logbook calls it.
    load : a file of the kind, `load_car` or `load_setup`.
    typed : the settings of the form's fields; raises InputError.
    ending : of a file's name.
    """

    kind: str
    form: FileForm[S]
    load: Callable[[Path], S]
    typed: Callable[[Values, FieldIds], S]
    ending: str

    @property
    def fields(self) -> dict[str, Any]:
        """The id of every field."""
        return {"type": self.form.name, "table": ALL, "key": ALL}

    def values_of(self, logbook: Logbook, key: str | None) -> Said:
        """What a stored file says, and nothing that it leaves to its defaults; without a file nothing.

        Raises
        ------
        InputError : no such file, or it is wrong.
        """
        if key is None:
            return {}
        return self.load(logbook.file(self.kind, key).path).model_dump(exclude_unset=True)

    def tools(self, logbook: Logbook, key: str | None, chosen: Run | None, *, run_words: str) -> Children:
        """Controls above the form."""
        runs = [r for r in logbook.runs() if r.state == "done"]
        kind = self.kind
        picker = {"data-kind": kind, "data-name": f"{kind}-opened", "data-endings": ",".join(KINDS[kind][0])}
        return [
            html.Div(
                [
                    labelled(
                        "file",
                        dcc.Dropdown(self.options(logbook), key, id=f"{kind}-opened", placeholder="none"),
                        wide=True,
                    ),
                    html.Div(
                        [
                            html.Label("load a TOML file", htmlFor=f"file-{kind}-opened"),
                            html.Div(id=f"picker-{kind}-opened", className="picker", **picker),
                        ],
                        className="load",
                        **{"data-drop": f"{kind}-opened"},
                    ),
                    labelled(
                        run_words,
                        dcc.Dropdown(
                            [{"label": f"{r.name}, {when(r.date_s)}", "value": r.id} for r in runs],
                            chosen.id if chosen else None,
                            id=f"{kind}-run",
                            placeholder="none",
                        ),
                        wide=True,
                    ),
                ],
                className="tools",
            ),
            html.Div(
                [
                    html.Button("Keep in the logbook", id=f"{kind}-keep", className="main"),
                    html.Button("Analyse again with it", id=f"{kind}-again", className="quiet", hidden=chosen is None),
                    html.Button("Save as TOML", id=f"{kind}-save", className="quiet"),
                    html.Button("Discard changes", id=f"{kind}-discard", className="quiet"),
                    html.Span(id=f"{kind}-kept", className="hint", role="status"),
                ],
                className="buttons",
            ),
            dcc.Download(id=f"{kind}-file"),
            dcc.Store(id=f"uploaded-{kind}-opened"),
            html.Div(id=f"{kind}-refusal", role="alert", className="refusal"),
        ]

    def sections(self, logbook: Logbook, key: str | None, run_id: str | None, fresh: str = "") -> Children:
        """The form, filled from a stored file. What was typed into it before comes back, unless `fresh` differs."""
        return self.form.sections(self.values_of(logbook, key), kept_as=f"{run_id or ''} {key}{fresh}")

    def options(self, logbook: Logbook) -> list[Option]:
        """The files to choose from."""
        return [
            {"label": f.name + (" (sample, invented)" if f.key == "sample" else ""), "value": f.key}
            for f in logbook.files(self.kind)
        ]

    def file_name(self, settings: Settings) -> str:
        """Of a file that is saved: what the thing is called."""
        called = re.sub(r"[^\w-]+", "_", str(getattr(settings, "name", ""))).strip("_")[:60]
        return f"{called or self.kind}{self.ending}"

    def keep(self, logbook: Logbook, settings: Settings) -> StoredFile:
        """Put settings into the logbook as a file."""
        text = self.form.to_toml(settings).encode()
        return logbook.store(self.kind, self.file_name(settings), io.BytesIO(text), len(text))

    def register(self, app: Dash, logbook: Logbook, jobs: Jobs) -> None:
        """Callbacks of what the pages share."""
        kind = self.kind
        refusal = Output(f"{kind}-refusal", "children", allow_duplicate=True)

        @app.callback(
            Output(f"{kind}-form", "children"),
            Input(f"{kind}-opened", "value"),
            Input(f"{kind}-discard", "n_clicks"),
            State(f"{kind}-run", "value"),
            prevent_initial_call=True,
        )
        def _load(key: str | None, clicks: int | None, run_id: str | None) -> Children:
            # under another name what was typed before is not found again
            fresh = f" {time.time()}" if ctx.triggered_id == f"{kind}-discard" else ""
            return self.sections(logbook, key, run_id, fresh)

        @app.callback(
            Output(f"{kind}-opened", "options"),
            Output(f"{kind}-opened", "value"),
            Input(f"uploaded-{kind}-opened", "data"),
            prevent_initial_call=True,
        )
        def _loaded(stored: Uploaded | None) -> tuple[list[Option], str | NoUpdate]:
            return self.options(logbook), stored["key"] if stored else dash.no_update

        # the fields that a refusal names are marked, and the first says it
        app.clientside_callback(
            ClientsideFunction("fields", "mark"),
            Output(f"{kind}-form", "title"),
            Input(f"{kind}-refusal", "children"),
            Input(f"{kind}-form", "children"),
        )

        @app.callback(
            Output(f"{kind}-kept", "children"),
            Output(f"uploaded-{kind}-opened", "data"),
            refusal,
            Input(f"{kind}-keep", "n_clicks"),
            State(self.fields, "value"),
            State(self.fields, "id"),
            prevent_initial_call=True,
        )
        def _keep(
            clicks: int | None, values: Values, ids: FieldIds
        ) -> tuple[str | Children | NoUpdate, Uploaded | NoUpdate, str | NoUpdate]:
            if not clicks:
                return dash.no_update, dash.no_update, dash.no_update
            try:
                stored = self.keep(logbook, self.typed(values, ids))
            except HalfshaftError as error:
                return "", dash.no_update, f"Not kept: {error}"
            said: Children = [f"Kept as {stored.name}. ", dcc.Link("Analyse a log with it", href="/")]
            return said, {"key": stored.key}, ""

        @app.callback(
            Output("address", "pathname", allow_duplicate=True),
            Output("address", "search", allow_duplicate=True),
            refusal,
            Input(f"{kind}-again", "n_clicks"),
            State(f"{kind}-run", "value"),
            State(self.fields, "value"),
            State(self.fields, "id"),
            prevent_initial_call=True,
        )
        def _again(
            clicks: int | None, run_id: str | None, values: Values, ids: FieldIds
        ) -> tuple[str | NoUpdate, str | NoUpdate, str | NoUpdate]:
            if not clicks:
                return dash.no_update, dash.no_update, dash.no_update
            try:
                if run_id is None:
                    raise InputError("Choose a run above first.")
                stored = self.keep(logbook, self.typed(values, ids))
                job = logbook.job(run_id)
                keys = job["keys"]
                channels = Path(job["channels"]).read_text("utf-8") if job["channels"] else None
                made = logbook.new_run(
                    log_key=keys["log"],
                    car_key=stored.key if kind == "car" else keys["car"],
                    setup_key=stored.key if kind == "setup" else keys["setup"],
                    channel_map=channels,
                )
            except HalfshaftError as error:
                return dash.no_update, dash.no_update, f"Not analysed: {error}"
            jobs.start(made)
            return "/", "", ""

        @app.callback(
            Output(f"{kind}-file", "data"),
            refusal,
            Input(f"{kind}-save", "n_clicks"),
            State(self.fields, "value"),
            State(self.fields, "id"),
            prevent_initial_call=True,
        )
        def _save(clicks: int | None, values: Values, ids: FieldIds) -> tuple[Saved | NoUpdate, str | NoUpdate]:
            if not clicks or ctx.triggered_id != f"{kind}-save":
                return dash.no_update, dash.no_update
            try:
                settings = self.typed(values, ids)
            except HalfshaftError as error:
                return dash.no_update, f"Not saved: {error}"
            content = self.form.to_toml(settings)
            return {"content": content, "filename": self.file_name(settings), "type": "application/toml"}, ""

        @app.callback(Output(f"{kind}-again", "hidden"), Input(f"{kind}-run", "value"), prevent_initial_call=True)
        def _can_again(run_id: str | None) -> bool:
            return run_id is None
