"""`halfshaft logbook`: a folder that keeps logs, cars, setups and results. Its actions `list`, `show`, `trend`,
`car` and `export` read the logbook and write nothing in it."""

import argparse
from typing import TYPE_CHECKING, Any

from analyzer.cli.options import (
    DRIVEN_WITH,
    add_driven_with,
    add_json,
    add_output,
    add_overwrite,
    progress_bar,
    terminal,
    wrote_json,
)
from analyzer.files import is_own_json
from analyzer.in_words import capitalised

if TYPE_CHECKING:
    from collections.abc import Callable

    from analyzer.errors import HalfshaftError
    from analyzer.logbook.results import StoredResult
    from analyzer.logbook.runs import Run
    from analyzer.logbook.store import Store

DEFAULT_FOLDER = "logbook"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    add = _action(actions, "add", "put logs in and analyse them; with a car alone, correct that car's file")
    add.add_argument("log", metavar="LOG", nargs="*", help="logs, a run each; the same log twice is one run")
    add.add_argument("--car", metavar="CAR", help="car file (TOML); needed unless the logs go to a run that is there")
    add.add_argument(
        "--one-run", action="store_true", help="the logs are one run: laps with slow circles or a slow lap, one answer"
    )
    add.add_argument("--to", metavar="RUN", help="the logs are more of this run, which is then analysed anew")
    add.add_argument("--setup", metavar="SETUP", help="setup file (TOML)")
    add.add_argument("--channels", metavar="MAP", help="channel map (TOML)")
    add.add_argument(
        "--date", metavar="DATE", help="when it was driven, as 2026-05-31 or 2026-05-31T14:30; default: the file's date"
    )
    add.add_argument(
        "--make-logbook", action="store_true", help="make the logbook in a folder that holds other files; they stay"
    )
    add_driven_with(add)
    update = _action(actions, "update", "analyse anew what code, car, setup or map changed, and what was not analysed")
    update.add_argument("run", metavar="RUN", nargs="*", help="runs; default: all")
    update.add_argument(
        "--knowledge", action="store_true", help="also the runs that other runs know more for than when they were made"
    )
    car = _action(actions, "car", "what the runs of a car know of it together, from which runs, and which contradicts")
    car.add_argument("name", metavar="NAME", nargs="?", help="name of the car in its car file; default: the only one")
    add_json(car, "what is known")
    add_output(
        car, "--export", is_own_json, help="write the knowledge, for `halfshaft analyze --knowledge` without a logbook"
    )
    say = _action(actions, "say", "note the tyres, weather and sensor of runs; knowledge of the car hangs on them")
    say.add_argument("run", metavar="RUN", nargs="+", help="id, its beginning, or the log's file name")
    add_driven_with(say)
    listed = _action(actions, "list", "the runs, with their preload and whether the result is up to date")
    listed.add_argument("--car", metavar="NAME", help="only the runs of the car of this name")
    add_json(listed, "the list")
    show = _action(actions, "show", "the result of a run, as it was made")
    show.add_argument("run", metavar="RUN", help="id, its beginning, or the log's file name")
    add_json(show)
    remove = _action(actions, "remove", "take runs out, with their logs and results")
    remove.add_argument("run", metavar="RUN", nargs="+", help="id, its beginning, or the log's file name")
    export = _action(actions, "export", "write runs as plain files: the log as it came, Parquet, settings, result")
    export.add_argument("run", metavar="RUN", nargs="*", help="runs; default: all")
    export.add_argument("--out", metavar="DIR", required=True, help="folder to write to")
    add_overwrite(export)
    trend = _action(actions, "trend", "preload over the distance that a car has run")
    trend.add_argument("--car", metavar="NAME", help="name of the car in its car file; default: the only one")
    add_json(trend, "the trend")
    _action(actions, "tidy", "move what is not the logbook's out of its folders, into its folder `lost`")


def run(arguments: argparse.Namespace) -> int:
    """Open the logbook and do one action. Returns the exit status.

    Raises
    ------
    InputError : a file or a name is wrong, or the logbook cannot be used.
    CannotTell : the log shown cannot support the question.
    """
    from analyzer.logbook.store import Store

    adding = arguments.action == "add"
    with Store(arguments.logbook, must_exist=not adding, make_here=adding and arguments.make_logbook) as store:
        if arguments.action in WRITING:
            store.begin_writing()
        for note in store.notes:
            _say(note)
        return ACTIONS[arguments.action](store, arguments)


def _action(actions: Any, name: str, summary: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = actions.add_parser(name, help=summary, description=f"{capitalised(summary)}.")
    parser.add_argument("--logbook", metavar="DIR", default=DEFAULT_FOLDER, help="folder (default ./%(default)s)")
    return parser


def _add(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.errors import HalfshaftError, InputError
    from analyzer.in_words import counted
    from analyzer.logbook import add
    from analyzer.logbook.listing import SHORT_ID

    words = {name: text for name in DRIVEN_WITH if (text := getattr(arguments, name))}
    if arguments.to:
        return _add_to(store, arguments, words)
    if arguments.car is None:
        raise InputError("--car is missing: name the car file, or with --to the run that the logs are more of.")
    if not arguments.log:
        corrected = add.correct_car(store, arguments.car)
        print(
            f"{corrected[0].car.title}: {counted(len(corrected), 'run has', 'runs have')} {corrected[0].car.name} now."
        )
        return _bring_up_to_date(store, corrected)
    date_s = _seconds(arguments.date) if arguments.date else None
    together = [arguments.log] if arguments.one_run else [[log] for log in arguments.log]
    added, status = [], 0
    for first, *more in together:
        try:
            one = add.add(
                store,
                first,
                car_path=arguments.car,
                setup_path=arguments.setup,
                channels_path=arguments.channels,
                more=more,
                words=words,
                date_s=date_s,
            )
        except HalfshaftError as error:
            status = max(status, _complain(error))
            continue
        added.append(one.run)
        known = f" (there already, as {one.run.name})" if one.known else ""
        print(f"{' + '.join([first, *more])}: run {one.run.id[:SHORT_ID]}{known}", flush=True)
    return max(status, _bring_up_to_date(store, added))


def _add_to(store: "Store", arguments: argparse.Namespace, words: dict[str, str]) -> int:
    from analyzer.errors import InputError
    from analyzer.logbook import add
    from analyzer.logbook.listing import SHORT_ID
    from analyzer.logbook.runs import find_run, say_of

    for option in ("car", "setup", "channels", "date", "one_run"):
        if getattr(arguments, option):
            raise InputError(f"--{option.replace('_', '-')} goes with a new run; a run that is there has it already.")
    if not arguments.log:
        raise InputError("--to: name the logs that are more of the run.")
    run = add.add_to_run(store, find_run(store, arguments.to), arguments.log)
    if words:
        say_of(store, run.id, date_s=None, **words)
    print(f"run {run.id[:SHORT_ID]}: {run.name}")
    return _bring_up_to_date(store, [run])


def _say_words(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.errors import InputError
    from analyzer.logbook.runs import find_run, say_of

    words = {name: text for name in DRIVEN_WITH if (text := getattr(arguments, name))}
    if not words:
        raise InputError("say: nothing is said; give --tyres, --weather or --sensor.")
    for run in [find_run(store, text) for text in arguments.run]:
        say_of(store, run.id, date_s=None, **words)
        print(f"{run.id[:8]} {run.name}: {', '.join(f'{what} {text}' for what, text in words.items())}")
    return 0


def _car(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.files import is_own_json, json_text
    from analyzer.knowledge.knowledge_file import as_json
    from analyzer.logbook.car_knowledge import car_json, knowledge_of, print_car, runs_and_words
    from analyzer.logbook.listing import runs_of_car

    name = _one_car(store, arguments.name, "NAME")
    runs_of_car(store, name)  # refuses a car that is not there
    every = runs_and_words(store, name)
    knowledge = knowledge_of(every, name)
    if arguments.export:
        arguments.outputs.write(arguments.export, json_text(as_json(knowledge)), is_own_json)
    if not wrote_json(arguments, lambda: car_json(store, every, knowledge)):
        print_car(store, every, knowledge, terminal())
    return 0


def _list(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.in_words import counted
    from analyzer.logbook.folder import named_few
    from analyzer.logbook.listing import print_runs, runs_json, runs_of_car
    from analyzer.logbook.runs import runs

    found = runs_of_car(store, arguments.car) if arguments.car else runs(store)
    if not wrote_json(arguments, lambda: runs_json(store, found)):
        print_runs(store, found, terminal())
    strangers = [path.relative_to(store.folder).as_posix() for path in store.strangers()]
    if strangers:
        _say(
            f"{counted(len(strangers), 'file or folder is', 'files or folders are')} among the logbook's and not its "
            f"own: {named_few(strangers)}. These stay; `halfshaft logbook tidy` moves them to its folder `lost`."
        )
    return 0


def _show(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.errors import CannotTell
    from analyzer.logbook import results
    from analyzer.logbook.listing import print_heading
    from analyzer.logbook.runs import find_run
    from analyzer.presentation.terminal import print_summary

    run = find_run(store, arguments.run)
    found = _as_it_is(store, run)
    if found is None:
        raise CannotTell(f"{run.log.name}: is not analysed yet; `halfshaft logbook update {run.id[:8]}` analyses it.")
    if wrote_json(arguments, lambda: results.result_text(store, found.id)):
        return 0
    print_heading(run, found, terminal())
    print_summary(results.analysis_of(store, found.id), terminal())
    return 0


def _remove(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.logbook.runs import find_run, remove_run

    for run in {run.id: run for run in [find_run(store, text) for text in arguments.run]}.values():
        remove_run(store, run.id)
        print(f"removed run {run.id} ({run.name})")
    return 0


def _export(store: "Store", arguments: argparse.Namespace) -> int:
    from pathlib import Path

    from analyzer.errors import CannotTell
    from analyzer.logbook.listing import export
    from analyzer.logbook.runs import find_run, runs

    status = 0
    for run in [find_run(store, text) for text in arguments.run] or runs(store):
        found = None
        try:
            found = _as_it_is(store, run)
            if found is None:
                _say(f"{run.log.name}: is not analysed yet, so its folder has no result.json.")
        except CannotTell as error:  # the log itself can still be had
            status = max(status, _complain(error))
        print(export(store, run, found, Path(arguments.out), arguments.outputs))
    return status


def _trend(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.in_words import counted
    from analyzer.logbook.listing import preload_trend, print_trend, runs_of_car, trend_json
    from analyzer.logbook.results import is_current, result_of

    car = _one_car(store, arguments.car, "--car")
    old = sum(not is_current(result_of(store, run), run) for run in runs_of_car(store, car))
    points = preload_trend(store, car)
    if not wrote_json(arguments, lambda: trend_json(car, points)):
        print_trend(car, points, terminal())
    if old:
        _say(
            f"{counted(old, 'result')} {'is' if old == 1 else 'are'} not up to date; `halfshaft logbook update` helps."
        )
    return 0


def _one_car(store: "Store", name: str | None, option: str) -> str:
    """The car that is named, or the only one."""
    from analyzer.errors import InputError
    from analyzer.logbook.runs import runs

    if name is not None:
        return name
    names = sorted({run.car.title for run in runs(store)})
    if len(names) != 1:
        there = ", ".join(f"'{name}'" for name in names) or "none yet"
        raise InputError(f"{option} is missing; cars in this logbook: {there}. Name one.")
    return names[0]


def _update(store: "Store", arguments: argparse.Namespace) -> int:
    from analyzer.logbook.runs import find_run, runs

    chosen = [find_run(store, text) for text in arguments.run] or runs(store)
    status = _bring_up_to_date(store, chosen)
    return max(status, _hear_more(store, chosen)) if arguments.knowledge else status


def _hear_more(store: "Store", chosen: "list[Run]") -> int:
    """Analyse anew the runs for which others know more, or others know now, than when their results were made."""
    from analyzer.errors import HalfshaftError
    from analyzer.logbook import add
    from analyzer.logbook.car_knowledge import hear_otherwise, runs_and_words

    status = 0
    ids = {run.id for run in chosen}
    for car in sorted({run.car.title for run in chosen}):
        every = runs_and_words(store, car)
        for run in (one.run for one in hear_otherwise(every, car) if one.run.id in ids):
            try:
                result = _with_progress(add.analyse_now, store, run)
            except HalfshaftError as error:
                status = max(status, _complain(error))
                continue
            _print_preload(store, run, result)
    return status


def _tidy(store: "Store", arguments: argparse.Namespace) -> int:
    moved = store.tidy()
    for before, after in moved:
        print(f"{before.relative_to(store.folder)} -> {after.relative_to(store.folder)}")
    if not moved:
        print("Nothing to tidy: what lies in the logbook's folders is its own.")
    return 0


def _bring_up_to_date(store: "Store", found: "list[Run]") -> int:
    """Analyse what is not up to date; a log that cannot be analysed does not stop the others."""
    from analyzer.errors import HalfshaftError

    status = 0
    for run in {run.id: run for run in found}.values():
        try:
            result = _up_to_date(store, run)
        except HalfshaftError as error:
            status = max(status, _complain(error))
            continue
        _print_preload(store, run, result)
    return status


def _print_preload(store: "Store", run: "Run", result: "StoredResult") -> None:
    from analyzer.logbook.listing import SHORT_ID, preload_words
    from analyzer.logbook.results import heard_by, preload

    told = preload(result)
    words = f"preload {preload_words(told)} N.m" if told.lower is not None else f"no preload: {told.reason}"
    others = heard_by(result)
    heard = f", with what {others} other run{'s know' if others > 1 else ' knows'} of the car" if others else ""
    print(f"{run.id[:SHORT_ID]} {run.name}: {words}{heard}", flush=True)


def _up_to_date(store: "Store", run: "Run") -> "StoredResult":
    from analyzer.logbook.add import up_to_date

    return _with_progress(up_to_date, store, run)


def _with_progress(analyse: "Callable[..., StoredResult]", store: "Store", run: "Run") -> "StoredResult":
    with progress_bar(run.name) as progress:
        return analyse(store, run, progress=lambda step, share: progress(f"{run.name}: {step}", share))


def _as_it_is(store: "Store", run: "Run") -> "StoredResult | None":
    """The result of a run as it is kept, None when it was never made; says when it is out of date.

    Raises
    ------
    CannotTell : the log could not be analysed.
    """
    from analyzer.errors import CannotTell
    from analyzer.logbook.listing import SHORT_ID
    from analyzer.logbook.results import is_current, result_of

    found = result_of(store, run)
    if found is not None and not is_current(found, run) and found.provenance is not None:
        _say(
            f"{run.log.name}: this result is out of date (made by {found.code}); "
            f"`halfshaft logbook update {run.id[:SHORT_ID]}` makes it anew."
        )
    if found is not None and found.state == "failed":
        raise CannotTell(found.message)
    return found if found is not None and found.folder is not None else None


def _say(note: str) -> None:
    import sys

    print(f"halfshaft logbook: {note}", file=sys.stderr)


def _complain(error: "HalfshaftError") -> int:
    _say(str(error))
    return error.exit_status


def _seconds(text: str) -> float:
    from datetime import datetime

    from analyzer.errors import InputError

    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        raise InputError(
            f"--date is '{text}'; allowed: a date as 2026-05-31, with a time as 2026-05-31T14:30. Correct it."
        ) from None


ACTIONS = {
    "add": _add,
    "update": _update,
    "list": _list,
    "show": _show,
    "remove": _remove,
    "export": _export,
    "trend": _trend,
    "car": _car,
    "say": _say_words,
    "tidy": _tidy,
}
WRITING = ("add", "update", "remove", "say", "tidy")
