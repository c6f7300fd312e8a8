"""`halfshaft simulate`: a log from the forward model, with the truth beside it."""

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from analyzer.cli.options import add_car, add_output
from analyzer.simulation.nuisances import OPTIONS, by_part

CHANNEL_SETS = ("full", "minimum")
MANOEUVRES = ("laps", "slow_lap", "circles")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    add_car(parser)
    parser.add_argument("--setup", metavar="SETUP", required=True, help="setup file (TOML, table [differential])")
    add_output(
        parser, "--out", _is_own_log, metavar="LOG", required=True, help="log to write: .parquet, .csv or .csv.gz"
    )
    parser.add_argument("--laps", type=int, default=4, help="flying laps (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="number that fixes everything random (default %(default)s)")
    parser.add_argument("--rate", metavar="Hz", type=float, default=100.0, help="log rate (default %(default)g)")
    parser.add_argument(
        "--circuit",
        default="demo",
        help="'demo', or a whole number to invent another circuit from (default %(default)s)",
    )
    parser.add_argument(
        "--channels",
        choices=CHANNEL_SETS,
        default="full",
        help="all channels, or the fewest that an analysis needs (default %(default)s)",
    )
    parser.add_argument(
        "--manoeuvre",
        choices=MANOEUVRES,
        default="laps",
        help="laps; slow laps with throttle pulses in corners; or slow circles with throttle pulses, both ways "
        "(default %(default)s)",
    )
    parser.add_argument(
        "--radii", metavar="m", nargs="+", type=float, default=[15, 30, 60], help="radii of circles (default 15 30 60)"
    )
    nuisances = parser.add_argument_group(
        "nuisances", "What a real car, road and logger do and a smooth simulation leaves out. All are off by default."
    )
    for name, choice in OPTIONS.items():
        nuisances.add_argument(
            f"--{name.replace('_', '-')}",
            dest=name,
            type=float,
            metavar="X",
            help=f"{choice.words} (default {choice.default:g})",
        )
    nuisances.add_argument(
        "--road-shape", metavar="N", type=int, default=1, help="number that hills, bank and bumps are drawn from"
    )


def run(arguments: argparse.Namespace) -> int:
    """Simulate and write the log and its truth. Returns the exit status.

    Raises
    ------
    InputError : an argument or input file is wrong, or the files cannot be written.
    """
    from analyzer.differential.predicted import predict_lock_curve
    from analyzer.differential.setup import load_setup
    from analyzer.errors import InputError
    from analyzer.in_words import counted
    from analyzer.simulation.circuit import Road, circuit_by_name
    from analyzer.simulation.sensors import Sensors
    from analyzer.simulation.simulated_car import Chassis, Grip, LockParameters, Powertrain, SimTyre
    from analyzer.simulation.simulated_session import (
        check_ending,
        is_own_truth,
        simulate_session,
        truth_path,
        write_session,
    )
    from analyzer.vehicle.car import load_car

    check_ending(arguments.out)
    truth = truth_path(arguments.out)
    arguments.outputs.require_each(
        {"--out": (arguments.out, _is_own_log), "its truth": (str(truth), is_own_truth(arguments.out))}
    )
    if not 1 <= arguments.laps <= 200:
        raise InputError(f"--laps is {arguments.laps}; allowed: 1 to 200. Correct it.")
    if arguments.seed < 0:
        raise InputError(f"--seed is {arguments.seed}; allowed: 0 or more. Correct it.")
    car = load_car(arguments.car)
    lock = LockParameters.from_prediction(predict_lock_curve(load_setup(arguments.setup)))
    circuit = circuit_by_name(arguments.circuit)
    asked = by_part({name: getattr(arguments, name) for name in OPTIONS})

    def of(part: str) -> dict[str, Any]:
        return asked.get(part, {})

    session = simulate_session(
        car=car,
        lock=replace(lock, **of("lock")),
        circuit=circuit,
        laps=arguments.laps,
        seed=arguments.seed,
        tyre=SimTyre(**of("tyre")),
        chassis=Chassis(**of("chassis")),
        grip=Grip(**of("grip")),
        road=Road(road_shape=arguments.road_shape, **of("road")),
        powertrain=replace(Powertrain.for_car(car), **of("powertrain")),
        sensors=Sensors(rate_Hz=arguments.rate, channels=arguments.channels, **of("sensors")),
        manoeuvre=arguments.manoeuvre,
        radii_m=tuple(arguments.radii),
    )
    write_session(session, arguments.out, arguments.outputs)
    where = f"{counted(arguments.laps, 'lap')} of {circuit.name} (invented, {circuit.length_m:.0f} m)"
    if arguments.manoeuvre == "slow_lap":
        where = f"slowly, with throttle pulses, {where}"
    elif arguments.manoeuvre == "circles":
        where = f"slow circles of {', '.join(f'{r:g}' for r in arguments.radii)} m both ways, with throttle pulses"
    print(
        f"{where}, {session.log['time'].iloc[-1]:.1f} s at {arguments.rate:g} Hz\nlog   {arguments.out}\ntruth {truth}"
    )
    if asked:
        print("with  " + ", ".join(f"{name} {value:g}" for part in asked.values() for name, value in part.items()))
    return 0


def _is_own_log(path: Path) -> bool:
    from analyzer.simulation.simulated_session import is_own_log  # pandas takes a while to import

    return is_own_log(path)
