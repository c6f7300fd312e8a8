"""halfshaft: reads a session log and says what the limited-slip differential did.

    import analyzer

    result = analyzer.analyze("session.csv", car="car.toml", setup="setup.toml")
    print(result.answer)
    result.lock_curve        # pandas DataFrame, units in the names of its columns
    result.plot_lock_curve() # Plotly figure

A log is a path, a pandas DataFrame or a `Recording`; a car or a setup is a path, or an object. SI and radians inside;
torques are at the wheels in N.m, drive positive; a left turn is positive (ISO 8855). Intervals are 95 %.

What it prints are estimates, not measurements: confirm on the bench before and after a change.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analyzer.advice.shelf import load_parts
    from analyzer.differential.setup import Setup, load_setup
    from analyzer.errors import CannotTell, HalfshaftError, InputError
    from analyzer.library import advise, analyze, compare, plan, predict, read_log, simulate
    from analyzer.library_results import AdviceResult, AnalysisResult, ComparisonResult, Prediction
    from analyzer.logs.mapping import load_channel_map
    from analyzer.logs.recording import Recording
    from analyzer.vehicle.car import Car, load_car

__version__ = "0.1.0"

# name -> where it lives; imported when first asked for (PEP 562), so that `import analyzer` takes no time
_LIVES_IN = {
    "read_log": "analyzer.library",
    "load_car": "analyzer.vehicle.car",
    "load_setup": "analyzer.differential.setup",
    "load_channel_map": "analyzer.logs.mapping",
    "load_parts": "analyzer.advice.shelf",
    "analyze": "analyzer.library",
    "compare": "analyzer.library",
    "predict": "analyzer.library",
    "advise": "analyzer.library",
    "plan": "analyzer.library",
    "simulate": "analyzer.library",
    "AnalysisResult": "analyzer.library_results",
    "ComparisonResult": "analyzer.library_results",
    "AdviceResult": "analyzer.library_results",
    "Prediction": "analyzer.library_results",
    "Recording": "analyzer.logs.recording",
    "Car": "analyzer.vehicle.car",
    "Setup": "analyzer.differential.setup",
    "HalfshaftError": "analyzer.errors",
    "InputError": "analyzer.errors",
    "CannotTell": "analyzer.errors",
}
__all__ = [  # noqa: RUF022 (the order of the reference)
    "read_log",
    "load_car",
    "load_setup",
    "load_channel_map",
    "load_parts",
    "analyze",
    "compare",
    "predict",
    "advise",
    "plan",
    "simulate",
    "AnalysisResult",
    "ComparisonResult",
    "AdviceResult",
    "Prediction",
    "Recording",
    "Car",
    "Setup",
    "HalfshaftError",
    "InputError",
    "CannotTell",
]


def __getattr__(name: str) -> Any:
    if name not in _LIVES_IN:
        raise AttributeError(f"module 'analyzer' has no attribute '{name}'")
    value = globals()[name] = getattr(import_module(_LIVES_IN[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
